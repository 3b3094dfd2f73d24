"""What happens on a machine, recorded in bulk on one clock: bus cycles, registers, lines, the decoding.

with Recorder(machine, registers="handlers", lines=("IRQ",)) as recorder:
    machine.run(frames=10)
recorder.cycles.address[recorder.cycles.is_write]
recorder.registers.pc, recorder.lines.level, recorder.decodings.number
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from types import TracebackType

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.cycle import Kind
from simkit.backplane.recording import EACH, HANDLERS
from simkit.backplane.records import CYCLE_SHIFT, DATA_SHIFT, DECODING, KIND_SHIFT, LINE, REGISTERS, REST
from simkit.contract.errors import SimkitError, near
from simkit.machine.machine import Machine
from simkit.records.cycles import Cycles, Words

_UNKNOWN = 2

MOST_BYTES = 256_000_000
"""Memory that a recording takes at most: 16 s at 2 MHz when every cycle is kept; a filter makes it last longer."""


@attrs.frozen
class Filter:
    """Which bus cycles are kept.

    Attributes:
        first, last: addresses, both included.
        slots: cards that are reached, reading or writing; empty: all, and nobody.
        kinds: what the CPU does; empty: everything.
        begin, end: cycles, the first one kept and the first one not; None: no end.
    """

    first: int = 0
    last: int = 0xFFFF
    slots: frozenset[int] = attrs.field(default=frozenset(), converter=frozenset)
    kinds: frozenset[Kind] = attrs.field(default=frozenset(), converter=frozenset)
    begin: int = 0
    end: int | None = None


@attrs.frozen(eq=False)
class Registers:
    """Registers before the cycles that begin instructions; a column each, P as it is pushed by hardware."""

    cycle: NDArray[np.uint64]
    pc: NDArray[np.uint16]
    a: NDArray[np.uint8]
    x: NDArray[np.uint8]
    y: NDArray[np.uint8]
    sp: NDArray[np.uint8]
    p: NDArray[np.uint8]


@attrs.frozen(eq=False)
class LineChanges:
    """Changes of lines: from `cycle` on the line of that number (an index of `names`) has that level."""

    names: tuple[str, ...]
    cycle: NDArray[np.uint64]
    number: NDArray[np.uint16]
    level: NDArray[np.bool_]


@attrs.frozen(eq=False)
class Decodings:
    """Changes of the decoding: from `cycle` on addresses are decoded as `levels[number]` of the decode lines say."""

    levels: tuple[Mapping[str, bool], ...]
    cycle: NDArray[np.uint64]
    number: NDArray[np.uint16]


class Recorder:
    """Records until `stop`, or the end of its `with`.

    Args:
        machine: may have run already.
        which: bus cycles that are kept; None keeps none.
        registers: "handlers": as a handler begins and has returned; "instructions": before each instruction; "".
        lines: names of lines, or of pins as "slot.PIN", whose changes are kept.
        decoding: whether changes of the decoding are kept.
        most_bytes: memory that it takes at most.

    Attributes:
        full: the cycle from which on nothing was kept, as there was no more room; None: all is there.

    Raises:
        SimkitError: no such line, pin or slot, a pin joined to nothing, a filter that lets nothing through, or a
            word for `registers` that is none.
    """

    def __init__(
        self,
        machine: Machine,
        which: Filter | None = Filter(),
        *,
        registers: str = "",
        lines: Iterable[str] = (),
        decoding: bool = True,
        most_bytes: int = MOST_BYTES,
    ) -> None:
        if registers not in ("", HANDLERS, EACH):
            raise SimkitError(
                f"Registers cannot be recorded {registers!r}.", remedy=f"Write {HANDLERS!r}, {EACH!r} or ''."
            )
        if which is not None:
            _check(which, machine)
        self._machine, self._which, self._most = machine, which, most_bytes
        self._names = {name: _line_of(machine, name) for name in lines}
        self._cycles: list[bytes] = []
        self._marks: list[bytes] = []
        self._bytes = 0
        self._tables: dict[int, NDArray[np.uint8]] = {}
        self._decoding = self._present = machine.bus.banks.number
        self.full: int | None = None
        slots = which is not None and bool(which.slots)
        self._handle = machine.bus.record(
            self._take, registers=registers, lines=set(self._names.values()), decoding=decoding or slots
        )

    def __enter__(self) -> Recorder:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.stop()

    def stop(self) -> None:
        """Record no more; a second time does nothing."""
        self._handle.remove()

    # what was recorded ----------------------------------------------------------------------------------------------

    @property
    def cycles(self) -> Cycles:
        """Bus cycles, in order."""
        self._catch_up()
        return Cycles.joined(self._cycles)

    @property
    def registers(self) -> Registers:
        """Registers where they were asked for."""
        words = self._marked(REGISTERS, REST)
        heads, rests = words[::2], words[1::2] >> np.uint64(CYCLE_SHIFT)
        x, y, sp, p = ((rests >> np.uint64(shift)).astype(np.uint8) for shift in (0, 8, 16, 24))
        return Registers(_cycle(heads), heads.astype(np.uint16), _byte(heads), x, y, sp, p)

    @property
    def lines(self) -> LineChanges:
        """Changes of the lines that were asked for."""
        words = self._marked(LINE)
        names = tuple(self._names)
        numbers = words.astype(np.uint16)
        found = [
            (words[numbers == self._machine.bus.recording.line_number(line)], place)
            for place, line in enumerate(self._names.values())
        ]
        everything = np.concatenate([words[:0], *(mine for mine, _ in found)])
        places = np.concatenate([numbers[:0], *(np.full(len(mine), place, np.uint16) for mine, place in found)])
        order = np.argsort(_cycle(everything), kind="stable")
        everything = everything[order]
        return LineChanges(names, _cycle(everything), places[order], _byte(everything) != 0)

    @property
    def decodings(self) -> Decodings:
        """Changes of the decoding; `first_decoding` is the one before."""
        words = self._marked(DECODING)
        banks = self._machine.bus.banks
        numbers = words.astype(np.uint16)
        most = max([self._decoding, *numbers.tolist()])
        return Decodings(tuple(banks.levels(number) for number in range(most + 1)), _cycle(words), numbers)

    @property
    def first_decoding(self) -> int:
        """Number of the decoding as the recording began."""
        return self._decoding

    def _marked(self, *kinds: int) -> Words:
        self._catch_up()
        words = np.frombuffer(b"".join(self._marks), "<u8")
        kind = _kind(words)
        found: Words = words[np.isin(kind, kinds)]
        return found

    def _catch_up(self) -> None:
        self._machine.bus.recording.catch_up()

    # recording ------------------------------------------------------------------------------------------------------

    def _take(self, records: memoryview) -> None:
        if self.full is not None:
            return
        words: Words = np.frombuffer(records, "<u8")
        kinds = _kind(words)
        marks = (kinds & 7) >= LINE
        if marks.any():
            self._keep(self._marks, words[marks])
        if self._which is not None:
            chosen = ~marks
            which = self._which
            if which.slots:
                chosen &= self._reaches(words, kinds, marks)
            if (which.first, which.last) != (0, 0xFFFF):
                addresses = words.astype(np.uint16)
                chosen &= (addresses >= which.first) & (addresses <= which.last)
            if which.kinds:
                chosen &= np.isin(kinds & 7, [int(kind) for kind in which.kinds])
            if which.begin or which.end is not None:
                cycles = _cycle(words)
                chosen &= cycles >= np.uint64(which.begin)
                if which.end is not None:
                    chosen &= cycles < np.uint64(which.end)
            self._keep(self._cycles, words[chosen])

    def _keep(self, kept: list[bytes], words: Words) -> None:
        room = (self._most - self._bytes) // words.itemsize
        if len(words) > room:
            self.full = int(words[room] >> np.uint64(CYCLE_SHIFT))
            words = words[:room]
        kept.append(words.tobytes())
        self._bytes += words.nbytes

    # slots ----------------------------------------------------------------------------------------------------------

    def _reaches(self, words: Words, kinds: NDArray[np.uint8], marks: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Which bus cycles reach a card that is asked for, by the decoding as it was in each."""
        index = words.astype(np.uint32) & np.uint32(0xFFFF) | (kinds >> 3).astype(np.uint32) << np.uint32(16)
        found = np.zeros(len(words), bool)
        changes = np.flatnonzero(marks & (kinds == DECODING))
        cycles = _cycle(words)
        moments = cycles[changes]
        decodings = [self._present, *words[changes].astype(np.uint16).tolist()]
        part = np.searchsorted(moments, cycles, side="right")
        for number in np.unique(part).tolist():
            here = part == number
            found[here] = self._reached(decodings[number], index[here])
        self._present = decodings[-1]
        return found

    def _reached(self, decoding: int, index: NDArray[np.uint32]) -> NDArray[np.bool_]:
        """Of addresses (bit 16: of writes), whether they reach a card that is asked for; worked out when first met."""
        assert self._which is not None
        known = self._tables.setdefault(decoding, np.full(0x2_0000, _UNKNOWN, np.uint8))
        table = self._machine.bus.banks.table(decoding)
        for one in np.unique(index[known[index] == _UNKNOWN]).tolist():
            plan = table.write_plan(one & 0xFFFF) if one >> 16 else table.read_plan(one)
            known[one] = not self._which.slots.isdisjoint(plan.selected)
        found: NDArray[np.bool_] = known[index] != 0
        return found


