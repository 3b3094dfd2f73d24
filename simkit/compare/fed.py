"""What the cards would answer: memory as the capture shows it written, other cards fed with the captured accesses.

Memory is told by the capture alone: a cell holds what was written to it last, or read. A cell counts once two cycles
agree about it, so that one misread sample claims nothing. The image of a ROM counts from the start.

Other cards are fed on several backplanes of the same machine at once, which power up differently, run at a slightly
different clock, and on which somebody presses keys and buttons at random. Where these do not agree in a bit of a
register, no capture can be told to be wrong in it.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from fractions import Fraction
from typing import Any

import attrs

from simkit.backplane.agenda import OUTSIDE_MACHINE
from simkit.backplane.conductors import DataPins, Given
from simkit.backplane.cycle import Kind
from simkit.backplane.seat import Seat
from simkit.contract.lines import Line
from simkit.contract.ports import ButtonsPort, KeysPort, PadsPort, Port, SerialPort
from simkit.machine.machine import Machine

ASK, FEED, NOBODY = -1, -2, -3
"""In place of a cell's number: not worked out yet; a card must be fed; nobody to be asked."""
ROM = -1000
"""ROM - byte stands for a byte of a ROM, which counts from the start."""
UNTOLD = -1
"""In a cell: nothing is known of it."""
SURE = 0x100
"""In a cell, beside the byte and the epoch: two cycles agree about it."""
EPOCH = 0x200
"""An epoch ends where cycles were lost: what was written in them is not known."""

PULLED = ("IRQ", "NMI")
"""Lines that cards pull, and the CPU hears."""
CLOCKS = (Fraction(1), Fraction(101, 100), Fraction(99, 100))
"""Clocks of the backplanes, as multiples of the machine's: nothing counts that a percent decides. Ours."""
INPUT_CYCLES = (200, 6000)
"""Somebody presses something that often. Ours."""


@attrs.define(eq=False)
class Answers:
    """What a register answered, all told.

    Attributes:
        varied: bits in which backplanes gave different answers.
        high: bits that were high in some answer of the quiet backplane.
        low: bits that were low in some.
        asked: reads.
    """

    varied: int = 0
    high: int = 0
    low: int = 0
    asked: int = 0


@attrs.frozen
class Wired:
    """Memory with something done to its data lines.

    Attributes:
        first: number of its first cell.
        back: by byte that the CPU writes the one that it reads back, with the bits of `keeps` high.
        keeps: bits that nobody drives when it reads.
    """

    first: int
    back: bytes
    keeps: int

    @classmethod
    def of(cls, first: int, data: DataPins, given: Given) -> Wired:
        """As it is wired."""
        stored = data.takes if given.gives is None else data.takes.translate(given.gives)
        return cls(first, bytes(byte | given.keeps for byte in stored), given.keeps)


