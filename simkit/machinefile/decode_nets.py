"""What stands at the pins of a decoder's parts, as machine files write it: lines, levels, outputs of other parts."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from simkit.backplane.wiring import CONTROL_LINES, GROUND, SUPPLY
from simkit.contract.errors import SimkitError, near
from simkit.logic.parttype import Direction, PartType, Pin
from simkit.logic.wired.decode import FIXED, HIGH, LOW, OPEN
from simkit.machinefile.wires import LINE_NAME

_WORDS = {**dict.fromkeys((*GROUND, "LOW", "0"), LOW), **dict.fromkeys((*SUPPLY, "HIGH", "1"), HIGH), "OPEN": OPEN}
_ROW = re.compile(r"([A-Za-z]+)(\d{1,2})\.\.([A-Za-z]*)(\d{1,2})")
_ADDRESS = re.compile(r"A\d+")


def pins_of(kind: PartType, key: str) -> tuple[Pin, ...]:
    """The pin of that number or name, or the group that is called so, highest number first.

    Raises:
        SimkitError: there is none.
    """
    one = kind.pin(key)
    found = kind.group(key) if one is None else (one,)
    if not found and key in (str(kind.ground), str(kind.supply), *GROUND, *SUPPLY):
        raise SimkitError(f"pin {key} is its supply.", remedy="Leave it out.")
    if not found:
        names = [pin.name for pin in kind.pins.values()]
        raise SimkitError(f"a {kind.name} has no pin {key!r}.", remedy=near(key, names))
    return found


def row_of_nets(value: Any, count: int) -> list[str]:
    """What stands at so many pins, an item each: "A15..A8", "0111 1111", "A7 A6 low".

    Raises:
        SimkitError: it is no text, or says more or fewer.
    """
    if not isinstance(value, str) or not value.strip():
        remedy = 'Write a line, "high", "low", "open", or an output as "U1.Y".'
        raise SimkitError(f"{value!r} is no level.", remedy=remedy)
    found: list[str] = []
    for word in value.replace(",", " ").split():
        row = _ROW.fullmatch(word)
        if row and row[3] in ("", row[1]):
            first, last = int(row[2]), int(row[4])
            numbers = range(first, last - 1, -1) if first > last else range(first, last + 1)
            found += [f"{row[1].upper()}{number}" for number in numbers]
        elif set(word) <= {"0", "1"}:
            found += [_WORDS[bit] for bit in word]
        else:
            found.append(_WORDS.get(word.upper(), word))
    if len(found) != count:
        levels = "1 level" if len(found) == 1 else f"{len(found)} levels"
        pins = "1 pin" if count == 1 else f"{count} pins"
        remedy = 'Say one for each pin, the highest first: "A15..A8", "0111 1111" or "A5 A4 low".'
        raise SimkitError(f"{value!r} says {levels} of {pins}.", remedy=remedy)
    return found


def output_net(kinds: Mapping[str, PartType], text: str) -> str:
    """The net of an output, "U1.Y4" by name or number, as "U1.11".

    Raises:
        SimkitError: there is no such part, or no such output.
    """
    ref, _, name = text.partition(".")
    kind = kinds.get(ref)
    if kind is None:
        raise SimkitError(f"{text!r}: there is no part {ref!r}.", remedy=near(ref, kinds))
    pin = kind.pin(name)
    if pin is None or pin.number not in kind.outputs:
        names = [kind.pins[number].name for number in kind.outputs]
        raise SimkitError(f"{text!r}: {ref} has no output {name!r}.", remedy=near(name, names))
    return f"{ref}.{pin.number}"


def net_at(kinds: Mapping[str, PartType], kind: PartType, pin: Pin, text: str) -> str | None:
    """The net that is said to be at a pin; None where an output is left open, which says nothing.

    Raises:
        SimkitError: that cannot stand there.
    """
    is_output = pin.direction is Direction.OUTPUT
    if text in FIXED:
        if is_output and text != OPEN:
            raise SimkitError(f"pin {pin.name} is an output, and is tied {text}.", remedy="Leave it out.")
        return None if is_output else text
    if "." in text:
        return output_net(kinds, text)
    line = _line(text)
    if pin.number in kind.state:
        if line in CONTROL_LINES or _ADDRESS.fullmatch(line):
            remedy = "Name the line of a card that has this level, a latch for instance."
            raise SimkitError(f"the flip-flop at pin {pin.number} is not {line}.", remedy=remedy)
    elif is_output:
        raise SimkitError(
            f"pin {pin.name} is an output, and {line} a line of the backplane.",
            remedy="An output is named where it goes, as an input of another part or in `select`.",
        )
    return line


def _line(text: str) -> str:
    name = text.upper() if re.fullmatch(r"a\d+|rw|phi2", text, re.IGNORECASE) else text
    if not LINE_NAME.fullmatch(name) or (_ADDRESS.fullmatch(name) and int(name[1:]) > 15):
        remedy = 'Write A0 to A15, RW, PHI2, another line, "high", "low", "open", or an output as "U1.Y".'
        raise SimkitError(f"{text!r} is no line.", remedy=remedy)
    return name
