"""A decoder for its builder: what gives the select, how switches stand, what is tied, what a programmed part does."""

from __future__ import annotations

from typing import Any

from simkit.logic.fuses.equations import equations
from simkit.logic.wired.decode import FIXED, Decode, DecodePart
from simkit.logic.wired.switches import in_words, positions


def as_data(decode: Decode) -> dict[str, Any]:
    """A decoder as plain data."""
    return {
        **{what: wanted.text for what, wanted in decode.wanted.items()},
        "parts": [_part(decode, part) for part in decode.parts],
    }


def lines(decode: Decode) -> list[str]:
    """The same for people, a line each."""
    found = [
        f"{what.replace('_', ' ')}: {wanted.ref}.{decode.part(wanted.ref).type.pins[wanted.pin].name} is "
        f"{'high' if wanted.is_high else 'low'}"
        for what, wanted in decode.wanted.items()
    ]
    for part in decode.parts:
        told = _part(decode, part)
        switches = in_words(part.ref, part.part, positions(part.type, part.nets))
        others = _in_rows([(pin["pin"], pin["at"]) for pin in told["pins"]])
        found += [switches] if switches else []
        found.append(f"{part.ref} ({part.part}): {', '.join(others)}")
        found += [f"{part.ref}.{pin}: {sentence}" for pin, sentence in told.get("outputs", {}).items()]
        found += [f"{part.ref}: its signature is {told['signature']}"] if told.get("signature") else []
        found += [f"{part.ref}: {note}" for note in told["notes"]]
    return found


def _part(decode: Decode, part: DecodePart) -> dict[str, Any]:
    switches = positions(part.type, part.nets)
    at_switches = {position.number for position in switches}
    found: dict[str, Any] = {
        "ref": part.ref,
        "part": part.part,
        "switches": [{"pin": one.pin, "line": one.line, "level": int(bool(one.is_high))} for one in switches],
        "pins": [
            {"pin": pin.name, "number": number, "at": _net(decode, part.nets[number])}
            for number, pin in part.type.pins.items()
            if number in part.nets and number not in at_switches and part.nets[number] != f"{part.ref}.{number}"
        ],
        "notes": list(part.notes),
    }
    if part.program is not None:
        names = {pin: net for pin, net in part.nets.items() if net not in FIXED and "." not in net}
        found["outputs"] = equations(part.program, names)
        found["signature"] = part.program.signature
    return found


def _net(decode: Decode, net: str) -> str:
    """A net as people call it: a line, a level, or the output that drives it, by the name of its pin."""
    ref, dot, number = net.partition(".")
    return f"{ref}.{decode.part(ref).type.pins[int(number)].name}" if dot else net


def _in_rows(pins: list[tuple[str, str]]) -> list[str]:
    """Pins and what is at them, those that run along with lines together: "P7..P0 A15..A8"."""
    rows: list[list[tuple[str, str]]] = []
    for pin in sorted(pins, key=lambda pin: _stem_and_number(pin[0])):
        last = rows[-1][-1] if rows else ("", "")
        if all(_comes_before(now, before) for now, before in zip(pin, last, strict=True)):
            rows[-1].append(pin)
        else:
            rows.append([pin])
    return [
        f"{row[0][0]} {row[0][1]}" if len(row) == 1 else f"{row[0][0]}..{row[-1][0]} {row[0][1]}..{row[-1][1]}"
        for row in rows
    ]


def _stem_and_number(name: str) -> tuple[str, int]:
    """A name without its number, and that: highest first."""
    stem = name.rstrip("0123456789")
    number = name[len(stem) :]
    return stem, (int(number) if not stem else -int(number)) if number else 0


def _comes_before(name: str, other: str) -> bool:
    """Whether a name has the number just below another's, or above it where it is nothing but a number."""
    stem, number = _stem_and_number(name)
    before, its = _stem_and_number(other)
    return name != stem and other != before and (stem, number) == (before, its + 1)
