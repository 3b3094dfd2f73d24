"""Bus cycles as people read them: which cards an access reaches, at which register, for which instruction.

What is said of an instruction are the bytes that the CPU fetched for it, not what memory holds by now.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING, Any

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.cycle import SYNC, Kind
from simkit.backplane.records import REPEAT, WRITE
from simkit.backplane.vectors import VECTORS
from simkit.cpu.isa.disassemble import disassemble
from simkit.cpu.isa.opcodes import OPCODES
from simkit.records.bus_stream import Beside, Part
from simkit.records.cycles import Cycles
from simkit.rom.places import Place

if TYPE_CHECKING:
    from simkit.backplane.decode import Plan
    from simkit.machine.machine import Machine

KIND_NAMES: Mapping[str, tuple[Kind, ...]] = {
    "fetch": (Kind.FETCH,),
    "data": (Kind.DATA,),
    "dummy": (Kind.DUMMY,),
    "interrupt": (Kind.INTERRUPT, Kind.INTERRUPT_FETCH),
    "reset": (Kind.RESET,),
}
"""Kinds of bus cycles as people name them; besides them there is "repeat", of any kind."""
REPEATED = "repeat"
MOST_PLACES = 50_000
"""Places in the program, and texts of instructions, that are kept for when they come again."""

_NAME_OF = {kind: name for name, kinds in KIND_NAMES.items() for kind in kinds}
_SEQUENCES = (Kind.INTERRUPT, Kind.RESET)
_IN_FLIGHT = (Kind.FETCH, Kind.INTERRUPT_FETCH)


@attrs.frozen(slots=True)
class Reached:
    """A card that an access reaches.

    Attributes:
        slot: its slot.
        offset: what its address pins see.
        drives: whether it drives the data lines.
        takes: whether it takes them.
        register: the register's name; "" in memory.
    """

    slot: int
    offset: int
    drives: bool
    takes: bool
    register: str


@attrs.frozen(slots=True)
class Row:
    """A bus cycle.

    Attributes:
        cycle: its number.
        address: on the address lines.
        data: at the data pins of the CPU.
        backplane: on the data lines of the backplane: another byte where wiring stands between.
        is_write: R/W low.
        kind: a name of KIND_NAMES.
        repeats: RDY holds the access, which comes once more in the next cycle.
        reached: cards that are selected and drive or take the data lines.
        selected: slots of cards that are selected.
        pc: the instruction that makes it; None in a reset or interrupt sequence.
        place: where that is in the program.
        instruction: its text in the cycle that fetches its opcode, or what sequence begins there; "" in others.
        beside: what happened beside the access.
    """

    cycle: int
    address: int
    data: int
    backplane: int
    is_write: bool
    kind: str
    repeats: bool
    reached: tuple[Reached, ...]
    selected: tuple[int, ...]
    pc: int | None
    place: Place
    instruction: str
    beside: tuple[Beside, ...]

    @property
    def drivers(self) -> tuple[int, ...]:
        """Slots of the cards that drive the data lines."""
        return tuple(one.slot for one in self.reached if one.drives)

    def as_dict(self) -> dict[str, Any]:
        """For --json."""
        place = self.place
        return {
            "cycle": self.cycle,
            "address": self.address,
            "data": self.data,
            "backplane": self.backplane,
            "write": self.is_write,
            "kind": self.kind,
            "repeat": self.repeats,
            "slots": [attrs.asdict(one) for one in self.reached],
            "selected": list(self.selected),
            "label": None if place.address == -1 else place.name,
            "pc": self.pc,
            "file": place.file,
            "line": place.line,
            "instruction": self.instruction or None,
            "beside": [{**attrs.asdict(one), "words": list(one.words)} for one in self.beside],
        }


def _slots(given: Iterable[int]) -> frozenset[int]:
    return frozenset(given)


def _names(given: Iterable[str]) -> frozenset[str]:
    return frozenset(given)


@attrs.frozen
class Wanted:
    """Which bus cycles are wanted; what is empty or None lets all through.

    Attributes:
        addresses: ranges of addresses, both ends included.
        slots: cards that are reached.
        labels: names of labels: cycles of instructions that stand behind one, up to the next label.
        kinds: names of KIND_NAMES, and REPEATED.
        writes: True for writes, False for reads, None for both.
    """

    addresses: tuple[tuple[int, int], ...] = ()
    slots: frozenset[int] = attrs.field(default=frozenset(), converter=_slots)
    labels: frozenset[str] = attrs.field(default=frozenset(), converter=_names)
    kinds: frozenset[str] = attrs.field(default=frozenset(), converter=_names)
    writes: bool | None = None


NOWHERE = Place(-1)


class RowMaker:
    """Makes rows of parts; what is unfinished at the end of one waits for the next.

    Args:
        machine: where the names come from.
        wanted: which cycles become rows.
        take: gets the rows of a part.

    Attributes:
        begin: the first cycle that is wanted; None: none is, yet.
        most: rows of a part that are made at most, the last ones; None: all.
    """

    def __init__(self, machine: Machine, wanted: Wanted, take: Callable[[list[Row]], None]) -> None:
        self.begin: int | None = 0
        self.most: int | None = None
        self._wanted, self._take = wanted, take
        self._left: Part | None = None
        self._machine = machine
        self.of(machine)

    def of(self, machine: Machine) -> None:
        """What comes is of this machine from now on, and goes on elsewhere."""
        self.finish()
        self._machine = machine
        _ = machine.source_lines  # read now, as reading them looks at memory
        self._plans: dict[tuple[int, int, bool, bool], tuple[tuple[Reached, ...], tuple[int, ...]]] = {}
        self._places: dict[tuple[int, tuple[int, int] | None], Place] = {}
        self._texts: dict[tuple[int, bytes], str] = {}
        self._remade = machine.bus.reach.banks.remade

    def begin_with(self, cycle: int) -> None:
        """The first cycle that is wanted is known."""
        self.begin = cycle

    def add(self, part: Part) -> None:
        """Take a part; the rows of the instruction under way at its end come with the next one."""
        if self._left is not None:
            part = _joined(self._left, part)
        starts = np.flatnonzero(np.isin(part.cycles.kind, SYNC))
        end = int(starts[-1]) if len(starts) else len(part)
        if end == 0:  # one instruction, as long as it takes
            self._left = part if len(part) < 1000 else None
            end = 0 if self._left is not None else len(part)
        else:
            self._left = None
        if end:
            self._left = _rest(part, end) if end < len(part) else None
            self._make(part, end)

    def finish(self) -> None:
        """Make rows of what has waited."""
        left, self._left = self._left, None
        if left is not None:
            self._make(left, len(left))

    # inside -----------------------------------------------------------------------------------------------------------

    def _make(self, part: Part, end: int) -> None:
        if self.begin is None:
            return
        banks = self._machine.bus.reach.banks
        if banks.remade != self._remade:  # wiring changed
            self._plans.clear()
            self._remade = banks.remade
        kind = part.cycles.kind[:end]
        syncs = np.isin(kind, SYNC)
        places = np.where(syncs, np.arange(end), -1)
        first = np.maximum.accumulate(places) if end else places
        keep = self._passing(part, end, first)
        chosen = np.flatnonzero(keep)
        if self.most is not None:
            chosen = chosen[-self.most :]
        if not len(chosen):
            return
        beside: dict[int, list[Beside]] = {}
        cycles = part.cycle[:end]
        for one in _up_to(part, end):
            at = int(np.searchsorted(cycles, np.uint64(one.cycle)))
            beside.setdefault(at, []).append(one)
        rows = _Columns(part, end, syncs)
        self._take([self._row(rows, at, int(first[at]), tuple(beside.get(at, ()))) for at in chosen.tolist()])

    def _passing(self, part: Part, end: int, first: NDArray[np.intp]) -> NDArray[np.bool_]:
        wanted, cycles = self._wanted, part.cycles[slice(0, end)]
        keep = part.cycle[:end] >= np.uint64(self.begin or 0)
        if wanted.addresses:
            keep &= _within(cycles.address, wanted.addresses)
        if wanted.writes is not None:
            keep &= cycles.is_write == wanted.writes
        if wanted.kinds:
            named = [int(kind) for name in wanted.kinds if name != REPEATED for kind in KIND_NAMES[name]]
            fits = np.isin(cycles.kind, named)
            keep &= fits | cycles.is_repeat if REPEATED in wanted.kinds else fits
        if wanted.slots:
            keep &= self._reaching(part, end, keep)
        if wanted.labels:
            keep &= self._labelled(part, end, first, keep)
        return keep

    def _reaching(self, part: Part, end: int, keep: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Which of the cycles reach a wanted card."""
        address, writes = part.cycles.address[:end].astype(np.uint32), part.cycles.is_write[:end].astype(np.uint32)
        key = part.decoding[:end].astype(np.uint64) << np.uint64(17) | writes << np.uint32(16) | address
        values, which = np.unique(key, return_inverse=True)
        used = np.zeros(len(values), bool)
        used[which[keep]] = True
        fits = np.zeros(len(values), bool)
        for place in np.flatnonzero(used).tolist():
            one = int(values[place])
            _, selected = self._reached(one >> 17, one & 0xFFFF, bool(one >> 16 & 1), False)
            fits[place] = not self._wanted.slots.isdisjoint(selected)
        found: NDArray[np.bool_] = fits[which]
        return found

    def _labelled(self, part: Part, end: int, first: NDArray[np.intp], keep: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Which of the cycles belong to instructions behind a wanted label."""
        fits = np.zeros(end, bool)
        starts = np.unique(first[keep & (first >= 0)])
        good = {at for at in starts.tolist() if self._place_of(part, at).label in self._wanted.labels}
        if good:
            fits = np.isin(first, list(good))
        return fits

    def _place_of(self, part: Part, at: int) -> Place:
        """Place of the instruction that begins in a cycle of the part."""
        if int(part.cycles.kind[at]) != Kind.FETCH:
            return NOWHERE
        address = int(part.cycles.address[at])
        return self._place(address, self._reached(int(part.decoding[at]), address, False, False)[0])

    def _reached(
        self, decoding: int, address: int, is_write: bool, repeats: bool
    ) -> tuple[tuple[Reached, ...], tuple[int, ...]]:
        key = decoding, address, is_write, repeats
        found = self._plans.get(key)
        if found is None:
            if len(self._plans) > MOST_PLACES * 4:
                self._plans.clear()
            table = self._machine.bus.reach.banks.table(decoding)
            plan = table.write_plan(address) if is_write else table.read_plan(address)
            found = self._plans[key] = reached_by(plan.stalled() if repeats else plan, is_write), plan.selected
        return found

    def _place(self, address: int, reached: tuple[Reached, ...]) -> Place:
        seen = next(((one.slot, one.offset) for one in reached if one.drives), (0, 0))
        key = address, seen
        found = self._places.get(key)
        if found is None:
            if len(self._places) > MOST_PLACES:
                self._places.clear()
            found = self._places[key] = self._machine.place(address, seen)
        return found

    def _row(self, rows: _Columns, at: int, first: int, beside: tuple[Beside, ...]) -> Row:
        code = rows.code[at]
        kind, is_write, repeats = Kind(code & 7), bool(code & WRITE), bool(code & REPEAT)
        address = rows.address[at]
        reached, selected = self._reached(rows.decoding[at], address, is_write, repeats)
        pc = rows.address[first] if first >= 0 and rows.code[first] & 7 == Kind.FETCH else None
        instruction = ""
        place = NOWHERE
        if kind is Kind.RESET:
            pc = None
        if pc is not None:
            place = self._place(pc, self._reached(rows.decoding[first], pc, False, False)[0])
        if kind in _IN_FLIGHT and not repeats:
            instruction = self._instruction(rows, at, pc)
        return Row(
            rows.cycle[at],
            address,
            rows.data[at],
            rows.backplane[at],
            is_write,
            _NAME_OF[kind],
            repeats,
            reached,
            selected,
            pc,
            place,
            instruction,
            beside,
        )

    def _instruction(self, rows: _Columns, at: int, pc: int | None) -> str:
        """Text of what begins in a cycle with SYNC."""
        end = rows.next_sync(at)
        if pc is None:
            vector = next((name for n in range(at, end) for name, a in VECTORS.items() if rows.address[n] == a), None)
            return f"{vector} sequence" if vector is not None else "interrupt sequence"
        machine = self._machine
        length = OPCODES[machine.description.cpu][rows.data[at]].length
        held = {pc: rows.data[at]}
        for n in range(at + 1, end):
            where = rows.address[n]
            if where not in held and 0 < (where - pc & 0xFFFF) < length and not rows.code[n] & WRITE:
                held[where] = rows.data[n]
        raw = bytes(held.get(pc + n & 0xFFFF, 0) for n in range(length))
        if len(held) < length:
            return f"{OPCODES[machine.description.cpu][raw[0]].mnemonic} …"  # broken off by the end, or by RESET
        found = self._texts.get((pc, raw))
        if found is None:
            if len(self._texts) > MOST_PLACES:
                self._texts.clear()
            names = {} if machine.bus.reach.banks.lines else machine.labels.names()
            given = {pc + n & 0xFFFF: byte for n, byte in enumerate(raw)}
            found = self._texts[pc, raw] = disassemble(given.__getitem__, pc, machine.description.cpu, names).text
        return found


class _Columns:
    """Columns of a part as Python's own numbers."""

    def __init__(self, part: Part, end: int, syncs: NDArray[np.bool_]) -> None:
        cycles = part.cycles[slice(0, end)]
        self.address: list[int] = cycles.address.tolist()
        self.data: list[int] = cycles.data.tolist()
        self.backplane: list[int] = self.data if part.backplane is None else part.backplane[:end].tolist()
        self.code: list[int] = (cycles.kind | cycles.is_write * WRITE | cycles.is_repeat * REPEAT).tolist()
        self.cycle: list[int] = part.cycle[:end].tolist()
        self.decoding: list[int] = part.decoding[:end].tolist()
        self._syncs: list[int] = [*np.flatnonzero(syncs & ~cycles.is_repeat).tolist(), end]
        self._next = 0

    def next_sync(self, at: int) -> int:
        """Where the instruction after that of a place begins; places are asked in order."""
        while self._syncs[self._next] <= at:
            self._next += 1
        return self._syncs[self._next]


def reached_by(plan: Plan, is_write: bool) -> tuple[Reached, ...]:
    """Cards that drive or take the data lines, by slot."""
    drives = {seat.slot: (seat, offset) for seat, offset, mask in plan.drivers if mask}
    takes = {seat.slot: (seat, offset) for seat, offset in plan.takers}
    side = "w" if is_write else "r"
    found = []
    for slot, (seat, offset) in sorted((drives | takes).items()):
        named = [one.name for one in seat.registers if one.offset == offset and side in one.access]
        found.append(Reached(slot, offset, slot in drives, slot in takes, named[0] if named else ""))
    return tuple(found)


def _within(address: NDArray[np.uint16], ranges: tuple[tuple[int, int], ...]) -> NDArray[np.bool_]:
    found = np.zeros(len(address), bool)
    for first, last in ranges:
        found |= (address >= first) & (address <= last)
    return found


def _joined(before: Part, after: Part) -> Part:
    words = np.concatenate((before.cycles.words, after.cycles.words))
    cycle = np.concatenate((before.cycle, after.cycle))
    decoding = np.concatenate((before.decoding, after.decoding))
    backplane = None
    if before.backplane is not None and after.backplane is not None:
        backplane = np.concatenate((before.backplane, after.backplane))
    return Part(Cycles(words, int(cycle[0])), cycle, decoding, backplane, before.beside + after.beside)


def _up_to(part: Part, end: int) -> list[Beside]:
    """What happened beside the first cycles of a part."""
    return [one for one in part.beside if one.cycle <= int(part.cycle[end - 1])]


def _rest(part: Part, first: int) -> Part:
    """A part from one of its cycles on, with what happened beside them."""
    cycle, last = part.cycle[first:], int(part.cycle[first - 1])
    backplane = None if part.backplane is None else part.backplane[first:]
    beside = tuple(one for one in part.beside if one.cycle > last)
    return Part(part.cycles[slice(first, None)], cycle, part.decoding[first:], backplane, beside)
