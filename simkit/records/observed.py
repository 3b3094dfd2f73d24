"""What an ideal probe on the backplane shows of a run: the level of each line in each bus cycle.

with Observer(machine) as observer:
    machine.run(frames=10)
observed = observer.observed
observed.level("4.select")             # of each cycle
observed.levels >> np.uint64(observed.names.index("D3")) & np.uint64(1)

Records keep the byte at the CPU's pins and the address that the CPU puts out. Here stands what is on the backplane:
wiring that changes lines for all is seen. Address and control lines count as they are before PHI2 falls, data lines as
they are at its fall.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Sequence
from types import TracebackType
from typing import Any

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.conductors import CpuData, at_slot, on_the_bus
from simkit.backplane.cycle import SYNC
from simkit.backplane.rewiring import Way
from simkit.backplane.seat import Seat
from simkit.backplane.select import ADDRESS_LINES, Levels, address_bit, as_table
from simkit.backplane.wiring import DATA_LINES
from simkit.contract.errors import SimkitError, near
from simkit.contract.lines import SYSTEM_LINES
from simkit.machine.machine import Machine
from simkit.records.cycles import Cycles
from simkit.records.recorder import MOST_BYTES, Decodings, Like, LineChanges, Recorder

MOST_LINES = 64
SELECT = "select"
"""Pin by which the select of a card is named, as in "4.select": low while its decoder selects it."""
_IS_SYNC = np.array([kind in SYNC for kind in range(8)], np.uint64)
"""By kind of a bus cycle."""
BUS_LINES = (*ADDRESS_LINES, *DATA_LINES, "RW", "SYNC")
"""Lines that move in every cycle."""

Words = NDArray[np.uint64]


@attrs.frozen(eq=False)
class Observed:
    """Levels of lines, a row a bus cycle.

    Attributes:
        names: lines; bit i of a word belongs to names[i].
        levels: uint64 of shape (n,).
        cycles: the bus cycles behind them, as the CPU made them.
    """

    names: tuple[str, ...]
    levels: Words
    cycles: Cycles

    def __len__(self) -> int:
        return len(self.levels)

    def level(self, name: str) -> NDArray[np.bool_]:
        """Of one line."""
        found: NDArray[np.bool_] = (self.levels >> np.uint64(self.names.index(name)) & np.uint64(1)) != 0
        return found


def lines_of(machine: Machine) -> tuple[str, ...]:
    """What there is to observe on a machine: lines of the bus, selects of cards, all other lines."""
    selects = [f"{seat.slot}.{SELECT}" for seat in machine.bus.seats]
    others = [name for name in machine.lines if name not in BUS_LINES]
    return (*BUS_LINES, *selects, *others)


class AddressLevels:
    """Levels of what addresses decide, for each decoding and address that is asked for.

    Args:
        machine: that is observed.
        names: as `Observer` takes them.

    Attributes:
        names: the lines.
        moving: the others of the names.
    """

    def __init__(self, machine: Machine, names: Sequence[str]) -> None:
        self._bus = machine.bus
        self.names = tuple(names)
        self._selects = {name: _select_of(machine, name) for name in names if name.endswith(f".{SELECT}")}
        decoded = {*BUS_LINES, *self._selects, *machine.bus.wiring.signals()}
        # SYNC is a line of its own where a card hears it; else it is told by what the CPU does.
        self.moving = tuple(name for name in names if name not in decoded or name in machine.lines)
        self._tables: dict[int, NDArray[np.uint8]] = {}

    def at(self, number: int, index: NDArray[np.uint32]) -> Words:
        """Levels under the decoding of a number; bit 16 of the index is R/W, the others are the address."""
        tables = self._tables.get(number)
        if tables is None:
            tables = self._tables[number] = self._worked_out(number)
        if len(index) <= FEW_ROWS:
            return _looked_up(tables, index)
        asked = np.zeros(0x2_0000, bool)
        asked[index] = True
        places = np.flatnonzero(asked)
        found = np.zeros(0x2_0000, np.uint64)
        found[places] = _looked_up(tables, places)
        levels: Words = found[index]
        return levels

    def differ(self, other: AddressLevels, number: int) -> NDArray[np.uint8]:
        """Truth table of what `at` takes: where two machines with the same names have other levels."""
        for one in (self, other):
            if number not in one._tables:
                one._tables[number] = one._worked_out(number)
        found: NDArray[np.uint8] = np.bitwise_or.reduce(self._tables[number] ^ other._tables[number], axis=0)
        return found

    def _worked_out(self, number: int) -> NDArray[np.uint8]:
        """Truth tables, a row for each of MOST_LINES: of writes, then of reads."""
        banks = self._bus.reach.banks
        given, way = banks.levels(number), banks.way(number)
        wiring = way.wiring if isinstance(way, Way) else self._bus.wiring
        found = np.zeros((MOST_LINES, 2 * _TABLE_BYTES), np.uint8)
        for high in (False, True):
            arriving = on_the_bus({**given, "RW": high, "PHI2": True}, wiring)
            half = slice(_TABLE_BYTES * high, _TABLE_BYTES * (high + 1))
            for row, name in enumerate(self.names):
                if name in self._selects:
                    table = ~self._selected(self._selects[name], way, arriving) & _ALL
                elif name in arriving and name not in self.moving:
                    table = as_table(arriving[name])
                elif name in ADDRESS_LINES:
                    table = address_bit(int(name[1:]))
                else:
                    continue
                found[row, half] = np.frombuffer(table.to_bytes(_TABLE_BYTES, "little"), np.uint8)
        return found

    @staticmethod
    def _selected(seat: Seat, way: object, arriving: Levels) -> int:
        of_slot, select = seat.wiring, seat.select
        if isinstance(way, Way):
            of_slot, select = way.of_slots[seat.slot], way.select(seat.slot)
        at_card = at_slot(arriving, of_slot)
        table = select.table(at_card)
        return table & as_table(at_card["PHI2"]) if seat.own_phi2 else table


class Observer:
    """Observes until `stop`, or the end of its `with`.

    Args:
        machine: may have run already.
        names: lines, selects as "4.select", pins as "4.INT"; None: the bus, selects of all cards, and those lines that
            the CPU samples. PHI2 is none of them: it is what cycles are counted by. At most MOST_LINES.
        most_bytes: as `Recorder` takes it.
        levels: of a former one of the same machine and names, which need not be worked out again.
        like: as `Recorder` takes it; left out where a probe must tell what is on the data lines.

    Attributes:
        levels: of what addresses decide.

    Raises:
        SimkitError: no such line, pin or slot; or too many.
    """

    def __init__(
        self,
        machine: Machine,
        names: Iterable[str] | None = None,
        *,
        most_bytes: int = MOST_BYTES,
        levels: AddressLevels | None = None,
        like: Like | None = None,
    ) -> None:
        if names is None:
            selects = [f"{seat.slot}.{SELECT}" for seat in machine.bus.seats]
            names = (*BUS_LINES, *SYSTEM_LINES, *selects)
        self._machine = machine
        self._names = tuple(dict.fromkeys(names))
        if len(self._names) > MOST_LINES:
            raise SimkitError(
                f"{len(self._names)} lines are to be observed; {MOST_LINES} can be at a time.", remedy="Name fewer."
            )
        if "PHI2" in self._names:
            raise SimkitError("PHI2 cannot be observed: each bus cycle is one period of it.", remedy="Leave it out.")
        self.levels = AddressLevels(machine, self._names) if levels is None else levels
        self._moving = self.levels.moving
        self._on_lines = on_data_lines(machine)
        like = None if self._on_lines is None else like
        self._recorder = Recorder(machine, lines=self._moving, most_bytes=most_bytes, like=like)
        self._bytes = array("B")
        self._forgotten = 0
        told = self._bytes.append
        self._probe = None if self._on_lines is not None else machine.bus.watchers.add(data=told)

    def __enter__(self) -> Observer:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.stop()

    def stop(self) -> None:
        """Observe no more; a second time does nothing."""
        self._recorder.stop()
        if self._probe is not None:
            self._probe.remove()

    @property
    def cycles(self) -> Cycles:
        """Bus cycles up to now, as the CPU made them."""
        return self._recorder.cycles

    @property
    def forgotten(self) -> int:
        """How many bus cycles before those are left out: they were forgotten, or are those of the run it is like."""
        return self._forgotten + self._recorder.alike

    @property
    def is_alike(self) -> bool:
        """Whether all up to now is as in the run that it was to be like."""
        return self._recorder.is_alike

    @property
    def marks(self) -> Words:
        """Marks between the bus cycles, as `Like` has them."""
        return self._recorder.marks

    @property
    def decoding(self) -> int | None:
        """Number of the decoding as it has been throughout; None where it has moved."""
        recorder = self._recorder
        return None if len(recorder.decodings.number) else recorder.first_decoding

    @property
    def last_cycle(self) -> int:
        """The last one of them, 0 before the first."""
        cycles = self.cycles
        return int(Cycles(cycles.words[-1:], self._machine.cycle).cycle[0]) if len(cycles) else 0

    @property
    def changes(self) -> LineChanges:
        """Changes of the lines that do not move with each bus cycle."""
        return self._recorder.lines

    def forget(self) -> None:
        """Leave the bus cycles up to now out of what comes; not the changes of lines."""
        self._forgotten += self._recorder.forget()
        del self._bytes[:]

    @property
    def observed(self) -> Observed:
        """What was observed up to now."""
        return self.part(slice(None))

    def part(self, rows: slice | NDArray[np.intp]) -> Observed:
        """Of what was observed up to now some bus cycles alone, in order."""
        recorder = self._recorder
        cycles = recorder.cycles
        cycles = Cycles(cycles.words[rows], cycles.since)
        index = cycles.address.astype(np.uint32) | (~cycles.is_write).astype(np.uint32) << np.uint32(16)
        decodings = recorder.decodings
        if len(decodings.number):
            levels = np.zeros(len(cycles), np.uint64)
            numbers = _decoding_of_each(recorder.first_decoding, decodings, cycles)
            for number in np.unique(numbers).tolist():
                here = numbers == number
                levels[here] = self.levels.at(number, index[here])
        else:
            levels = self.levels.at(recorder.first_decoding, index)
        levels |= self._spread_data()[self._data(cycles, rows)]
        if "SYNC" in self._names and "SYNC" not in self._moving:
            levels |= _IS_SYNC[cycles.kind] << self._bit("SYNC")
        for name, level in _followed(recorder.lines, cycles.cycle):
            levels |= level.astype(np.uint64) << self._bit(name)
        return Observed(self._names, levels, cycles)

    def _bit(self, name: str) -> np.uint64:
        return np.uint64(self._names.index(name))

    def _spread_data(self) -> Words:
        """For each byte on the data lines the bits of those that are observed."""
        byte = np.arange(256, dtype=np.uint64)
        found = np.zeros(256, np.uint64)
        for number, name in enumerate(DATA_LINES):
            if name in self._names:
                found |= (byte >> np.uint64(number) & np.uint64(1)) << self._bit(name)
        return found

    def _data(self, cycles: Cycles, rows: slice | NDArray[np.intp]) -> NDArray[np.uint8]:
        """Byte on the data lines of the backplane."""
        found = data_lines_of(self._on_lines, cycles)
        if found is None:
            seen: NDArray[np.uint8] = np.array(self._bytes, np.uint8)[rows]
            return seen[: len(cycles)]
        return found


def observe(machine: Machine, cycles: int, names: Sequence[str] | None = None) -> Observed:
    """Run a machine for so many cycles and give what the lines showed.

    Args:
        machine: runs up to an instruction's end at or after that.
        cycles: at least one.
        names: as `Observer` takes them.
    """
    with Observer(machine, names) as observer:
        machine.run(cycles=cycles)
    return observer.observed


_ALL = (1 << 0x1_0000) - 1
_TABLE_BYTES = 0x1_0000 // 8
FEW_ROWS = 1000
"""Up to so many rows are looked up one by one; of more, each address once."""


def _looked_up(tables: NDArray[np.uint8], places: NDArray[Any]) -> Words:
    """A word for each place in truth tables, whose rows are the bits."""
    bits = tables[:, places >> 3] >> (places & 7).astype(np.uint8) & np.uint8(1)
    found: Words = np.packbits(bits, axis=0, bitorder="little").T.copy().view(np.uint64)[:, 0]
    return found


def _select_of(machine: Machine, name: str) -> Seat:
    slot = name.partition(".")[0]
    seats = {str(seat.slot): seat for seat in machine.bus.seats}
    if slot not in seats:
        raise SimkitError(f"There is no card for {name!r}.", remedy=near(slot, seats))
    return seats[slot]


OnLines = tuple[NDArray[np.uint8], NDArray[np.uint8]]


def data_lines_of(on_lines: OnLines | None, cycles: Cycles) -> NDArray[np.uint8] | None:
    """Byte on the data lines of the backplane in some bus cycles; None where a probe must tell.

    Args:
        on_lines: what `on_data_lines` gave.
        cycles: as the CPU made them.
    """
    if on_lines is None:
        return None
    on_read, on_write = on_lines
    return np.where(cycles.is_write, on_write[cycles.data], on_read[cycles.data])


def on_data_lines(machine: Machine) -> OnLines | None:
    """Byte on the data lines for each at the CPU's pins, of reads and of writes; None where a probe must tell."""
    straight = np.arange(256, dtype=np.uint8)
    cpu = machine.bus.data_lines.cpu
    if any(not fault.is_static for fault in machine.faults):
        return None
    if cpu is None:
        return straight, straight
    banks = machine.bus.reach.banks
    if cpu.late or banks.lines or any(driving for *_, driving in banks.table(banks.number).selects):
        return None
    on_read = _before_the_cpu(cpu)
    return None if on_read is None else (on_read, np.frombuffer(cpu.gives, np.uint8))


def _before_the_cpu(cpu: CpuData) -> NDArray[np.uint8] | None:
    """Byte on the data lines for each that the CPU takes; None where several give it the same."""
    found: dict[int, int] = {}
    for taken, on_lines in zip(cpu.takes, cpu.lines, strict=True):
        if found.setdefault(taken, on_lines) != on_lines:
            return None
    return np.array([found.get(taken, 0) for taken in range(256)], np.uint8)


def _decoding_of_each(first: int, changes: Decodings, cycles: Cycles) -> NDArray[np.uint16]:
    """Number of the decoding under which each bus cycle was made."""
    numbers = np.concatenate((np.array([first], np.uint16), changes.number))
    found: NDArray[np.uint16] = numbers[np.searchsorted(changes.cycle, cycles.cycle, side="right")]
    return found


def _followed(changes: LineChanges, cycle: NDArray[np.uint64]) -> Iterable[tuple[str, NDArray[np.bool_]]]:
    """Levels of lines in these cycles."""
    for number, (name, first) in enumerate(zip(changes.names, changes.first, strict=True)):
        own = changes.number == number
        levels = np.concatenate(([first], changes.level[own]))
        yield name, levels[np.searchsorted(changes.cycle[own], cycle, side="right")]
