"""What the cards would answer: memory as the capture shows it written, other cards fed with the captured accesses.

Memory is told by the capture alone (`cells.py`). Other cards are fed on several backplanes of the same machine at once,
which power up differently, run at a slightly different clock, and on which somebody presses keys and buttons at random.
Where these do not agree in a bit of a register, no capture can be told to be wrong in it. So few may agree by chance in
what hangs on the power-up: where a capture differs from them, more are asked, which are brought there then.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from fractions import Fraction
from typing import Any

import attrs

from simkit.backplane.agenda import OUTSIDE_MACHINE
from simkit.backplane.cycle import Kind
from simkit.compare.cells import Cells
from simkit.contract.lines import Line
from simkit.contract.ports import ButtonsPort, KeysPort, PadsPort, Port, SerialPort
from simkit.machine.machine import Machine

PULLED = ("IRQ", "NMI")
"""Lines that cards pull, and the CPU hears."""
CLOCKS = (Fraction(1), Fraction(101, 100), Fraction(99, 100))
"""Clocks of the backplanes, as multiples of the machine's: nothing counts that a percent decides. Ours."""
MORE = 8
"""Backplanes that are asked besides where a capture differs: a bit of chance is then the same on all once in a thousand
times. Ours."""
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
        self._images, self._description = machine.images(), machine.description
        self.moved: list[dict[str, list[Moved]]] = [{name: [] for name in PULLED} for _ in CLOCKS]
        self._quiet = self._powered(0)
        self._others: list[Machine] = []  # made when they are needed: many a capture accesses nothing but memory
        self._hands: list[_Hand] = []
        self._more: list[Machine] = []
        self._made: list[tuple[int, int | None, int, int]] = []  # accesses up to now: address, byte, cycle, byte before
        self.cells = Cells(self._quiet)
        self._table = self._quiet.bus.reach.table
        self._switched = bool(self._quiet.bus.reach.banks.lines)
        self.answers: dict[tuple[int, int], Answers] = {}
        self.since: int | None = None
        self.began: int | None = None
        self.lost: int | None = None
        self._cycle = 0

    def _powered(self, number: int) -> Machine:
        """One of the backplanes."""
        clock = CLOCKS[number] if number < len(CLOCKS) else 1
        seed, clock_hz = self._description.seed + number, self._description.clock_hz * clock
        described = attrs.evolve(self._description, seed=seed, clock_hz=clock_hz)
        machine = Machine(described, self._images, engine="exact")
        for name in PULLED if number < len(CLOCKS) else ():
            machine.bus.nets.observe(name, _note_in(self.moved[number][name]))
        return machine

    def _all(self) -> list[Machine]:
        """All of them, the quiet one first."""
        if not self._others:
            self._others = [self._powered(number) for number in range(1, len(CLOCKS))]
            self._hands = [_Hand(one, number) for number, one in enumerate(self._others)]
        return [self._quiet, *self._others, *self._more]

    def read(self, address: int, cycle: int, last: int) -> tuple[int, int, int, int] | None:
        """Make a read: slot, offset, byte of the quiet backplane, bits in which the others agree; None: nobody."""
        plan = self._quiet.bus.reach.table.read_plan(address)
        bytes_ = self._accessed(address, None, cycle, last)
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
        self._accessed(address, value, cycle, last)
        self._look_at_decoding()

    def varied_besides(self, slot: int, offset: int, byte: int) -> int:
        """Bits in which one of MORE backplanes answers the read that was made last, of a register, otherwise."""
        if self._more:
            return 0  # they were asked
        self._more = [self._powered(len(CLOCKS) + number) for number in range(MORE)]
        varied = 0
        for one in self._more:
            for made in self._made:
                came = self._access(one, *made)
            varied |= came ^ byte
        self._made.clear()
        self.answers[slot, offset].varied |= varied
        self._look_at_decoding()
        return varied

    def power_on(self, row: int) -> None:
        """The row is cycle 0."""
        self.since = self.began = row
        self._look_at_decoding()

    def lose(self, row: int) -> None:
        """Accesses may be missing from a row on: what cards other than memory answer counts no longer."""
        if self.since is not None:
            self.since, self.lost = None, row
            self._made.clear()
            self._look_at_decoding()

    def run_to(self, cycle: int) -> None:
        """Have all that goes on by itself happen up to a cycle."""
        for one in self._present(cycle) if cycle > self._cycle else ():
            self._happen(one, self._cycle)

    def pulling(self, name: str) -> tuple[int, ...]:
        """Slots of cards that can pull a line."""
        return tuple(sorted({pin.slot for pin in self._quiet.bus.nets.drivers(name) if pin.slot > 0}))

    @property
    def decoding(self) -> int:
        """Number of the decoding as it is."""
        return self._quiet.bus.reach.banks.number

    @property
    def decoder(self) -> Machine:
        """The machine to which that number belongs."""
        return self._quiet

    def _present(self, cycle: int) -> list[Machine]:
        self._cycle = max(self._cycle + 1, cycle)
        machines = self._all()
        for hand in self._hands:
            hand.play(self._cycle)
        return machines

    def _accessed(self, address: int, value: int | None, cycle: int, last: int) -> list[int]:
        """Make an access on all backplanes; what comes of it on each, the quiet one first."""
        machines = self._present(cycle)
        if self.since is not None and not self._more:
            self._made.append((address, value, self._cycle, last))
        return [self._access(one, address, value, self._cycle, last) for one in machines]

    def _access(self, machine: Machine, address: int, value: int | None, cycle: int, last: int) -> int:
        bus = machine.bus
        self._happen(machine, cycle)
        machine.cpu.last = last
        if value is None:
            return bus.accesses.read(address, cycle, Kind.DATA)
        bus.accesses.write(address, value, cycle, Kind.DATA)
        return value

    @staticmethod
    def _happen(machine: Machine, cycle: int) -> None:
        cpu = machine.cpu
        cpu.cycle = cycle
        while cpu.horizon <= cycle:
            machine.bus.agenda.begin(max(cpu.horizon, 0))

    def _look_at_decoding(self) -> None:
        mine, *others = (self._levels(one) for one in self._all()) if self._switched else ((),)
        is_certain = self.since is not None and all(other == mine for other in others)
        table = self._quiet.bus.reach.table
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