def _check(which: Filter, machine: Machine) -> None:
    """Refuse a filter that cannot let anything through."""
    if not 0 <= which.first <= which.last <= 0xFFFF:
        raise SimkitError(
            f"The filter's addresses ${which.first:04X} to ${which.last:04X} are no range from $0000 to $FFFF.",
            remedy="Give the lower one first.",
        )
    if which.end is not None and which.end <= which.begin:
        raise SimkitError(
            f"The filter ends in cycle {which.end}, not after the one it begins in, {which.begin}.",
            remedy="Give the later cycle as its end.",
        )
    known = {seat.slot for seat in machine.bus.seats}
    if missing := sorted(which.slots - known):
        raise SimkitError(
            f"There is no card in slot {missing[0]}.", remedy=f"Cards are in {', '.join(map(str, sorted(known)))}."
        )


def _cycle(words: Words) -> NDArray[np.uint64]:
    return words >> np.uint64(CYCLE_SHIFT)


def _byte(words: Words) -> NDArray[np.uint8]:
    return (words >> np.uint64(DATA_SHIFT)).astype(np.uint8)


def _kind(words: Words) -> NDArray[np.uint8]:
    return (words >> np.uint64(KIND_SHIFT)).astype(np.uint8) & np.uint8(0xF)


def _line_of(machine: Machine, name: str) -> str:
    """The line that a name of a line or of a pin means."""
    slot, dot, pin = name.partition(".")
    if not (dot and slot.isdecimal()):
        if name not in machine.lines:
            raise SimkitError(f"There is no line {name!r}.", remedy=near(name, machine.lines))
        return name
    seat = next((seat for seat in machine.bus.seats if seat.slot == int(slot)), None)
    pins = seat.card.slot.pins if seat is not None else {}
    if pin not in pins:
        raise SimkitError(f"There is no pin {name!r}.", remedy=near(pin, pins))
    line = pins[pin].line
    if line is None:
        raise SimkitError(f"Pin {pin} of slot {slot} is joined to nothing.", remedy="Join it to a line to record it.")
    return line.name
