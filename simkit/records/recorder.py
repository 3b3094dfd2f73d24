"""What happens on a machine, recorded in bulk on one clock: bus cycles, registers, lines, the decoding.

with Recorder(machine, registers="handlers", lines=("IRQ",)) as recorder:
    machine.run(frames=10)
cycles = recorder.cycles
cycles.address[cycles.is_write]
recorder.registers.pc, recorder.lines.level, recorder.decodings.number
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from itertools import pairwise
from types import TracebackType

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.cycle import Kind
from simkit.backplane.recording import EACH, HANDLERS
from simkit.backplane.records import (
    AT_HANDLER,
    CYCLE_SHIFT,
    DATA_SHIFT,
    DECODING,
    LINE,
    RECORD_BYTES,
    REGISTERS,
    REST,
    WRITE,
)
from simkit.contract.errors import SimkitError
from simkit.contract.shapes import FURTHEST
from simkit.machine.machine import Machine
from simkit.records.cycles import Cycles, Words, kinds, whole_cycles
from simkit.records.cycles import marks as marks_among
from simkit.records.lines import line_of

_UNKNOWN = 2
FEW_MARKS = 64
"""Up to so many marks between bus cycles these are copied piece by piece."""
_KIND_OF_MARK = np.uint8(WRITE | 7)

MOST_BYTES = 256_000_000
"""Memory that a recording takes at most: 16 s at 2 MHz when every cycle is kept; a filter makes it last longer."""


def _kinds(given: Iterable[Kind]) -> frozenset[Kind]:
    return frozenset(given)


@attrs.frozen
class Filter:
    """Which bus cycles are kept.

    Attributes:
        first, last: addresses, both included.
        slots: cards that are reached, reading or writing; empty: all, and nobody.
        kinds: what the CPU does; empty: everything.
        writes: True for writes, False for reads, None for both.
        begin, end: cycles, the first one kept and the first one not; None: no end.
    """

    first: int = 0
    last: int = 0xFFFF
    slots: frozenset[int] = attrs.field(default=frozenset(), converter=frozenset)
    kinds: frozenset[Kind] = attrs.field(default=frozenset(), converter=_kinds)
    writes: bool | None = None
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
    """Changes of lines: from `cycle` on the line of that number (an index of `names`) has that level.

    Attributes:
        first: level of each line as the recording began.
    """

    names: tuple[str, ...]
    first: tuple[bool, ...]
    cycle: NDArray[np.uint64]
    number: NDArray[np.uint16]
    level: NDArray[np.bool_]


@attrs.frozen(eq=False)
class Like:
    """A run that another one may be like, as it was recorded from the same cycle on.

    Attributes:
        words: its bus cycles.
        marks: between them, as `Recorder.marks` gave them.
        levels: of each line as the recording began.
    """

    words: Words
    marks: Words
    levels: tuple[bool, ...]


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
        most_bytes: of what is kept, 8 a bus cycle or change and 16 for the registers; arrays made of it come on top.
        like: a run of which bus cycles are not kept as long as those here are the same, marks and all; every bus cycle
            is to be kept else, and the same lines are asked for.

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
        like: Like | None = None,
    ) -> None:
        if registers not in ("", HANDLERS, EACH):
            raise SimkitError(
                f"Registers cannot be recorded {registers!r}.", remedy=f"Write {HANDLERS!r}, {EACH!r} or ''."
            )
        if which is not None:
            _check(which, machine)
        self._machine, self._which, self._registers, self._decoded = machine, which, registers, decoding
        self._names = {name: line_of(machine, name) for name in lines}
        recording = machine.bus.recording
        self._line_numbers = np.array([recording.line_number(line) for line in self._names.values()], np.uint16)
        self._levels = tuple(machine.bus.nets.line(line).level for line in self._names.values())
        self._since = self._first = machine.cycle
        self._keeps_all = which == Filter()
        self._room = most_bytes // RECORD_BYTES
        self._cycles: list[bytes] = []
        self._marks: list[bytes] = []
        self._coming: Words = np.zeros(0, np.uint64)  # marks of a cycle for which there may be no room
        self._tables: dict[int, NDArray[np.uint8]] = {}
        self._decoding = self._present = machine.bus.reach.banks.number
        self._like = like if like is not None and like.levels == self._levels else None
        self._alike = self._marks_alike = 0
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
        return Cycles(self._joined(self._cycles), self._first)

    def forget(self) -> int:
        """Keep the bus cycles up to now no longer, but the marks between them; gives how many they were."""
        words = self.cycles.words
        self._cycles.clear()
        self._room += len(words)
        self._first = self._machine.cycle
        return len(words)

    @property
    def alike(self) -> int:
        """How many bus cycles were those of the run that it was to be like; they are not among `cycles`."""
        self._machine.bus.recording.catch_up()
        return self._alike

    @property
    def is_alike(self) -> bool:
        """Whether all up to now, marks and all, is as in that run."""
        self._machine.bus.recording.catch_up()
        return self._like is not None

    @property
    def marks(self) -> Words:
        """Marks that were asked for, as they were recorded."""
        return np.concatenate((self._joined(self._marks), self._coming))

    @property
    def registers(self) -> Registers:
        """Registers where they were asked for."""
        words = self._marked(REGISTERS, REST)
        heads, rests = words[::2], words[1::2] >> np.uint64(CYCLE_SHIFT)
        x, y, sp, p = ((rests >> np.uint64(shift)).astype(np.uint8) for shift in (0, 8, 16, 24))
        return Registers(whole_cycles(heads, self._since), heads.astype(np.uint16), _byte(heads), x, y, sp, p)

    @property
    def lines(self) -> LineChanges:
        """Changes of the lines that were asked for."""
        words = self._marked(LINE)
        numbers = words.astype(np.uint16)
        # One line may have been asked for under two names, its own and that of a pin.
        found = [np.flatnonzero(numbers == line) for line in self._line_numbers]
        places = np.concatenate([numbers[:0], *(np.full(len(mine), n, np.uint16) for n, mine in enumerate(found))])
        order = np.concatenate([np.zeros(0, np.intp), *found])
        sorting = order.argsort(kind="stable")
        words, places = words[order[sorting]], places[sorting]
        cycle = whole_cycles(words, self._since)
        return LineChanges(tuple(self._names), self._levels, cycle, places, _byte(words) != 0)

    @property
    def decodings(self) -> Decodings:
        """Changes of the decoding; `first_decoding` is the one before."""
        words = self._marked(DECODING)
        banks = self._machine.bus.reach.banks
        numbers = words.astype(np.uint16)
        most = max([self._decoding, *numbers.tolist()])
        levels = tuple(banks.levels(number) for number in range(most + 1))
        return Decodings(levels, whole_cycles(words, self._since), numbers)

    @property
    def first_decoding(self) -> int:
        """Number of the decoding as the recording began."""
        return self._decoding

    def _marked(self, *kind: int) -> Words:
        words = self.marks
        found: Words = words[np.isin(kinds(words) & _KIND_OF_MARK, kind)]
        return found

    def _joined(self, kept: list[bytes]) -> Words:
        self._machine.bus.recording.catch_up()
        kept[:] = [b"".join(kept)]
        return np.frombuffer(kept[0], "<u8")

    # recording ------------------------------------------------------------------------------------------------------

    def _take(self, records: memoryview) -> None:
        if self.full is not None:
            return
        words: Words = np.frombuffer(records, "<u8")
        if self._like is not None and self._goes_on(self._like, [words], words[:0]):
            return
        marks = marks_among(words)
        if self._keeps_all and len(words) <= self._room:
            self._take_all(words, marks)
            return
        kind = kinds(words)
        cycles = self._moments(words, kind)
        wanted = self._wanted(words, kind) & marks if marks.any() else marks
        if self._which is not None:
            wanted = wanted | ~marks & self._passes(self._which, words, kind, marks, cycles)
        kept = wanted.nonzero()[0]
        if len(kept) > self._room:
            self.full = int(cycles[kept[self._room :]].min())
            kept = kept[cycles[kept] < self.full]
            self._coming = self._coming[self._moments(self._coming, kinds(self._coming)) < self.full]
        self._room -= len(kept)
        is_mark = marks[kept]
        if len(mine := kept[~is_mark]):
            self._cycles.append(words[mine].tobytes())
        if len(mine := kept[is_mark]) or len(self._coming):
            recorded = cycles[~marks]
            coming = cycles[mine] > (recorded[-1] if len(recorded) else 0)
            self._marks += (self._coming.tobytes(), words[mine[~coming]].tobytes())
            self._coming = words[mine[coming]]

    def _take_all(self, words: Words, marks: NDArray[np.bool_]) -> None:
        """Every bus cycle is wanted, and there is room: most records need not be looked at."""
        rows = marks.nonzero()[0]
        if len(rows) <= FEW_MARKS:
            between = pairwise((-1, *rows.tolist(), len(words)))
            parts = [words[before + 1 : end] for before, end in between if end > before + 1]
        else:
            parts = [words[~marks]]
        if self._like is not None:
            if self._goes_on(self._like, parts, words[rows]):
                return
            self._like = None
        pieces = [part.tobytes() for part in parts]
        self._cycles += pieces
        found = words[rows]
        kind = kinds(found)
        wanted = self._wanted(found, kind)
        self._room -= len(words) - len(found) + int(wanted.sum())
        if wanted.any() or len(self._coming):
            last = np.frombuffer(pieces[-1], "<u8")[-1:] if pieces else found[:0]
            recorded = self._moments(last, kinds(last))
            cycles, mine = self._moments(found, kind)[wanted], found[wanted]
            coming = cycles > (recorded[-1] if len(recorded) else 0)
            self._marks += (self._coming.tobytes(), mine[~coming].tobytes())
            self._coming = mine[coming]

    def _goes_on(self, like: Like, parts: list[Words], found: Words) -> bool:
        """Whether bus cycles and marks are those with which another run goes on; then nothing but the marks is kept."""
        come = self._alike
        for part in parts:
            known = like.words[come : come + len(part)]
            if len(known) < len(part) or not np.array_equal(known, part):
                return False
            come += len(part)
        mine = found[self._wanted(found, kinds(found))]
        told = self._marks_alike + len(mine)
        if come > self._alike:
            till = parts[-1][-1] >> np.uint64(CYCLE_SHIFT)
            due = int((like.marks[: told + 1] >> np.uint64(CYCLE_SHIFT) <= till).sum())
            if due > told:  # a line has not moved
                return False
        if not np.array_equal(like.marks[self._marks_alike : told], mine):
            return False
        self._alike, self._marks_alike = come, told
        self._marks.append(mine.tobytes())
        return True

    def _moments(self, words: Words, kind: NDArray[np.uint8]) -> NDArray[np.uint64]:
        """Cycle of each record; a REST has that of the record before it, to which it belongs."""
        rests = np.flatnonzero(kind == REST)
        if len(rests):
            words = words.copy()
            words[rests] = words[rests - 1]
        return whole_cycles(words, self._machine.cycle)

    def _wanted(self, words: Words, kind: NDArray[np.uint8]) -> NDArray[np.bool_]:
        """Which records are marks that this one asked for; the others may be somebody else's."""
        found = np.zeros(len(words), bool)
        if self._registers:
            code = REGISTERS | AT_HANDLER if self._registers == HANDLERS else REGISTERS
            heads = np.flatnonzero(kind == code)
            found[heads] = found[heads + 1] = True
        if self._decoded:
            found |= kind == DECODING
        if len(self._line_numbers):
            found |= (kind == LINE) & np.isin(words.astype(np.uint16), self._line_numbers)
        return found

    def _passes(
        self,
        which: Filter,
        words: Words,
        kind: NDArray[np.uint8],
        marks: NDArray[np.bool_],
        cycles: NDArray[np.uint64],
    ) -> NDArray[np.bool_]:
        passes = self._reaches(words, kind, marks, cycles) if which.slots else np.ones(len(words), bool)
        if (which.first, which.last) != (0, 0xFFFF):
            addresses = words.astype(np.uint16)
            passes &= (addresses >= which.first) & (addresses <= which.last)
        if which.kinds:
            passes &= np.isin(kind & 7, [int(one) for one in which.kinds])
        if which.writes is not None:
            passes &= (kind & WRITE != 0) == which.writes
        if which.begin or which.end is not None:
            passes &= cycles >= np.uint64(which.begin)
            if which.end is not None:
                passes &= cycles < np.uint64(which.end)
        return passes

    # slots ----------------------------------------------------------------------------------------------------------

    def _reaches(
        self, words: Words, kind: NDArray[np.uint8], marks: NDArray[np.bool_], cycles: NDArray[np.uint64]
    ) -> NDArray[np.bool_]:
        """Which bus cycles reach a card that is asked for, by the decoding as it was in each."""
        index = words.astype(np.uint32) & np.uint32(0xFFFF) | (kind & WRITE != 0).astype(np.uint32) << np.uint32(16)
        found = np.zeros(len(words), bool)
        changes = np.flatnonzero(marks & (kind == DECODING))
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
        table = self._machine.bus.reach.banks.table(decoding)
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
    if not 0 <= which.begin <= FURTHEST or not (which.end is None or 0 <= which.end <= FURTHEST):
        raise SimkitError(
            f"The filter begins in cycle {which.begin} and ends in {which.end}; there are none but 0 to {FURTHEST}."
        )
    if which.end is not None and which.end <= which.begin:
        raise SimkitError(
            f"The filter ends in cycle {which.end}, not after the one it begins in, {which.begin}.",
            remedy="Give the later cycle as its end.",
        )
    if strange := [kind for kind in which.kinds if kind not in tuple(Kind)]:
        raise SimkitError(
            f"{strange[0]!r} is no kind of bus cycle.",
            remedy=f"Name some of {', '.join(f'Kind.{one.name}' for one in Kind)}.",
        )
    known = {seat.slot for seat in machine.bus.seats}
    if missing := sorted(which.slots - known):
        raise SimkitError(
            f"There is no card in slot {missing[0]}.", remedy=f"Cards are in {', '.join(map(str, sorted(known)))}."
        )


def _byte(words: Words) -> NDArray[np.uint8]:
    return (words >> np.uint64(DATA_SHIFT)).astype(np.uint8)
