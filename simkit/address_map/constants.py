"""The numbers of a machine that its ROM sources hold: addresses, bits, clock, each with a name of its own.

Names are made of what the builder calls the card (else its kind), the register and the bit: `PADS_PORT_1`, `PADS_A`. A
bit is named without its register where every register of the card that has a bit of that name has it at the same place.
A bit that wires exchange, invert, open or short between the card and the CPU stands where the CPU sees it; where that
is no single bit it has no constant, and a comment says why.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections import Counter
from collections.abc import Iterator
from fractions import Fraction

import attrs

from simkit.backplane.areas import areas, first_of
from simkit.backplane.seat import Seat
from simkit.contract.ports import ScreenPort
from simkit.machine.machine import Machine
from simkit.machine.registers import Bit, Placed, placed_registers
from simkit.machinefile.description import CardDescription

ADDRESS, BASE, MASK, BIT, NUMBER = "address", "base", "mask", "bit", "number"


@attrs.frozen
class Constant:
    """A number with a name.

    Attributes:
        name: capitals, digits and underscores.
        value: of it.
        what: ADDRESS (of a register), BASE (lowest address of a card), MASK (of one bit), BIT (its number) or NUMBER.
        help: one line for people, "" for none.
        slot: of the card, 0 for those of the machine.
        register: name of the register, "" for none.
        bit: name of the bit, "" for none.
    """

    name: str
    value: int
    what: str
    help: str = ""
    slot: int = 0
    register: str = ""
    bit: str = ""


@attrs.frozen
class Group:
    """The constants of one card, or of the machine itself.

    Attributes:
        slot: of the card, 0 for the machine.
        title: what stands above them.
        constants: in the order in which they are written.
        missing: what has no constant, in sentences.
    """

    slot: int
    title: str
    constants: tuple[Constant, ...]
    missing: tuple[str, ...] = ()


def constants_of(machine: Machine) -> list[Group]:
    """Every constant of a machine, banks as they are: its own first, then card by card."""
    cards = {card.slot: card for card in machine.description.cards}
    names = prefixes(machine)
    by_slot: dict[int, list[Placed]] = {}
    for placed in placed_registers(machine.bus.reach.table):
        by_slot.setdefault(placed.seat.slot, []).append(placed)
    groups = [Group(0, machine.description.name, tuple(_of_machine(machine)))]
    for seat in machine.bus.seats:
        found = list(_of_card(seat, cards[seat.slot], by_slot.get(seat.slot, []), names[seat.slot], machine))
        missing = tuple(one for one in found if isinstance(one, str))
        told = tuple(one for one in found if isinstance(one, Constant))
        if told or missing:
            called = f" ({cards[seat.slot].name})" if cards[seat.slot].name else ""
            groups.append(Group(seat.slot, f"slot {seat.slot}, {seat.kind}{called}", told, missing))
    return _distinct(groups)


def wiring_identity(machine: Machine) -> str:
    """A hash of what constants follow from: clock, CPU, wiring and settings; not what is in the sockets, nor the seed.

    An image is built from its constants: were it in the hash, a file of constants could never be up to date.
    """
    parts = json.dumps(machine.description.parts(), sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(parts.encode()).hexdigest()[:16]


def word(text: str) -> str:
    """A name in the form of constants: capitals, digits and underscores."""
    return re.sub(r"[^A-Z0-9]+", "_", text.upper()).strip("_")


def prefixes(machine: Machine) -> dict[int, str]:
    """By slot what its constants begin with: its name or kind; of several alike all but the first have their slot, too.

    So a card that is added in a higher slot renames nothing.
    """
    found: dict[int, str] = {}
    for card in sorted(machine.description.cards, key=lambda one: one.slot):
        own = word(card.name or card.card.kind) or f"SLOT_{card.slot}"
        own = f"CARD_{own}" if own[0].isdigit() else own
        found[card.slot] = f"{own}_{card.slot}" if own in found.values() else own
    return found


def _of_machine(machine: Machine) -> Iterator[Constant]:
    hz = machine.description.clock_hz
    exact = "" if hz.denominator == 1 else f"; exactly {hz.numerator}/{hz.denominator}"
    yield Constant("CLOCK_HZ", round(hz), NUMBER, f"PHI2, {machine.description.clock_text}{exact}")


def _of_card(
    seat: Seat, card: CardDescription, registers: list[Placed], prefix: str, machine: Machine
) -> Iterator[Constant | str]:
    table = next(read | write for other, read, write in machine.bus.drive_tables() if other is seat)
    base = first_of(table)
    if base is not None:
        yield Constant(f"{prefix}_BASE", base, BASE, areas(table), seat.slot)
    for placed in registers:
        first = first_of(placed.answers)
        name = placed.register.name
        if first is None:
            yield f"{name}: no address reaches it."
            continue
        told = f"{_access(placed)}{f'; {placed.register.help}' if placed.register.help else ''}"
        if placed.answers.bit_count() > 1:
            told += f"; also {areas(placed.answers & ~(1 << first), 2)}"
        yield Constant(f"{prefix}_{word(name)}", first, ADDRESS, told, seat.slot, name)
    yield from _bits(registers, prefix, card)
    for name, value, help_text in _numbers(seat, card, machine):
        yield Constant(f"{prefix}_{name}", value, NUMBER, help_text, seat.slot)


def _access(placed: Placed) -> str:
    read, write = bool(placed.reads), bool(placed.writes)
    return "read and write" if read and write else "read" if read else "write"


def _bits(registers: list[Placed], prefix: str, card: CardDescription) -> Iterator[Constant | str]:
    named = [(placed, bit, _called(placed, bit, card)) for placed in registers for bit in placed.bits]
    seen: dict[tuple[str, str], int] = {}  # by register and name; of some wiring several bits show the same
    for placed, bit, own in named:
        seen[placed.register.name, own] = seen.get((placed.register.name, own), 0) | bit.seen
    places: dict[str, set[int]] = {}
    for (_, own), mask in seen.items():
        places.setdefault(own, set()).add(mask)
    taken = {"", "BASE", *(word(placed.register.name) for placed in registers)}
    done: set[str] = set()
    for placed, bit, own in named:
        alone = len(places[own]) == 1 and own not in taken
        name = f"{prefix}_{own}" if alone else f"{prefix}_{word(placed.register.name)}_{own}"
        if name in done or not own:
            continue
        done.add(name)
        having = [other.register.name for other, _, its in named if its == own] if alone else [placed.register.name]
        where = ", ".join(dict.fromkeys(having))
        mask = seen[placed.register.name, own]
        if mask.bit_count() != 1:
            yield f"{bit.name} of {where}: {_not_one(bit, mask)}"
            continue
        number = mask.bit_length() - 1
        told = f"bit {number} of {where}"
        told += f"; pin {bit.name}, line {card.lines[bit.name]}" if placed.register.is_port else ""
        told += "; the data line is inverted on its way" if bit.inverted else ""
        register = having[0] if len(set(having)) == 1 else ""
        yield Constant(name, mask, MASK, told, card.slot, register, bit.name)
        yield Constant(f"{name}_BIT", number, BIT, "", card.slot, register, bit.name)


def _called(placed: Placed, bit: Bit, card: CardDescription) -> str:
    """What a bit's constants are called; of a port's the line that its pin is joined to, "" for none."""
    return word(card.lines.get(bit.name, "") if placed.register.is_port else bit.name)


def _not_one(bit: Bit, mask: int) -> str:
    if not mask:
        return f"the CPU does not see bit {bit.number} of the card, its data line is open."
    return f"the CPU sees it in {mask.bit_count()} bits."


def _numbers(seat: Seat, card: CardDescription, machine: Machine) -> Iterator[tuple[str, int, str]]:
    """Other numbers: those of the card's own table, and the frame of a screen."""
    for name, (value, help_text) in card.board.constants.items():
        yield word(name), value, help_text
    for port in seat.ports.values():
        if isinstance(port, ScreenPort) and port.frame_cycles:
            cycles: Fraction = port.frame_cycles
            yield "FRAME_CYCLES", round(cycles), f"machine cycles a frame, {float(cycles):.2f}"
            rate = machine.description.clock_hz / cycles
            yield "FRAMES_PER_SECOND", round(rate), f"{float(rate):.3f}"


def _distinct(groups: list[Group]) -> list[Group]:
    """Names that are equal all the same get the slot behind them."""
    counts = Counter(constant.name for group in groups for constant in group.constants)
    return [
        attrs.evolve(
            group,
            constants=tuple(
                attrs.evolve(one, name=f"{one.name}_SLOT_{one.slot}") if counts[one.name] > 1 else one
                for one in group.constants
            ),
        )
        for group in groups
    ]
