"""What a card says of itself before it runs: settings, registers, pins."""

from __future__ import annotations

from typing import Any

import attrs

from simkit.contract.card import Card
from simkit.contract.errors import SimkitError


def check_class(card: type[Card]) -> list[str]:
    """What is wrong with the class, so that no card can be made of it."""
    if not isinstance(getattr(card, "kind", None), str):
        return ["The class has no `kind`, the name used in machine files."]
    if not attrs.has(getattr(card, "Settings", int)):
        return ["The class has no `Settings` made with attrs."]
    return [
        f"Setting {field.name!r} is not made with `setting(...)`, so it has no help."
        for field in attrs.fields(card.Settings)
        if "help" not in field.metadata
    ]


def check_tables(card: type[Card], settings: Any) -> list[str]:
    """What is wrong with registers and pins."""
    problems: list[str] = []
    seen: set[tuple[int, str]] = set()
    try:
        registers = card.registers(settings)
    except SimkitError as error:
        return [error.message]
    for register in registers:
        if set(register.access) - set("rw") or not register.access:
            problems.append(f"Register {register.name!r}: access is {register.access!r}, not r, w or rw.")
        if len(register.bits) > 8:
            problems.append(f"Register {register.name!r} names {len(register.bits)} bits.")
        if not 0 <= register.offset < 1 << card.address_pins(settings):
            problems.append(f"Register {register.name!r}: offset {register.offset} needs more address pins.")
        for side in register.access:
            if (register.offset, side) in seen:
                problems.append(f"Two registers share offset {register.offset}, access {side!r}.")
            seen.add((register.offset, side))
    names = [spec.name for spec in card.pins(settings)]
    problems += [f"Two pins are called {name!r}." for name in sorted(set(names)) if names.count(name) > 1]
    return problems
