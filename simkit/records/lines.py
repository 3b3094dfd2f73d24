"""Which lines of a machine are recorded when nobody names them, and which people mean by a name."""

from __future__ import annotations

from collections.abc import Sequence

from simkit.contract.errors import SimkitError, near
from simkit.contract.lines import SYSTEM_LINES
from simkit.machine.machine import Machine

ALL = "all"


def lines_told(machine: Machine, more: Sequence[str] = ()) -> list[str]:
    """Lines of the CPU and those that decode addresses, and more by name; "all" for all.

    Raises:
        SimkitError: there is no such line or pin, or the pin is joined to nothing.
    """
    if ALL in more:
        return list(machine.lines)
    usual = [*SYSTEM_LINES, *(line.name for line in machine.bus.reach.banks.lines)]
    named = [line_of(machine, name) for name in more]
    return [name for name in dict.fromkeys((*usual, *named)) if name in machine.lines]


def line_of(machine: Machine, name: str) -> str:
    """The line that a name of a line or of a pin means.

    Raises:
        SimkitError: there is no such line or pin, or the pin is joined to nothing.
    """
    slot, dot, pin = name.partition(".")
    if not (dot and slot.isdecimal()):
        if name not in machine.lines:
            raise SimkitError(f"There is no line {name!r}.", remedy=near(name, machine.lines))
        return name
    seat = next((seat for seat in machine.bus.seats if seat.slot == int(slot)), None)
    pins = seat.connector.pins if seat is not None else {}
    if pin not in pins:
        raise SimkitError(f"There is no pin {name!r}.", remedy=near(pin, pins))
    line = pins[pin].line
    if line is None:
        raise SimkitError(f"Pin {pin} of slot {slot} is joined to nothing.", remedy="Join it to a line to record it.")
    return line.name
