"""Entries of a recording: what happened to a machine, where in its time, and how that is written as a line of JSON.

`SHAPES` says for each kind what it holds. What is read and what is written goes through the same shapes and the same
limits, so that nothing can be written that could not be read.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import attrs

from simkit.contract.clock import parse_hz
from simkit.contract.errors import SimkitError
from simkit.contract.shapes import (
    BYTE,
    FLAG,
    WORD,
    Shape,
    StateError,
    check_names,
    optional,
    record,
    table,
    whole,
    wrong,
)
from simkit.cpu.reference.engine import REGISTERS
from simkit.machine.fingerprint import Fingerprint
from simkit.outside.contents import BYTES, IMAGES, PROGRAMS

MAX_LINE_BYTES = 8_000_000
"""Longest line, its end included; the longest ones hold a state or images."""
MAX_CYCLE = 1 << 48
"""No cycle of a recording lies farther: 4 years at 2 MHz."""
MAX_POWER_ONS = 1 << 20
MAX_TEXT = 1000
"""Characters of a name or a word."""
MAX_CAPTION = 10_000
"""Characters of a caption."""
MAX_ARGUMENTS = 8
MAX_NUMBER = 1 << 62
MAX_PARTS = 200

CYCLE = whole(0, MAX_CYCLE)
SLOT = whole(-1, 9999)
"""-1 is the machine itself, as `simkit.backplane.bus.OUTSIDE_MACHINE`."""


class UnknownEntryError(StateError):
    """An entry of a kind that this kit does not play."""


@attrs.frozen(order=True)
class Place:
    """A place in a machine's history.

    Attributes:
        power_on: 1 from the start on; one more from each power cycle, reload and loaded state on, where the machine's
            time does not simply go on.
        cycle: of the machine, then.
    """

    power_on: int
    cycle: int

    def __str__(self) -> str:
        cycle = f"cycle {self.cycle:,}".replace(",", " ")
        return cycle if self.power_on == 1 else f"{cycle} of power-on {self.power_on}"


@attrs.frozen
class Entry:
    """One thing that happened.

    Attributes:
        kind: a key of `SHAPES`; of a change of the state with what was changed: "state poke".
        at: where.
        fields: what else is told, as SHAPES says.
    """

    kind: str
    at: Place
    fields: Mapping[str, Any] = attrs.field(factory=dict)


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise wrong(value, "not a text")
    if len(value) > MAX_TEXT:
        raise StateError("", f"has {len(value)} characters; {MAX_TEXT} are allowed")
    if not value.isascii() and any("\ud800" <= character <= "\udfff" for character in value):
        raise StateError("", "holds half a character (a lone surrogate)")
    return value


def _word(value: Any) -> str:
    """A text that is shown to people: without line ends, control and direction marks."""
    text = _text(value)
    if not text.isprintable():
        raise StateError("", "holds characters that cannot be shown")
    return text


def _caption(value: Any) -> str:
    """A text of several lines, Markdown, without anything that cannot be shown."""
    if not isinstance(value, str):
        raise wrong(value, "not a text")
    if len(value) > MAX_CAPTION:
        raise StateError("", f"has {len(value)} characters; {MAX_CAPTION} are allowed")
    if not all(line.isprintable() for line in value.split("\n")):
        raise StateError("", "holds characters that cannot be shown")
    return value


def _argument(value: Any) -> str | int | bool:
    if isinstance(value, str):
        return _text(value)
    if type(value) is bool or (type(value) is int and -MAX_NUMBER <= value <= MAX_NUMBER):
        return value
    raise wrong(value, "neither a text nor a whole number nor true or false")


def _arguments(value: Any) -> tuple[str | int | bool, ...]:
    if not isinstance(value, list):
        raise wrong(value, "not a list")
    if len(value) > MAX_ARGUMENTS:
        raise StateError("", f"has {len(value)} entries; {MAX_ARGUMENTS} are allowed")
    return tuple(_argument(argument) for argument in value)


def _place(value: Any) -> Place:
    if not (isinstance(value, list) and len(value) == 2):
        raise wrong(value, "not a place: [power-on, cycle]")
    power_on, cycle = value
    return Place(_POWER_ON.take(power_on), CYCLE.take(cycle))


def _registers(value: Any) -> dict[str, Any]:
    if not isinstance(value, dict) or not value:
        raise wrong(value, "not a table of registers")
    found = {name: value[name] for name in value if name in SETTABLE}
    check_names(value, found)
    return dict(record(**{name: SETTABLE[name] for name in found}).take(found))


def _fingerprint(value: Any) -> Fingerprint:
    try:
        found = Fingerprint.from_data(value)
    except ValueError as error:
        raise StateError("", f"does not say of which machine it is: {error}") from error
    for shown in (*found.parts, *(kind for kind, _ in found.models.values())):
        _word(shown)
    return found


def _clock(value: Any) -> str:
    try:
        parse_hz(TEXT.take(value))
    except SimkitError as error:
        raise StateError("", f"{error.message[:80]}") from error
    return str(value)


def _parts(value: Any) -> dict[str, str]:
    parts: dict[str, str] = table(TEXT).take(value)
    if len(parts) > MAX_PARTS:
        raise StateError("", f"has {len(parts)} entries; {MAX_PARTS} are allowed")
    for name in parts:
        _word(name)
    return parts


_POWER_ON = whole(1, MAX_POWER_ONS)
TEXT = Shape(_text)
SHOWN = Shape(_word)
SETTABLE = {name: shape for name, shape in REGISTERS.items() if name != "cycle"} | {"halted": optional(SHOWN)}
"""What may be set in a CPU that stands between two instructions."""

FINGERPRINT = Shape(_fingerprint, Fingerprint.to_data)

MACHINE = {"machine": TEXT, "seed": whole(-MAX_NUMBER, MAX_NUMBER), "clock": Shape(_clock), "fingerprint": FINGERPRINT}
"""What is told of the machine that is switched on."""

SHAPES: dict[str, dict[str, Shape]] = {
    "input": {"slot": SLOT, "port": TEXT, "action": TEXT, "arguments": Shape(_arguments, list)},
    "reset": {"asserted": FLAG},
    "power": {},
    "reload": {**MACHINE, "images": IMAGES, "programs": optional(PROGRAMS), "start": optional(WORD)},
    "state poke": {"address": WORD, "value": BYTE},
    "state registers": {"registers": Shape(_registers)},
    "state loaded": {"cycle": CYCLE, "data": BYTES},
    "hash": {"parts": Shape(_parts)},
    "chapter": {"name": SHOWN.that(lambda name: bool(name.strip()), "is no name"), "caption": Shape(_caption)},
    "end": {"why": optional(SHOWN)},
}
"""What each kind of entry holds besides `kind`, `at` and, of a state, `what`.