class Cells:
    """The memory of a machine, byte by byte, as a capture shows it; shared numbers for what several addresses reach.

    Attributes:
        reads: by address: number of the cell, or ROM - byte, ASK, FEED, NOBODY.
        writes: the same of writes.
        held: what each cell gives: UNTOLD, or a byte with its epoch and SURE.
        wired: memories of which that is not what was written, in order; `first_wired` is their first cell.
        epoch: now, as it stands in a cell.
        banked: slots of cards that lines of other cards switch in and out, or give an address.
        is_certain: whether the lines by which cards are switched in and out are known to be as they are here.
    """

    def __init__(self, machine: Machine) -> None:
        self._bus = machine.bus
        self._bases: dict[int, int] = {}
        self.held: list[int] = []
        memories = [
            (seat, plain)
            for seat in machine.bus.seats
            if (plain := seat.plain) is not None and plain.read is not None and plain.write is not None
        ]
        self.wired: list[Wired] = []
        for seat, plain in sorted(memories, key=lambda one: one[0].data is not None):
            size = len(plain.read or ())
            if seat.data is not None:
                given = machine.bus.reach.table.given_of(seat)
                if given is None:
                    continue
                self.wired.append(Wired.of(len(self.held), seat.data, given))
            self._bases[seat.slot] = len(self.held)
            self.held += [UNTOLD] * size
        self.first_wired = self.wired[0].first if self.wired else len(self.held)
        self._maps: dict[object, tuple[list[int], list[int]]] = {}
        self.banked = _banked(machine)
        self.is_certain = False
        self._straight = machine.bus.data_lines.cpu is None
        self.epoch = 0
        self.choose()

    def choose(self) -> None:
        """Decode by the lines as they are."""
        table = self._bus.reach.table
        key = table, self.is_certain
        self.reads, self.writes = self._maps.setdefault(key, ([ASK] * 0x10000, [ASK] * 0x10000))

    def read_at(self, address: int) -> int:
        """Number for a read at an address."""
        found = self.reads[address]
        if found == ASK:
            found = self.reads[address] = self._find_read(address)
        return found

    def write_at(self, address: int) -> int:
        """Number for a write at an address."""
        found = self.writes[address]
        if found == ASK:
            found = self.writes[address] = self._find_write(address)
        return found

    def expected(self, address: int) -> int | None:
        """Byte that a read would give, None where that does not count."""
        number = self.read_at(address)
        if number <= ROM:
            return ROM - number
        if number >= 0 and self.held[number] >= 0 and not self.kept(number):
            held = self.held[number]
            return held & 0xFF if held & ~0xFF == SURE | self.epoch else None
        return None

    def likely(self, address: int) -> int | None:
        """The same where one cycle is enough."""
        number = self.read_at(address)
        if number <= ROM:
            return ROM - number
        is_told = number >= 0 and self.held[number] >= 0 and not self.kept(number)
        return self.held[number] & 0xFF if is_told else None

    def back(self, number: int, byte: int) -> int:
        """What a cell gives to the CPU once the CPU has written a byte; bits of `kept` are high."""
        way = self._way(number)
        return byte if way is None else way.back[byte]

    def kept(self, number: int) -> int:
        """Bits of a cell that nobody drives when it is read."""
        way = self._way(number)
        return 0 if way is None else way.keeps

    def _way(self, number: int) -> Wired | None:
        if number < self.first_wired:
            return None
        return next(way for way in reversed(self.wired) if way.first <= number)

    def forget(self) -> None:
        """Cycles were lost: nothing of what is held counts until it is seen again."""
        self.epoch += EPOCH

    def _find_read(self, address: int) -> int:
        plan = self._bus.reach.table.read_plan(address)
        if self._is_uncertain(address):
            return NOBODY
        if plan.takers or (plan.drivers and not self._is_single(plan.drivers[0][0], len(plan.drivers))):
            return FEED if not self._has_memory([seat for seat, _, _ in plan.drivers]) else NOBODY
        if not plan.drivers:
            return NOBODY
        seat, offset, mask = plan.drivers[0]
        if seat.slot in self._bases:
            is_told = self._straight and (mask == 0xFF or seat.data is not None)
            return self._bases[seat.slot] + offset if is_told else NOBODY
        plain = seat.plain
        if plain is not None and plain.read is not None and plain.ignores_writes:
            given = self._bus.reach.table.given_of(seat)
            if given is not None and not given.keeps and mask == 0xFF:
                byte = plain.read[offset]
                return ROM - (byte if given.gives is None else given.gives[byte])
        return FEED

    def _is_uncertain(self, address: int) -> bool:
        """Whether another card may be there than the one that is, or the same with another address."""
        if self.is_certain or not self.banked:
            return False
        table = self._bus.reach.table
        seats = {*table.read_plan(address).selected, *table.write_plan(address).selected}
        return not seats or bool(seats & self.banked)

    def _find_write(self, address: int) -> int:
        plan = self._bus.reach.table.write_plan(address)
        if self._is_uncertain(address):
            return FEED if any(seat.slot not in self._bases for seat, _ in plan.takers) else NOBODY
        takers = [(seat, offset) for seat, offset in plan.takers if not self._is_rom(seat)]
        if plan.drivers or len(takers) > 1:
            return FEED
        if not takers:
            return NOBODY
        seat, offset = takers[0]
        return self._bases[seat.slot] + offset if seat.slot in self._bases else FEED

    def fights(self, address: int) -> bool:
        """Whether some card drives the data lines while the CPU writes there."""
        return bool(self._bus.reach.table.write_plan(address).drivers)

    def also_written(self, address: int) -> list[int]:
        """Cells that a write at an address which feeds cards reaches besides."""
        plan = self._bus.reach.table.write_plan(address)
        return [self._bases[seat.slot] + offset for seat, offset in plan.takers if seat.slot in self._bases]

    def _is_single(self, seat: Seat, drivers: int) -> bool:
        return drivers == 1 and seat.slot not in self._bus.reach.hidden

    def _has_memory(self, seats: list[Seat]) -> bool:
        return any(seat.slot in self._bases for seat in seats)

    @staticmethod
    def _is_rom(seat: Seat) -> bool:
        return seat.plain is not None and seat.plain.ignores_writes


