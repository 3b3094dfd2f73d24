"""What a sentence that says nothing of a wire may have meant: a setting of the card, or another part."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import attrs

from simkit.contract.lines import SYSTEM_LINES

_OF_WIRES = frozenset(
    {"address", "bit", "bits", "clock", "clocks", "data", "high", "input", "inputs", "interrupt", "line", "memory"}
    | {"open", "output", "part", "port", "read", "reset", "strobe", "write"}
)
"""Words in names of settings that sentences of wires have, too."""
MOST_NAMED = 2
_SET = re.compile(
    r"(?:the )?(?:(?:setting|jumper|switch|option) )?(?P<name>[A-Za-z]\w*)"
    r"(?: ?= ?| (?:(?:is|stands|set|to|at|on) )*)(?P<value>[^\s=].*)"
)


def setting_meant(text: str, slot: int, settings: type) -> str:
    """Which settings of a card a sentence may be about, and how they are written; "" for none.

    Args:
        text: the sentence.
        slot: of the card.
        settings: its class `Settings`.
    """
    said = set(re.findall(r"[a-z0-9-]+", text.lower()))
    if not attrs.has(settings):
        return ""
    fields = attrs.fields(settings)
    values = [(field.name, value) for field in fields for value in _values(field) if value.lower() in said]
    if values:
        name, value = values[0]
        return f"{value} is a setting of the card: write `--set {slot}.{name}={value}`, or {name} in its settings."
    said -= _OF_WIRES.union(name.lower() for name in SYSTEM_LINES)
    names = [field.name for field in fields if said & {word for word in field.name.split("_") if word.isalpha()}]
    if not names:
        return ""
    listed = " and ".join(names[:MOST_NAMED])
    verb = "is a setting" if len(names) == 1 else "are settings"
    return f"{listed} {verb} of the card: write `--set {slot}.{names[0]}=...`; `simkit cards KIND` says what they take."


def setting_said(text: str, slot: int, settings: type) -> str:
    """The sentence that sets what a refused one names as a setting, "latch = carry-inverted"; "" where it names none.

    Args:
        text: the sentence, without its place.
        slot: of the card.
        settings: its class `Settings`.
    """
    said = _SET.fullmatch(text)
    if said is None or not attrs.has(settings) or said["name"] not in attrs.fields_dict(settings):
        return ""
    return f"Write: slot {slot}: setting {said['name']} = {said['value']}"


def cpu_meant(text: str, parts: tuple[str, ...]) -> str:
    """How the part is said that a sentence names for the CPU; "" for none."""
    named = next((part for part in parts if re.search(rf"(?<!\w)W?{part}S?(?!\w)", text, re.IGNORECASE)), "")
    return f'Which part is in the socket stands in the machine file: cpu = "{named}".' if named else ""


def _values(field: attrs.Attribute[Any]) -> Iterator[str]:
    """What a setting takes, of such values as no sentence of a wire has in it: names of parts, push-pull."""
    if type(field.default) is not str:
        return
    words = re.findall(r"[\w-]+", str(field.metadata.get("help", "")))
    for value in (*(one for one in field.metadata.get("one_of", ()) if isinstance(one, str)), *words):
        if re.fullmatch(r"(?=.*[A-Za-z])\w*\d\w*|[a-z]+(?:-[a-z]+)+", value) and len(value) > len("74HC"):
            yield value
