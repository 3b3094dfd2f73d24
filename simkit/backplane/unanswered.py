"""Why nobody answers an access: a card is selected and keeps silent, or a single level keeps one out."""

from __future__ import annotations

import attrs

from simkit.backplane.bus import Bus
from simkit.backplane.conductors import at_slot, on_the_bus
from simkit.backplane.seat import Seat
from simkit.backplane.select import ADDRESS_LINES, Levels

_HIGH = {True: "high", False: "low"}


@attrs.frozen
class Silent:
    """A card that is selected in an access and does not take part in it.

    Attributes:
        slot: of the card.
        text: what it is and why, as a clause: "Port card (slot 4) is selected, but its write strobe ...".
        by_strobe: its strobe is false; else it has nothing there, or may not.
    """

    slot: int
    text: str
    by_strobe: bool


def silent(bus: Bus, address: int, *, is_write: bool) -> Silent | None:
    """The first card that is selected in an access which nobody answers; None: none is."""
    levels = _levels(bus, is_write=is_write)
    for seat in bus.seats:
        if _is_selected(bus, seat, levels, address):
            strobes = _strobes(bus, seat, levels, address)
            if strobes[is_write]:
                here = f"has nothing to {'write' if is_write else 'read'} there"
                why = "is held in reset and takes nothing" if is_write and seat.held_in_reset else here
                return Silent(seat.slot, f"{seat.title} is selected, but {why}", False)
            why = _false(bus, seat, levels, address, is_write=is_write, other=strobes[not is_write])
            return Silent(seat.slot, f"{seat.title} is selected, but {why}", True)
    return None


def nearly(bus: Bus, address: int, *, is_write: bool) -> str:
    """The one level that keeps a card with registers out of an access, as a clause; "" where there are more, or none.

    Memory is not looked at: it fills half of what is near to any address.
    """
    levels = _levels(bus, is_write=is_write)
    found: list[str] = []
    for seat in (seat for seat in bus.seats if seat.registers):
        found += [
            f"with A{bit} {_HIGH[not address >> bit & 1]} it would reach {seat.title}"
            for bit in range(len(ADDRESS_LINES))
            if _is_selected(bus, seat, levels, address ^ 1 << bit)
        ]
        found += [
            f"with {name} {_HIGH[not levels[name]]} it would reach {seat.title}"
            for name in bus.reach.table.levels
            if _is_selected(bus, seat, {**levels, name: not levels[name]}, address)
        ]
    return found[0] if len(found) == 1 else ""


def _levels(bus: Bus, *, is_write: bool) -> dict[str, bool]:
    return {**bus.reach.table.levels, "RW": not is_write, "PHI2": True}


def _arriving(bus: Bus, seat: Seat, levels: dict[str, bool]) -> Levels:
    return at_slot(on_the_bus(levels, bus.wiring), seat.wiring)


def _is_selected(bus: Bus, seat: Seat, levels: dict[str, bool], address: int) -> bool:
    return bool(seat.select.table(_arriving(bus, seat, levels)) >> address & 1)


def _strobes(bus: Bus, seat: Seat, levels: dict[str, bool], address: int) -> tuple[bool, bool]:
    """Whether its read strobe is true, and its write strobe."""
    output, write = seat.strobes(_arriving(bus, seat, levels))
    return bool(output >> address & 1), bool(write >> address & 1)


def _false(bus: Bus, seat: Seat, levels: dict[str, bool], address: int, *, is_write: bool, other: bool) -> str:
    """Why a strobe is false; `other`: the other one is true."""
    access, opposite = ("write", "read") if is_write else ("read", "write")
    text = (seat.write_enable if is_write else seat.output_enable).text
    said = f"its {access} strobe ({text}) is false in this {access}"
    if other:
        return f"{said} and its {opposite} strobe is true; the two may be exchanged"
    waits = [
        f"{line} is {_HIGH[levels[line]]}"
        for line in levels
        if _strobes(bus, seat, {**levels, line: not levels[line]}, address)[is_write]
    ]
    return f"{said}: {waits[0]}" if len(waits) == 1 else said
