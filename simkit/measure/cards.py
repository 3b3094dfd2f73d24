"""What a register costs: accesses as fast as a polling loop makes them, beside a register of a card that does nothing.

The accesses come from here instead of from the CPU. The yardstick is a read of an empty card on the same machine: one
register that is a constant. What counts is the ratio to it, as the speed of a host changes from one second to the next.
Both take turns, and each gives the median of its turns. What happens in phase 0 of the cycles between two accesses is
timed apart.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from itertools import cycle as cycle_through
from itertools import islice
from pathlib import Path
from statistics import median
from time import perf_counter
from typing import Any, ClassVar

import attrs

from simkit.backplane.board import Board
from simkit.backplane.cycle import Kind
from simkit.backplane.seat import Seat
from simkit.backplane.wiring import of_card, of_pins
from simkit.contract.card import Card
from simkit.contract.errors import SimkitError
from simkit.contract.registers import Register
from simkit.machine.machine import Machine
from simkit.machinefile.catalogue import card_class, entries
from simkit.machinefile.description import CardDescription, Description
from simkit.machinefile.read import read_description
from simkit.machinefile.settings import make_settings
from simkit.machinefile.tomlplaces import Place
from simkit.measure.scenes import POLL_CYCLES, SCENES, Scene

TURNS = 60
TURN_ACCESSES = 128
"""Short, so that most turns end before the host gives its processor to another program."""
TURNS_BETWEEN = 12
"""Turns from one movement of keys, buttons or bytes to the next."""
TARGET = 4.0
"""Ratio to the empty card above which a register counts as slow."""

YARDSTICK_SLOT = 99
YARDSTICK_ADDRESS = 0x7F80
"""Free on every machine of the scenes."""
GUEST_SLOT = 98


@attrs.frozen(kw_only=True)
class EmptySettings:
    """Nothing to set."""


class EmptyCard(Card):
    """One register that reads as a constant: the least a card can do."""

    kind: ClassVar[str] = "empty"
    Settings: ClassVar[type] = EmptySettings

    @classmethod
    def registers(cls, settings: EmptySettings) -> tuple[Register, ...]:
        """The register."""
        return (Register(0, "constant", "r"),)

    def peek(self, offset: int, cycle: int) -> int:
        """The constant."""
        return 0x5A


@attrs.frozen(kw_only=True)
class RegisterCost:
    """What came out for one register, in nanoseconds an access.

    Attributes:
        card: kind, and how it is wired where that matters.
        register: its name, or that of a loop over several.
        access: "read", "write" or "loop".
        ns: an access.
        empty_ns: a read of the empty card, measured in turns with it.
        events_ns: what happened in phase 0 of the cycles between two accesses.
    """

    card: str
    register: str
    access: str
    ns: float
    empty_ns: float
    events_ns: float

    @property
    def ratio(self) -> float:
        """To the empty card."""
        return self.ns / self.empty_ns


def measure_cards(
    kinds: Sequence[str] | None = None, report: Callable[[str], None] = lambda name: None
) -> tuple[list[RegisterCost], list[str]]:
    """Measure the registers of cards.

    Args:
        kinds: of which cards, "file:PATH:CLASS" too; None: every installed card, found by its entry point.
        report: called with the name of each card before it is measured.

    Returns:
        The costs, and a sentence for each card that has none.

    Raises:
        SimkitError: a card among `kinds` cannot be found or switched on.
    """
    costs: list[RegisterCost] = []
    left: list[str] = []
    known = entries()
    for kind in sorted(known) if kinds is None else kinds:
        try:
            card = card_class(kind, Path.cwd(), known)
            scenes = SCENES.get(kind, ())
            if not scenes and not _board(kind, card)[1].registers:
                left.append(f"{kind} has no registers.")
                continue
            report(kind)
            for scene in scenes:
                costs += _measure_machine(_machine(scene), scene)
            if not scenes:
                costs += _measure_machine(_alone(kind, card), Scene(card=kind, machine="", slot=1))
        except SimkitError as error:
            if kinds is not None:
                raise
            left.append(f"{kind} cannot be measured: {error.message}")
    return costs, left


# machines -----------------------------------------------------------------------------------------------------------


def card_description(
    kind: str, card: type[Card], slot: int, select: str, lines: Mapping[str, str] | None = None, *, settings: Any
) -> CardDescription:
    """A card that the bench plugs in.

    Raises:
        CardError: its class fails.
    """
    return CardDescription(
        slot=slot,
        kind=kind,
        card=card,
        settings=settings,
        board=Board.of(card, settings, f"The card {kind!r}"),
        wiring=of_card(slot, select=(select,) if select else (), lines=lines),
        origin={"": Place("the bench")},
    )


_YARDSTICK = card_description("empty", EmptyCard, YARDSTICK_SLOT, f"{YARDSTICK_ADDRESS:016b}", settings=EmptySettings())


def with_cards(description: Description, *cards: CardDescription) -> Description:
    """The machine with more cards, or others in slots that are taken."""
    new = {card.slot: card for card in cards}
    kept = [card for card in description.cards if card.slot not in new]
    return attrs.evolve(description, cards=tuple(sorted((*kept, *cards), key=lambda card: card.slot)))


def _machine(scene: Scene) -> Machine:
    """The machine of a scene, its ROM run."""
    description = read_description(scene.machine, settings=scene.settings)
    added = [_YARDSTICK]
    if scene.lines:
        (ours,) = (card for card in description.cards if card.slot == scene.slot)
        added.append(attrs.evolve(ours, wiring=ours.wiring + of_pins(scene.lines, ours.slot)))
    if scene.guest is not None:
        kind, settings, lines = scene.guest
        card = card_class(kind, Path.cwd())
        added.append(card_description(kind, card, GUEST_SLOT, "", settings=card.Settings(**settings), lines=lines))
    machine = Machine(with_cards(description, *added))
    machine.run(seconds=scene.seconds)
    return machine


def _board(kind: str, card: type[Card]) -> tuple[Any, Board]:
    """A card's default settings, and its board as they wire it.

    Raises:
        CardError: its class fails.
    """
    settings = make_settings(card.Settings, {})
    return settings, Board.of(card, settings, f"The card {kind!r}")


def _alone(kind: str, card: type[Card]) -> Machine:
    """A machine with nothing but the card at $0000 to $7FFF, and the yardstick."""
    description = read_description("demo:bench")
    settings, board = _board(kind, card)
    yardstick = attrs.evolve(_YARDSTICK, wiring=of_card(YARDSTICK_SLOT, select=("1xxx xxxx xxxx xxxx",)))
    cards = (card_description(kind, card, 1, "0xxx xxxx xxxx xxxx", settings=settings), yardstick)
    images = {1: bytes(board.image_size)} if board.image_size is not None else None
    return Machine(attrs.evolve(description, cards=cards), images)


# measuring ----------------------------------------------------------------------------------------------------------

_Access = tuple[int, int | None]
"""(address, byte written or None)."""


def _measure_machine(machine: Machine, scene: Scene) -> list[RegisterCost]:
    seat = _seat(machine, scene.slot)
    registers = seat.registers
    for name, byte in scene.begin:
        _turn(machine, [_access(machine, seat, registers, name, byte)], 1, POLL_CYCLES)
    started = machine.save_state()
    found = []
    for name, kind, accesses, cycles in _rows(machine, scene, seat, registers):
        machine.load_state(started)
        ns, empty_ns, events_ns = _measure_row(machine, scene, accesses, cycles)
        found.append(
            RegisterCost(card=scene.card, register=name, access=kind, ns=ns, empty_ns=empty_ns, events_ns=events_ns)
        )
    return found


def _seat(machine: Machine, slot: int) -> Seat:
    return next(seat for seat in machine.bus.seats if seat.slot == slot)


def _rows(
    machine: Machine, scene: Scene, seat: Seat, registers: Sequence[Register]
) -> Iterable[tuple[str, str, list[_Access], int]]:
    """(name, kind of access, accesses, cycles between them) of every row of a scene."""
    for register in registers:
        name = register.name
        if scene.only is not None and name not in scene.only:
            continue
        cycles = scene.cycles.get(name, POLL_CYCLES)
        if "r" in register.access:
            yield name, "read", [_access(machine, seat, registers, name, None)], cycles
        if "w" in register.access:
            values = scene.written.get(name, (0x55, 0xAA))
            yield name, "write", [_access(machine, seat, registers, name, value) for value in values], cycles
    for loop in scene.loops:
        yield loop.name, "loop", [_access(machine, seat, registers, *access) for access in loop.accesses], loop.cycles


def _access(machine: Machine, seat: Seat, registers: Sequence[Register], name: str, value: int | None) -> _Access:
    """An access to a register by name, at the lowest address that reaches it and nothing else."""
    is_write = value is not None
    side = "w" if is_write else "r"
    register = next(register for register in registers if register.name == name and side in register.access)
    _, reads, writes = next(entry for entry in machine.bus.drive_tables() if entry[0] is seat)
    table = writes if is_write else reads
    while table:
        lowest = table & -table
        address = lowest.bit_length() - 1
        if machine.bus.where(address, is_write=is_write) == [(seat, register.offset)]:
            return address, value
        table ^= lowest
    raise SimkitError(f"no address reaches the register {name} alone.")


def _measure_row(
    machine: Machine, scene: Scene, accesses: Sequence[_Access], cycles: int
) -> tuple[float, float, float]:
    """Nanoseconds of an access, of a read of the empty card, and of phase 0 between two accesses."""
    yardstick = _seat(machine, YARDSTICK_SLOT)
    empty = [_access(machine, yardstick, EmptyCard.registers(EmptySettings()), "constant", None)]
    turns, empty_turns = [], []
    for turn in range(TURNS):
        if scene.stir is not None and turn % TURNS_BETWEEN == 0:
            scene.stir(machine, turn // TURNS_BETWEEN)
        turns.append(_turn(machine, accesses, TURN_ACCESSES, cycles))
        empty_turns.append(_turn(machine, empty, TURN_ACCESSES, cycles))
    return (
        median(spent for spent, _ in turns),
        median(spent for spent, _ in empty_turns),
        median(between for _, between in turns),
    )


def _turn(machine: Machine, accesses: Sequence[_Access], length: int, cycles: int) -> tuple[float, float]:
    """Make accesses in place of the CPU; nanoseconds of one, and of phase 0 between two."""
    bus, cpu = machine.bus, machine.cpu
    read, write, begin, data = bus.accesses.read, bus.accesses.write, bus.agenda.begin, Kind.DATA
    order = tuple(islice(cycle_through(accesses), length))
    cycle, place = cpu.cycle, 0
    spent = between = 0.0
    while place < length:
        start = perf_counter()
        while cpu.horizon <= cycle:
            begin(cpu.horizon)
        begun = perf_counter()
        while place < length and cycle < cpu.horizon:
            address, value = order[place]
            if value is None:
                cpu.last = read(address, cycle, data)
            else:
                write(address, value, cycle, data)
                cpu.last = value
            place += 1
            cycle += cycles
        between += begun - start
        spent += perf_counter() - begun
    cpu.cycle = cycle
    return spent / length * 1e9, between / length * 1e9
