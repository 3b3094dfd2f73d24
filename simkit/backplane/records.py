"""What happens on a machine as records: words of eight bytes, in a ring that is emptied before it is full.

A bus cycle is one word, from bit 0 up: address (16 bits), byte (8), kind (3, as `Kind` numbers them), write (1), repeat
(1), cycle (35, modulo CYCLES: 4.7 hours at 2 MHz; `whole_cycle` gives the rest). Marks stand between them, on the same
clock, when somebody asked for them:

- LINE: a line has another level from `cycle` on; in place of the address its number, of the byte its level.
- DECODING: from `cycle` on addresses are decoded otherwise; in place of the address the number of the decoding.
- REGISTERS, REST: before `cycle`, which begins an instruction; PC in place of the address, A of the byte, AT_HANDLER
  where a handler begins or has returned; then, in place of the cycle, X in the lowest byte, Y, S and P.

The byte is that of the CPU's pins: where wiring stands between them and the backplane a probe tells the other one, too
(`BusCycle.data`).

A mark may stand before the record of the cycle in which it came about.
"""

from __future__ import annotations

import struct
from collections.abc import Callable

RECORD_BYTES = 8
DATA_SHIFT = 16
KIND_SHIFT = 24
WRITE = 8
"""Bit of the kind: R/W low."""
REPEAT = 16
"""Bit of the kind: RDY holds the access, which comes once more."""
CYCLE_SHIFT = 29
CYCLES = 1 << 64 - CYCLE_SHIFT
"""Cycles are counted modulo this."""

LINE, DECODING, REGISTERS, REST = 6, 6 | WRITE, 7, 7 | WRITE
"""Kinds of marks, with the bit of a write."""
AT_HANDLER = REPEAT
"""Bit of the kind REGISTERS: somebody asked for handlers, and here is one."""

ROOM = 65_536
"""Records in a ring: 33 ms at 2 MHz."""
FULL = ROOM - 256
"""Records after which they are handed on.

The rest is for the instruction under way, and for marks: they go with the cycle in which they came about.
"""

Sink = Callable[[memoryview], None]
"""Takes the records of some bus cycles, in order; the memory is used again as soon as it comes back."""

_RECORD = struct.Struct("<Q")


def whole_cycle(counted: int, near: int) -> int:
    """The cycle that a record counts modulo CYCLES, the one of them nearest to `near`."""
    return near + (counted - near + CYCLES // 2) % CYCLES - CYCLES // 2


class Ring:
    """Collects records and hands them on.

    Attributes:
        memory: room for ROOM records.
        filled: how many it holds.
        sinks: who gets them.
    """

    def __init__(self, memory: memoryview | None = None) -> None:
        self.memory = memoryview(bytearray(ROOM * RECORD_BYTES)) if memory is None else memory
        self.filled = 0
        self.sinks: tuple[Sink, ...] = ()
        self._failure: BaseException | None = None

    def add(self, cycle: int, address: int, value: int, kind: int) -> None:
        """Record a cycle; `kind` with WRITE for a write, with REPEAT for one that RDY holds."""
        word = cycle % CYCLES << CYCLE_SHIFT | kind << KIND_SHIFT | value << DATA_SHIFT | address
        _RECORD.pack_into(self.memory, self.filled * RECORD_BYTES, word)
        self.filled += 1
        if self.filled == ROOM or (self.filled >= FULL and kind & 7 < LINE):
            self.empty()

    def add_registers(self, cycle: int, pc: int, a: int, rest: tuple[int, int, int, int], *, at_handler: bool) -> None:
        """Record the registers before `cycle`; `rest` is X, Y, S, P."""
        if self.filled + 2 > ROOM:  # the two stay together
            self.empty()
        x, y, s, p = rest
        self.add(cycle, pc, a, REGISTERS | AT_HANDLER if at_handler else REGISTERS)
        self.add(x | y << 8 | s << 16 | p << 24, 0, 0, REST)

    def empty(self) -> None:
        """Hand on what is there to everybody.

        What one of them raises comes out of `raise_failure`: the instruction under way would be given up else. Ctrl-C
        comes out at once, when all have the records.
        """
        if not self.filled:
            return
        records = self.memory[: self.filled * RECORD_BYTES]
        self.filled = 0
        broken_off: BaseException | None = None
        for sink in self.sinks:
            try:
                sink(records)
            except KeyboardInterrupt as error:  # raised again when all have the records
                broken_off = error
            except BaseException as error:  # noqa: BLE001 - raised again at the end of the instruction
                self._failure = self._failure or error
        if broken_off is not None:
            raise broken_off

    @property
    def failed(self) -> bool:
        """Whether a sink has raised something that nobody has been told yet."""
        return self._failure is not None

    def raise_failure(self) -> None:
        """Raise what a sink has raised, once; between two instructions."""
        failure, self._failure = self._failure, None
        if failure is not None:
            raise failure