input: something came to a port and took effect. reset: the reset button moved. power: switched off and on. reload: a
machine loaded anew took its place, with these images, these programs in RAM (null: those of before) and this address at
which it begins. state: changed by hand. hash: of each part of the state. chapter: a name for the
place, and what is to be said there, in Markdown, or "". end: the
recording is whole; `why`, if it had to end before the run did.
"""

_RECORDS = {kind: record(**shapes) for kind, shapes in SHAPES.items()}
_MISSING: dict[str, dict[str, Any]] = {"reload": {"programs": None, "start": None}, "chapter": {"caption": ""}}
"""What stands for fields that earlier recordings do not have."""
_OF_ALL = ("kind", "at", "what")

OPENS_POWER_ON = frozenset({"power", "reload", "state loaded"})
"""Kinds after which the power-on number is one more."""

STATE_PARTS = tuple(kind.removeprefix("state ") for kind in SHAPES if kind.startswith("state "))
RESERVED = {"fault": "a fault put in"}
"""Known by name, but not played."""


def line_of(entry: Entry) -> bytes:
    """The entry as a line.

    Raises:
        StateError: it cannot be read again: a value that no recording holds, or a line too long.
    """
    kind, _, what = entry.kind.partition(" ")
    shapes = SHAPES[entry.kind]
    fields = {name: shapes[name].data(value) for name, value in entry.fields.items()}
    data = {"kind": kind, "at": [entry.at.power_on, entry.at.cycle], **({"what": what} if what else {}), **fields}
    entry_of(data)
    return line_of_data(data)


def line_of_data(data: object) -> bytes:
    """JSON in a line.

    Raises:
        StateError: the line is too long.
    """
    line = json.dumps(data, separators=(",", ":")).encode() + b"\n"
    if len(line) > MAX_LINE_BYTES:
        raise StateError("", f"makes a line of {len(line)} bytes; {MAX_LINE_BYTES} are allowed")
    return line


def entry_of(data: dict[str, Any]) -> Entry:
    """The entry that a line holds.

    Raises:
        StateError: a field is missing, too much, or not what it should be; UnknownEntryError: a kind not known.
    """
    kind = _kind(data)
    at = _take(data, "at", _place)
    if "what" in data and not kind.startswith("state "):
        raise StateError("what", f"stands in an entry of the kind {kind!r}")
    given = {name: value for name, value in data.items() if name not in _OF_ALL}
    return Entry(kind, at, _RECORDS[kind].take({**_MISSING.get(kind, {}), **given}))


def _kind(data: Mapping[str, Any]) -> str:
    kind: str = _take(data, "kind", _text)
    if kind == "state":
        what = _take(data, "what", _text)
        if what not in STATE_PARTS:
            raise _unknown(what, "a state changed by", STATE_PARTS)
        return f"state {what}"
    if kind not in SHAPES:
        raise _unknown(kind, "an entry of the kind", [name for name in SHAPES if " " not in name])
    return kind


def _unknown(name: str, what: str, known: Any) -> UnknownEntryError:
    if name in RESERVED:
        return UnknownEntryError("", f"holds {RESERVED[name]}, which this kit does not play yet")
    return UnknownEntryError("", f"holds {what} {name[:40]!r}, which this kit does not know")


def _take(data: Mapping[str, Any], name: str, take: Any) -> Any:
    if name not in data:
        raise StateError(name, "is missing")
    try:
        return take(data[name])
    except StateError as error:
        raise error.inside(name) from None
