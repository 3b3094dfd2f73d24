"""What a card says of itself before it runs: settings, registers, pins."""

from __future__ import annotations

from typing import Any

import attrs

from simkit.backplane.board import Board
from simkit.backplane.board import check_class as check_said
from simkit.backplane.guard import call_unplugged
from simkit.contract.card import Card
from simkit.contract.errors import CardError


def check_class(card: type[Card]) -> list[str]:
    """What is wrong with the class, so that no card can be made of it."""
    if not isinstance(getattr(card, "kind", None), str):
        return ["The class has no `kind`, the name used in machine files."]
    if not attrs.has(getattr(card, "Settings", int)):
        return ["The class has no `Settings` made with attrs."]
    try:
        call_unplugged("", "Its class", check_said, card)
    except CardError as error:
        return [error.message]
    return [
        f"Setting {field.name!r} is not made with `setting(...)`, so it has no help."
        for field in attrs.fields(card.Settings)
        if "help" not in field.metadata
    ]


def check_tables(card: type[Card], settings: Any) -> list[str]:
    """What is wrong with registers and pins.

    Raises:
        CardError: they are none, or the class fails.
    """
    problems: list[str] = []
    seen: set[tuple[int, str]] = set()
    board = Board.of(card, settings, "")
    for register in board.registers:
        if len(register.bits) > 8:
            problems.append(f"Register {register.name!r} names {len(register.bits)} bits.")
        if not 0 <= register.offset < 1 << board.address_pins:
            problems.append(f"Register {register.name!r}: offset {register.offset} needs more address pins.")
        for side in register.access:
            if (register.offset, side) in seen:
                problems.append(f"Two registers share offset {register.offset}, access {side!r}.")
            seen.add((register.offset, side))
    return problems
