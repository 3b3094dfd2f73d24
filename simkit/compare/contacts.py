"""Where on a part a line is to be touched: the number of the contact, where the kit knows the package."""

from __future__ import annotations

from collections.abc import Mapping

from simkit.backplane.cpu_pins import PINS
from simkit.machine.machine import Machine


def at_cpu(machine: Machine, line: str) -> str:
    """The CPU's contact of a line, in brackets behind a blank; "" where its case has none."""
    number = _number(line, PINS[machine.description.cpu])
    return "" if number is None else f" (contact {number})"


def at_card(machine: Machine, slot: int | None, pin: str) -> str:
    """The same of a pin of the part on a card; "" where the kit does not know its contacts."""
    number = _number(pin, _of_card(machine, slot))
    return "" if number is None else f" (contact {number})"


def between(machine: Machine, line: str, slot: int | None, card: str) -> str:
    """A line from a card to the CPU, by the contacts at both ends.

    Args:
        machine: both are in.
        line: its name.
        slot: of the card.
        card: how it is called.
    """
    ends = (_number(line, _of_card(machine, slot)), card), (_number(line, PINS[machine.description.cpu]), "the CPU")
    mine, theirs = (part if number is None else f"contact {number} of {part}" for number, part in ends)
    return f"{line} between {mine} and {theirs}"


def _of_card(machine: Machine, slot: int | None) -> Mapping[int, str]:
    board = next((seat.board for seat in machine.bus.seats if seat.slot == slot), None)
    return {} if board is None else board.contacts


def _number(name: str, contacts: Mapping[int, str]) -> int | None:
    return next((number for number, pin in contacts.items() if pin == name), None)
