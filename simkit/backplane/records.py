"""What happens on a machine as records: words of eight bytes, in a ring that is emptied before it is full.

A bus cycle is one word, from bit 0 up: address (16 bits), byte (8), kind (3, as `Kind` numbers them), write (1),
cycle (36). Marks stand between them, on the same clock, when somebody asked for them:

- LINE: a line has another level from `cycle` on; in place of the address its number, of the byte its level.
- DECODING: from `cycle` on addresses are decoded otherwise; in place of the address the number of the decoding.
- REGISTERS, REST: before `cycle`, which begins an instruction; PC in place of the address, A of the byte; then, in
  place of the cycle, X in the lowest byte, Y, S and P.

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
CYCLE_SHIFT = 28

LINE, DECODING, REGISTERS, REST = 6, 6 | WRITE, 7, 7 | WRITE
"""Kinds of marks, with the bit of a write."""

ROOM = 65_536
"""Records in a ring: 33 ms at 2 MHz."""

Sink = Callable[[memoryview], None]
"""Takes the records of some bus cycles, in order; the memory is used again as soon as it comes back."""

_RECORD = struct.Struct("<Q")


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
        self.sinks: list[Sink] = []

    def add(self, cycle: int, address: int, value: int, kind: int) -> None:
        """Record a cycle; `kind` with WRITE for a write."""
        word = cycle << CYCLE_SHIFT & 0xFFFF_FFFF_FFFF_FFFF | kind << KIND_SHIFT | value << DATA_SHIFT | address
        _RECORD.pack_into(self.memory, self.filled * RECORD_BYTES, word)
        self.filled += 1
        if self.filled == ROOM:
            self.empty()

    def add_registers(self, cycle: int, pc: int, a: int, rest: tuple[int, int, int, int]) -> None:
        """Record the registers before `cycle`; `rest` is X, Y, S, P."""
        if self.filled + 2 > ROOM:
            self.empty()
        x, y, s, p = rest
        self.add(cycle, pc, a, REGISTERS)
        self.add(x | y << 8 | s << 16 | p << 24, 0, 0, REST)

    def empty(self) -> None:
        """Hand on what is there."""
        if self.filled:
            records = self.memory[: self.filled * RECORD_BYTES]
            self.filled = 0
            for sink in self.sinks:
                sink(records)
