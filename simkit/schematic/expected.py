"""What the machine file says of a card, as truth tables: where it is selected, gives and takes, what its pins carry."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import product

import attrs

from simkit.backplane.bus import Bus
from simkit.backplane.conductors import address_pins, at_slot, on_the_bus, pin_tables
from simkit.backplane.seat import Seat
from simkit.backplane.select import carries

MOST_LINES = 4
"""Lines of cards in a select of which all combinations are compared; of more, those as they are at power-on."""


@attrs.frozen
class Wanted:
    """What the machine file says for one state of R/W, PHI2 and the lines that cards drive.

    Attributes:
        selected, gives, takes: at which addresses.
        address_pins: table of each.
    """

    selected: int
    gives: int
    takes: int
    address_pins: tuple[int, ...]

    def at_offset(self, offset: int) -> int:
        """Where the address pins carry an offset."""
        return carries(self.address_pins, offset)


def wanted(bus: Bus, seat: Seat, *, rw: bool, phi2: bool, lines: Mapping[str, bool]) -> Wanted:
    """Work it out with the lines at given levels; others are as they are."""
    named = seat.select.lines | seat.output_enable.lines | seat.write_enable.lines
    named |= seat.wiring.sources() | bus.wiring.sources()
    levels = {name: bus.nets.line(name).level for name in bus.wiring.heard(named)}
    arriving = at_slot(on_the_bus({**levels, **lines, "RW": rw, "PHI2": phi2}, bus.wiring), seat.wiring)
    gives, takes = seat.acts(arriving)
    pins = address_pins(seat.address_pins, arriving, seat.wiring)
    return Wanted(seat.select.table(arriving), gives, takes, pin_tables(pins, seat.address_pins))


def driven_lines(bus: Bus, seat: Seat) -> tuple[str, ...]:
    """Lines that cards drive into a card's select and strobes, in order."""
    named = seat.select.lines | seat.output_enable.lines | seat.write_enable.lines
    heard = bus.wiring.heard(named)
    return tuple(sorted(name for name in heard if bus.nets.drivers(name)))


def combinations(bus: Bus, lines: tuple[str, ...]) -> list[dict[str, bool]]:
    """All combinations of so many lines that it is done soon, else those as they are."""
    if len(lines) > MOST_LINES:
        return [{name: bus.nets.line(name).level for name in lines}]
    return [dict(zip(lines, levels, strict=True)) for levels in product((False, True), repeat=len(lines))]


def is_read(seat: Seat) -> bool:
    """Whether it has anything to read: memory, or a register."""
    return not seat.registers or any("r" in register.access for register in seat.registers)


def is_written(seat: Seat) -> bool:
    """Whether it has anything to write; what is burned has not."""
    if seat.registers:
        return any("w" in register.access for register in seat.registers)
    return seat.rom() is None
