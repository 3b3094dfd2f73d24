"""Switches and jumpers at a comparator: which levels they give, and which of them make a select pattern."""

from __future__ import annotations

from collections.abc import Mapping

import attrs

from simkit.backplane.select import ADDRESS_LINES, Select, parse_pattern
from simkit.contract.errors import SimkitError
from simkit.logic.parttype import PartType
from simkit.logic.wired.decode import FIXED, HIGH, LOW, Decode, difference

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
            if nets.get(fixed.number) in (HIGH, LOW) and line not in ("", *FIXED):
                found.append(Position(fixed.name, fixed.number, line, nets[fixed.number] == HIGH))
    return tuple(found)


def set_to(decode: Decode, pattern: str) -> dict[str, tuple[Position, ...]]:
    """How the switches of a decoder's comparators must stand to make a select pattern, by reference.

    Args:
        decode: the decoder; how its switches stand now does not matter.
        pattern: bits A15 to A0 as 0, 1 or x.

    Raises:
        SimkitError: it is no pattern, there are no switches, or they cannot make it with the parts around them.
    """
    mask, value = parse_pattern(pattern)
    asked = {ADDRESS_LINES[n]: bool(value >> n & 1) for n in range(16) if mask >> n & 1}
    now = {part.ref: row for part in decode.parts if (row := positions(part.type, part.nets))}
    if not now:
        raise SimkitError(
            "The decoder has no comparator with switches.",
            remedy='That is one of which one side is at lines and the other "high" or "low".',
        )
    found = {
        ref: tuple(attrs.evolve(position, is_high=asked.get(position.line)) for position in row)
        for ref, row in now.items()
    }
    cover = _with(decode, found).decoded("select").cover()
    made = Select(cover.select, cover.not_select)
    if difference(made.table, (*made.lines, "RW", "PHI2"), Select((pattern,)).table, ()) is not None:
        without = f" without {', '.join(cover.not_select)}" if cover.not_select else ""
        raise SimkitError(
            f"With its switches set so, the decoder makes {', '.join(cover.select)}{without}, not {pattern}.",
            remedy="What the switches do not decode is wired: another wire, or another part, makes it.",
        )
    return found


def _with(decode: Decode, found: Mapping[str, tuple[Position, ...]]) -> Decode:
    """The decoder with its switches so; where any level will do, both pins are at the line."""
    parts = []
    for part in decode.parts:
        nets = dict(part.nets)
        for one in found.get(part.ref, ()):
            nets[one.number] = one.line if one.is_high is None else HIGH if one.is_high else LOW
        parts.append(attrs.evolve(part, nets=nets))
    return attrs.evolve(decode, parts=tuple(parts))


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
