"""Which keys and joystick contacts stand for what: read from a small TOML file over the shipped defaults."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import attrs

from simkit.contract.errors import Errors, SimkitError, near
from simkit.hands.bar_key import BAR_KEYS, BOTH_SHIFTS, SHIFTS
from simkit.machinefile.tomlfile import quoted, read_toml
from simkit.machinefile.tomlplaces import Step
from simkit.outside.host_keys import KEY_NAMES

CONTROLS_FILE = "controls.toml"
DEFAULTS = Path(__file__).with_name(CONTROLS_FILE)
MAX_PADS = 8

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_CONTACT = re.compile(r"button \d{1,3}|axis \d{1,2} [+-]|hat \d{1,2} (?:up|down|left|right)")
_TOP_KEYS = ("bar_key", "dead_zone", "pad")
_EARLIER = {"host_key": "The key that opens the bar is written bar_key."}
_PAD_KEYS = ("keys", "joystick")
_PAD_NAMES = tuple(str(number) for number in range(1, MAX_PADS + 1))

_Contacts = dict[str, tuple[str, ...]]
_Fail = Callable[..., None]
"""Told what is wrong: (path of the key, message, remedy)."""


@attrs.frozen
class PadControls:
    """What stands for the buttons of one pad.

    Attributes:
        keys: names of keys of the host by button.
        joystick: joystick contacts by button, e.g. "button 0", "axis 1 -", "hat 0 up".
    """

    keys: _Contacts = attrs.field(factory=dict)
    joystick: _Contacts = attrs.field(factory=dict)


@attrs.frozen
class Controls:
    """The whole mapping.

    Attributes:
        bar_key: what opens the bar, one of BAR_KEYS.
        dead_zone: how far an axis must leave its middle, 0 to 1.
        pads: by number.
        file: the file it was read from, for messages; the defaults when nobody wrote one.
    """

    bar_key: str
    dead_zone: float
    pads: Mapping[int, PadControls]
    file: str

    def toml(self) -> str:
        """The mapping as a controls file."""
        lines = [f"bar_key = {quoted(self.bar_key)}", f"dead_zone = {self.dead_zone}"]
        for number, pad in self.pads.items():
            for word, table in (("keys", pad.keys), ("joystick", pad.joystick)):
                lines += ["", f"[pad.{number}.{word}]"]
                for button, names in table.items():
                    key = button if _BARE_KEY.fullmatch(button) else quoted(button)
                    shown = quoted(names[0]) if len(names) == 1 else f"[{', '.join(map(quoted, names))}]"
                    lines.append(f"{key} = {shown}")
        return "\n".join(lines) + "\n"

    def as_dict(self) -> dict[str, Any]:
        """The mapping, for --json."""
        return {
            "bar_key": self.bar_key,
            "dead_zone": self.dead_zone,
            "pads": {str(number): {"keys": p.keys, "joystick": p.joystick} for number, p in self.pads.items()},
            "file": self.file,
        }


def default_controls() -> Controls:
    """The shipped mapping."""
    return _read(DEFAULTS, Controls("", 0.0, {}, ""))


def read_controls(path: Path | None, beside: Path | None = None) -> Controls:
    """The mapping to use.

    Args:
        path: file named by the user, or None.
        beside: machine file; a controls.toml in its folder counts when `path` is None.

    Raises:
        SimkitError: the file cannot be read or something in it is wrong; all that is wrong, in one go.
    """
    found = default_controls()
    if path is None and beside is not None and os.path.lexists(controls_beside(beside)):
        path = controls_beside(beside)
    return found if path is None else _read(path, found)


def controls_beside(machine_file: Path) -> Path:
    """Where the controls of a machine stand, if it has its own."""
    return machine_file.with_name(CONTROLS_FILE)


def with_bar_key(controls: Controls, key: str) -> Controls:
    """The mapping with another bar key.

    Raises:
        SimkitError: no such key, or one that plays a pad.
    """
    if key not in BAR_KEYS:
        raise SimkitError(f"There is no key {key!r}.", remedy=near(key, BAR_KEYS))

    def fail(where: tuple[Step, ...], message: str, remedy: str = "") -> None:
        raise SimkitError(message, remedy=remedy)

    _check_one_each(key, controls.pads, {"bar_key": key}, fail)
    return attrs.evolve(controls, bar_key=key)


def _read(path: Path, below: Controls) -> Controls:
    toml = read_toml(path, "controls file", _TOP_KEYS, _EARLIER)
    data, errors = toml.data, Errors()

    def fail(where: tuple[Step, ...], message: str, remedy: str = "") -> None:
        place = toml.place(*where)
        errors.add(SimkitError(message, file=place.file, line=place.line, remedy=remedy or None))

    for key in data:
        if key not in _TOP_KEYS:
            fail((key,), f"unknown key {key!r}.", _EARLIER.get(key) or near(key, _TOP_KEYS))
    bar_key = data.get("bar_key", below.bar_key)
    if not isinstance(bar_key, str) or bar_key not in BAR_KEYS:
        fail(("bar_key",), f"bar_key: there is no key {bar_key!r}.", near(str(bar_key), BAR_KEYS))
        bar_key = ""
    dead_zone = data.get("dead_zone", below.dead_zone)
    if isinstance(dead_zone, bool) or not isinstance(dead_zone, int | float) or not 0 <= dead_zone < 1:
        fail(("dead_zone",), f"dead_zone: {dead_zone!r} is not a number from 0 up to 1.", "Write e.g. 0.4.")
        dead_zone = 0.0
    pads = dict(below.pads)
    tables = data.get("pad", {})
    if not isinstance(tables, dict):
        fail(("pad",), "pad is a table.", "Write [pad.1.keys].")
        tables = {}
    for name, table in tables.items():
        if name not in _PAD_NAMES or not isinstance(table, dict):
            fail(("pad", name), f"pad.{name}: not a pad.", f"Write [pad.1.keys]; pads count from 1 to {MAX_PADS}.")
            continue
        pads[int(name)] = _pad(name, table, pads.get(int(name), PadControls()), fail)
    _check_one_each(bar_key, pads, data, fail)
    errors.raise_any()
    return Controls(bar_key, float(dead_zone), dict(sorted(pads.items())), str(path))


def _check_one_each(bar_key: str, pads: Mapping[int, PadControls], data: Mapping[str, Any], fail: _Fail) -> None:
    """Check that a key plays one button or opens the bar, and that a joystick's contact plays one button of a pad.

    What the file says is told where it says so; what it leaves out counts as it is.
    """
    keys: list[_Use] = [(bar_key, "what opens the bar", ("bar_key",))]
    if bar_key == BOTH_SHIFTS:
        keys = []
    for number, pad in pads.items():
        keys += _uses(number, "keys", pad.keys)
        _check_apart(_uses(number, "joystick", pad.joystick), data, fail)
    _check_apart(keys, data, fail)
    shifts = {text: where for text, _, where in keys if text in SHIFTS}
    if bar_key == BOTH_SHIFTS and len(shifts) == len(SHIFTS):
        where = next((where for where in shifts.values() if _is_said(data, where)), ("bar_key",))
        fail(where, "both Shift keys play pads, and both together open the bar.", 'Write e.g. bar_key = "pause".')


_Use = tuple[str, str, tuple[Step, ...]]
"""A key or contact, what it is for, and where that is said."""


def _uses(number: int, word: str, table: _Contacts) -> list[_Use]:
    return [
        (text, f"button {button} of pad {number}", ("pad", str(number), word, button))
        for button, names in table.items()
        for text in names
    ]


def _check_apart(uses: list[_Use], data: Mapping[str, Any], fail: _Fail) -> None:
    """Tell of what is used twice, where the file says the one that it says last."""
    first: dict[str, str] = {}
    for text, use, where in sorted(uses, key=lambda one: _is_said(data, one[2])):
        if text not in first:
            first[text] = use
            continue
        place = ".".join(map(str, where))
        fail(where, f"{place}: {text!r} is {first[text]} already.", "Give each its own; `simkit controls` prints all.")


def _is_said(data: Any, where: tuple[Step, ...]) -> bool:
    """Whether the file has something there."""
    for step in where:
        if not isinstance(data, dict) or step not in data:
            return False
        data = data[step]
    return True


def _pad(name: str, table: dict[str, Any], below: PadControls, fail: _Fail) -> PadControls:
    merged = {"keys": dict(below.keys), "joystick": dict(below.joystick)}
    for word, buttons in table.items():
        if word not in _PAD_KEYS or not isinstance(buttons, dict):
            fail(("pad", name, word), f"unknown key {f'pad.{name}.{word}'!r}.", near(word, _PAD_KEYS))
            continue
        for button, value in buttons.items():
            field = f"pad.{name}.{word}.{button}"
            where: tuple[Step, ...] = ("pad", name, word, button)
            names = [value] if isinstance(value, str) else value
            if not isinstance(names, list) or not all(isinstance(n, str) for n in names):
                fail(where, f"{field}: {value!r} is neither text nor a list of texts.")
                continue
            for number, text in enumerate(names):
                spot = (*where, number) if isinstance(value, list) else where
                if word == "keys" and text not in KEY_NAMES:
                    fail(spot, f"{field}: there is no key {text!r}.", near(text, KEY_NAMES))
                elif word == "joystick" and not _CONTACT.fullmatch(text):
                    remedy = 'Write e.g. "button 0", "axis 1 -" or "hat 0 up".'
                    fail(spot, f"{field}: {text!r} is not a contact of a joystick.", remedy)
            merged[word][button] = tuple(names)
    return PadControls(merged["keys"], merged["joystick"])
