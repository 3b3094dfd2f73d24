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

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.conductors import CpuData, at_slot, on_the_bus
from simkit.backplane.cycle import SYNC, BusCycle
from simkit.backplane.rewiring import Way
from simkit.backplane.seat import Seat
from simkit.backplane.select import ADDRESS_LINES, address_bit, as_table
from simkit.backplane.wiring import DATA_LINES
from simkit.contract.errors import SimkitError, near
from simkit.contract.lines import SYSTEM_LINES
from simkit.machine.machine import Machine
from simkit.records.cycles import Cycles
from simkit.records.recorder import MOST_BYTES, Decodings, LineChanges, Recorder

MOST_LINES = 64
SELECT = "select"
"""Pin by which the select of a card is named, as in "4.select": low while its decoder selects it."""
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


class Observer:
    """Observes until `stop`, or the end of its `with`.

    Args:
        machine: may have run already.
        names: lines, selects as "4.select", pins as "4.INT"; None: the bus, selects of all cards, and those lines that
            the CPU samples. PHI2 is none of them: it is what cycles are counted by. At most MOST_LINES.
        most_bytes: as `Recorder` takes it.

    Raises:
        SimkitError: no such line, pin or slot; or too many.
    """

    def __init__(self, machine: Machine, names: Iterable[str] | None = None, *, most_bytes: int = MOST_BYTES) -> None:
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
        self._selects = {name: _select_of(machine, name) for name in self._names if name.endswith(f".{SELECT}")}
        signals = machine.bus.wiring.signals()
        decoded = {*BUS_LINES, *self._selects, *signals}
        # SYNC is a line of its own where a card hears it; else it is told by what the CPU does.
        self._moving = tuple(name for name in self._names if name not in decoded or name in machine.lines)
        self._recorder = Recorder(machine, lines=self._moving, most_bytes=most_bytes)
        self._bytes = array("B")
        self._on_lines = _of_cpu_bytes(machine)
        self._probe = None if self._on_lines is not None else machine.add_probe(self._see)

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
    def changes(self) -> LineChanges:
        """Changes of the lines that do not move with each bus cycle."""
        return self._recorder.lines

    @property
    def observed(self) -> Observed:
        """What was observed up to now."""
        return self.part(slice(None))

    def part(self, rows: slice | NDArray[np.intp]) -> Observed:
        """Of what was observed up to now some bus cycles alone, in order."""
        recorder = self._recorder
        cycles = Cycles(recorder.cycles.words[rows], recorder.cycles.since)
        index = cycles.address.astype(np.uint32) | (~cycles.is_write).astype(np.uint32) << np.uint32(16)
        levels = np.zeros(len(cycles), np.uint64)
        numbers = _decoding_of_each(recorder.first_decoding, recorder.decodings, cycles)
        for number in np.unique(numbers).tolist():
            here = numbers == number
            levels[here] = self._decoded(number)[index[here]]
        levels |= self._spread_data()[self._data(cycles, rows)]
        if "SYNC" in self._names and "SYNC" not in self._moving:
            levels |= np.isin(cycles.kind, [int(kind) for kind in SYNC]).astype(np.uint64) << self._bit("SYNC")
        for name, level in _followed(recorder.lines, cycles.cycle):
            levels |= level.astype(np.uint64) << self._bit(name)
        return Observed(self._names, levels, cycles)

    def _bit(self, name: str) -> np.uint64:
        return np.uint64(self._names.index(name))

    def _decoded(self, number: int) -> Words:
        """Levels of what the address decides, for each address; bit 16 of the index is R/W."""
        bus = self._machine.bus
        found = np.zeros(0x2_0000, np.uint64)
        given, way = bus.reach.banks.levels(number), bus.reach.banks.way(number)
        wiring = way.wiring if isinstance(way, Way) else bus.wiring
        for high in (False, True):
            arriving = on_the_bus({**given, "RW": high, "PHI2": True}, wiring)
            half = found[0x1_0000 * high : 0x1_0000 * (high + 1)]
            for name in self._names:
                if name in self._selects:
                    seat = self._selects[name]
                    of_slot, select = seat.wiring, seat.select
                    if isinstance(way, Way):
                        of_slot, select = way.of_slots[seat.slot], way.select(seat.slot)
                    at_card = at_slot(arriving, of_slot)
                    table = select.table(at_card)
                    if seat.own_phi2:
                        table &= as_table(at_card["PHI2"])
                    half |= _levels(~table & _ALL) << self._bit(name)
                elif name in arriving and name not in self._moving:
                    half |= _levels(as_table(arriving[name])) << self._bit(name)
                elif name in ADDRESS_LINES:
                    half |= _levels(address_bit(int(name[1:]))) << self._bit(name)
        return found

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
        if self._on_lines is None:
            seen: NDArray[np.uint8] = np.array(self._bytes, np.uint8)[rows]
            return seen[: len(cycles)]
        on_read, on_write = self._on_lines
        return np.where(cycles.is_write, on_write[cycles.data], on_read[cycles.data])

    def _see(self, cycle: BusCycle) -> None:
        self._bytes.append(cycle.data)


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


def _levels(table: int) -> Words:
    """A truth table as an array of 65,536 words."""
    packed = np.frombuffer(table.to_bytes(1 << 13, "little"), np.uint8)
    return np.unpackbits(packed, bitorder="little").astype(np.uint64)


def _select_of(machine: Machine, name: str) -> Seat:
    slot = name.partition(".")[0]
    seats = {str(seat.slot): seat for seat in machine.bus.seats}
    if slot not in seats:
        raise SimkitError(f"There is no card for {name!r}.", remedy=near(slot, seats))
    return seats[slot]


def _of_cpu_bytes(machine: Machine) -> tuple[NDArray[np.uint8], NDArray[np.uint8]] | None:
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