def _banked(machine: Machine) -> set[int]:
    """Slots of cards that lines of other cards switch in and out, or give an address."""
    lines = {line.name for line in machine.bus.reach.banks.lines}
    wiring, found = machine.bus.wiring, set()
    for seat in machine.bus.seats:
        own = seat.select.lines | seat.output_enable.lines | seat.write_enable.lines | seat.wiring.sources()
        if wiring.heard(wiring.sources() | own) & lines:
            found.add(seat.slot)
    return found


@attrs.frozen
class Moved:
    """A change of a line that cards pull.

    Attributes:
        cycle: from which it counts.
        level: then.
        slots: of the cards that pull it low then.
    """

    cycle: int
    level: bool
    slots: tuple[int, ...]


class Fed:
    """Backplanes on which the captured accesses are made.

    Args:
        machine: of which they are; it is left alone.

    Attributes:
        cells: memory.
        answers: of registers that were read, by slot and offset.
        since: row of the cycle 0 of the backplanes; None: the capture began in the middle, and nothing that cards
            other than memory answer counts.
        began: the same row, also where it no longer counts.
        lost: row from which it no longer counts.
        moved: changes of PULLED lines on each backplane, in order.
    """

    def __init__(self, machine: Machine) -> None:
        images, description = machine.images(), machine.description
        self._machines = [
            Machine(
                attrs.evolve(description, seed=description.seed + number, clock_hz=description.clock_hz * clock),
                images,
                engine="exact",
            )
            for number, clock in enumerate(CLOCKS)
        ]
        self._hands = [_Hand(one, number) for number, one in enumerate(self._machines[1:])]
        self.cells = Cells(self._machines[0])
        self._table = self._machines[0].bus.reach.table
        self._switched = bool(self._machines[0].bus.reach.banks.lines)
        self.answers: dict[tuple[int, int], Answers] = {}
        self.since: int | None = None
        self.began: int | None = None
        self.lost: int | None = None
        self.moved: list[dict[str, list[Moved]]] = [{name: [] for name in PULLED} for _ in self._machines]
        for one, moved in zip(self._machines, self.moved, strict=True):
            for name in PULLED:
                one.bus.nets.observe(name, _note_in(moved[name]))
        self._cycle = 0

    def read(self, address: int, cycle: int, last: int) -> tuple[int, int, int, int] | None:
        """Make a read: slot, offset, byte of the quiet backplane, bits in which the others agree; None: nobody."""
        plan = self._machines[0].bus.reach.table.read_plan(address)
        bytes_ = [self._access(one, address, None, cycle, last) for one in self._present(cycle)]
        if not plan.drivers:
            return None
        seat, offset, mask = plan.drivers[0]
        quiet = bytes_[0]
        varied = 0
        for other in bytes_[1:]:
            varied |= quiet ^ other
        answers = self.answers.setdefault((seat.slot, offset), Answers())
        answers.varied |= varied
        answers.high |= quiet
        answers.low |= ~quiet & 0xFF
        answers.asked += 1
        self._look_at_decoding()
        return seat.slot, offset, quiet, mask & ~varied & 0xFF

    def write(self, address: int, value: int, cycle: int, last: int) -> None:
        """Make a write."""
        for one in self._present(cycle):
            self._access(one, address, value, cycle, last)
        self._look_at_decoding()

    def power_on(self, row: int) -> None:
        """The row is cycle 0."""
        self.since = self.began = row
        self._look_at_decoding()

    def lose(self, row: int) -> None:
        """Accesses may be missing from a row on: what cards other than memory answer counts no longer."""
        if self.since is not None:
            self.since, self.lost = None, row
            self._look_at_decoding()

    def run_to(self, cycle: int) -> None:
        """Have all that goes on by itself happen up to a cycle."""
        for one in self._present(cycle) if cycle > self._cycle else ():
            self._happen(one)

    def pulling(self, name: str) -> tuple[int, ...]:
        """Slots of cards that can pull a line."""
        return tuple(sorted({pin.slot for pin in self._machines[0].bus.nets.drivers(name) if pin.slot > 0}))

    @property
    def decoding(self) -> int:
        """Number of the decoding as it is."""
        return self._machines[0].bus.reach.banks.number

    @property
    def decoder(self) -> Machine:
        """The machine to which that number belongs."""
        return self._machines[0]

    def _present(self, cycle: int) -> list[Machine]:
        self._cycle = max(self._cycle + 1, cycle)
        for hand in self._hands:
            hand.play(self._cycle)
        return self._machines

    def _access(self, machine: Machine, address: int, value: int | None, cycle: int, last: int) -> int:
        bus = machine.bus
        self._happen(machine)
        machine.cpu.last = last
        if value is None:
            return bus.accesses.read(address, self._cycle, Kind.DATA)
        bus.accesses.write(address, value, self._cycle, Kind.DATA)
        return value

    def _happen(self, machine: Machine) -> None:
        cpu = machine.cpu
        cpu.cycle = self._cycle
        while cpu.horizon <= self._cycle:
            machine.bus.agenda.begin(max(cpu.horizon, 0))

    def _look_at_decoding(self) -> None:
        mine, *others = (self._levels(one) for one in self._machines) if self._switched else ((),)
        is_certain = self.since is not None and all(other == mine for other in others)
        table = self._machines[0].bus.reach.table
        if table is not self._table or is_certain is not self.cells.is_certain:
            if is_certain is not self.cells.is_certain:
                self.cells.forget()
            self._table, self.cells.is_certain = table, is_certain
            self.cells.choose()

    @staticmethod
    def _levels(machine: Machine) -> tuple[bool, ...]:
        return tuple(line.level for line in machine.bus.reach.banks.lines)


