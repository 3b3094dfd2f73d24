"""Keys and gamepads as browsers name them, to the names that the kit has for them.

Keys: a browser tells the physical position by `KeyboardEvent.code`, whatever layout the host uses.

Source: W3C, UI Events KeyboardEvent code Values, Candidate Recommendation, 1 June 2017, section 3; and W3C, Gamepad,
Working Draft, section "Remapping" (both from memory).
"""

from __future__ import annotations

from types import MappingProxyType

NAME_BY_CODE = MappingProxyType(
    {
        **{f"Key{letter.upper()}": letter for letter in "abcdefghijklmnopqrstuvwxyz"},
        **{f"Digit{digit}": digit for digit in "1234567890"},
        **{f"F{number}": f"f{number}" for number in range(1, 13)},
        **{f"Numpad{digit}": f"keypad {digit}" for digit in "1234567890"},
        **{f"Arrow{way}": way.lower() for way in ("Right", "Left", "Down", "Up")},
        **{
            f"{key}{side}": f"{side.lower()} {name}"
            for key, name in (("Control", "ctrl"), ("Shift", "shift"), ("Alt", "alt"), ("Meta", "gui"))
            for side in ("Left", "Right")
        },
        **{name.title().replace(" ", ""): name for name in ("enter", "escape", "backspace", "tab", "space", "minus")},
        **{name.title().replace(" ", ""): name for name in ("backslash", "semicolon", "comma", "period", "slash")},
        **{name.title().replace(" ", ""): name for name in ("caps lock", "print screen", "scroll lock", "pause")},
        **{name.title().replace(" ", ""): name for name in ("insert", "home", "page up", "delete", "end", "page down")},
        "NumLock": "num lock",
        "Equal": "equals",
        "BracketLeft": "left bracket",
        "BracketRight": "right bracket",
        "Quote": "apostrophe",
        "Backquote": "grave",
        "IntlBackslash": "iso key",
        "ContextMenu": "menu",
        "NumpadDivide": "keypad /",
        "NumpadMultiply": "keypad *",
        "NumpadSubtract": "keypad -",
        "NumpadAdd": "keypad +",
        "NumpadEnter": "keypad enter",
        "NumpadDecimal": "keypad .",
    }
)
"""Name of the position by code."""

_STANDARD_BUTTONS = {8: 6, 9: 7}
"""The two buttons in the middle of a gamepad of the standard layout, by the numbers they have in a controls file."""
_STANDARD_HAT = {12: (0, 1), 13: (0, -1), 14: (-1, 0), 15: (1, 0)}
"""Its four directions, which are a hat in a controls file: (right - left, up - down)."""


def standard_button(number: int) -> int | None:
    """Number that a button of a gamepad of the standard layout has in a controls file; None: a direction, or none."""
    if number in _STANDARD_HAT:
        return None
    return _STANDARD_BUTTONS.get(number, number if number < min(_STANDARD_BUTTONS) - 2 else None)


def standard_hat(pressed: set[int]) -> tuple[int, int]:
    """Where the hat stands when these buttons of a gamepad of the standard layout are down, as `JoystickPads.hat`."""
    across = sum(_STANDARD_HAT[number][0] for number in pressed & _STANDARD_HAT.keys())
    up = sum(_STANDARD_HAT[number][1] for number in pressed & _STANDARD_HAT.keys())
    return across, up
