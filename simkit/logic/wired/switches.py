"""Switches and jumpers at a comparator: which levels they give, and which of them make a select pattern."""

from __future__ import annotations

from collections.abc import Mapping

import attrs

from simkit.backplane.select import ADDRESS_LINES, parse_pattern
from simkit.contract.errors import SimkitError
from simkit.logic.parttype import PartType

SIDES = {"74688": ("P", "Q"), "74521": ("A", "B")}
"""Comparators by type: their two groups of pins, of which equal numbers are compared."""


@attrs.frozen
class Position:
    """One switch.

    Attributes:
        pin: name of the comparator's pin at which it is, e.g. "Q7".
        number: of that pin.
        line: with what its level is compared.
        is_high: the level it is to give; None: any, as long as both pins have the same.
    """

    pin: str
    number: int
    line: str
    is_high: bool | None


def positions(kind: PartType, nets: Mapping[int, str]) -> tuple[Position, ...]:
    """The switches at a comparator, highest pin first: pins held high or low, across from a line.

    Args:
        kind: type of the part.
        nets: by pin the net at it; "high" and "low" are the levels that switches give.
    """
    if kind.name not in SIDES:
        return ()
    found = []
    for one, other in zip(*(kind.group(side) for side in SIDES[kind.name]), strict=True):
        for fixed, heard in ((other, one), (one, other)):
            line = nets.get(heard.number, "")
            if nets.get(fixed.number) in ("high", "low") and line not in ("high", "low", ""):
                found.append(Position(fixed.name, fixed.number, line, nets[fixed.number] == "high"))
    return tuple(found)


def positions_for(kind: PartType, nets: Mapping[int, str], pattern: str) -> tuple[Position, ...]:
    """The positions of a comparator's switches that make a select pattern.

    Args:
        kind: type of the part.
        nets: by pin the net at it; what the switches give now does not matter.
        pattern: bits A15 to A0 as 0, 1 or x.

    Raises:
        SimkitError: the part is no comparator with switches, or it cannot make that pattern.
    """
    mask, value = parse_pattern(pattern)
    now = positions(kind, nets)
    if not now:
        raise SimkitError(
            f"A {kind.name} has no switches here.",
            remedy='Name a comparator of which one side is at lines and the other "high" or "low".',
        )
    asked = {ADDRESS_LINES[n]: bool(value >> n & 1) for n in range(16) if mask >> n & 1}
    lines = {position.line for position in now}
    if missing := [line for line in reversed(ADDRESS_LINES) if line in asked and line not in lines]:
        raise SimkitError(
            f"The pattern asks for {', '.join(missing)}, which the comparator does not hear.",
            remedy="Lead the lines to it, or let another part decode them.",
        )
    return tuple(attrs.evolve(position, is_high=asked.get(position.line)) for position in now)


def in_words(ref: str, part: str, found: tuple[Position, ...]) -> str:
    """The switches of a part in a line; each goes to ground, and a resistor pulls its pin up (common practice)."""
    if not found:
        return ""
    names = f"{found[0].pin}..{found[-1].pin}" if len(found) > 1 else found[0].pin
    levels = " ".join("-" if one.is_high is None else "01"[one.is_high] for one in found)
    on = [one.pin for one in found if one.is_high is False]
    off = [one.pin for one in found if one.is_high]
    said = [f"closed (to ground): {', '.join(on) or 'none'}", f"open: {', '.join(off) or 'none'}"]
    free = [f"{one.pin} joined to {one.line}" for one in found if one.is_high is None]
    return f"{ref} ({part}): {names} = {levels}; {'; '.join([*said, *free])}"