def _note_in(moved: list[Moved]) -> Callable[[Line, int], None]:
    def note(line: Line, _: int) -> None:
        pulling = () if line.level else tuple(sorted({pin.slot for pin in line.pins if pin.value is False}))
        moved.append(Moved(line.since, line.level, pulling))

    return note


class _Hand:
    """Somebody who presses, releases and sends at random."""

    def __init__(self, machine: Machine, number: int) -> None:
        self._random = random.Random(number)
        self._agenda = machine.bus.agenda
        self._ports = [
            (seat.slot, port)
            for seat in machine.bus.seats
            for port in seat.ports.values()
            if isinstance(port, KeysPort | PadsPort | ButtonsPort | SerialPort)
        ]
        self._next = 0
        if number == 0:  # whatever is at hand is held from the start, on one of them
            for slot, port in self._ports:
                for action, arguments in _all_pressed(port):
                    self._agenda.schedule(0, slot, port.name, action, arguments)

    def play(self, cycle: int) -> None:
        """Up to a cycle."""
        while self._ports and self._next <= cycle:
            slot, port = self._random.choice(self._ports)
            action, arguments = _something(port, self._random)
            if slot != OUTSIDE_MACHINE:
                self._agenda.schedule(self._next, slot, port.name, action, arguments)
            self._next += self._random.randint(*INPUT_CYCLES)


def _all_pressed(port: Port) -> list[tuple[str, tuple[Any, ...]]]:
    if isinstance(port, PadsPort):
        return [("press", (number, button)) for number in port.numbers for button in port.buttons]
    return [("press", (label,)) for label in port.labels] if isinstance(port, ButtonsPort) else []


def _something(port: Port, chance: random.Random) -> tuple[str, tuple[Any, ...]]:
    press: Callable[[], str] = lambda: chance.choice(("press", "release"))  # noqa: E731
    if isinstance(port, KeysPort):
        return press(), (chance.choice(port.keys),)
    if isinstance(port, PadsPort):
        return press(), (chance.choice(port.numbers), chance.choice(port.buttons))
    if isinstance(port, ButtonsPort):
        return press(), (chance.choice(port.labels),)
    return "receive", (chance.randrange(256),)
