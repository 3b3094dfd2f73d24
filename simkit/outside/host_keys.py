"""Keys of a host keyboard by HID usage id: the name of the physical position, whatever layout the host uses.

The names are those of the keyboard cards' `KeysPort.keys`: what a US keyboard prints at that position, in lower case.
Host libraries that number keys by position use these usage ids, so that no table of theirs is needed.

Source: USB Implementers Forum, HID Usage Tables, Keyboard/Keypad page 0x07 (section 10). Usage 32, the # key of ISO
boards, stands where ANSI boards have the backslash (Microsoft, USB HID to PS/2 Scan Code Translation Table, 2 April
2004; that row from memory).
"""

from __future__ import annotations

from types import MappingProxyType

_FROM_04 = (
    *"abcdefghijklmnopqrstuvwxyz1234567890",
    *("enter", "escape", "backspace", "tab", "space", "minus", "equals", "left bracket", "right bracket"),
    *("backslash", "backslash", "semicolon", "apostrophe", "grave", "comma", "period", "slash", "caps lock"),
    *(f"f{number}" for number in range(1, 13)),
    *("print screen", "scroll lock", "pause", "insert", "home", "page up", "delete", "end", "page down"),
    *("right", "left", "down", "up", "num lock"),
    *(f"keypad {key}" for key in ("/", "*", "-", "+", "enter", *"1234567890.")),
    *("iso key", "menu"),
)
_FROM_E0 = ("ctrl", "shift", "alt", "gui")

NAME_BY_USAGE = MappingProxyType(
    {
        **dict(enumerate(_FROM_04, 0x04)),
        **{0xE0 + n: f"left {name}" for n, name in enumerate(_FROM_E0)},
        **{0xE4 + n: f"right {name}" for n, name in enumerate(_FROM_E0)},
    }
)
"""Name of the position by usage id of page 07."""

KEY_NAMES = tuple(dict.fromkeys(NAME_BY_USAGE.values()))
"""Every name, each once, in the order of the usage ids."""


def key_name(usage: int) -> str | None:
    """Name of the key with this usage id of page 07, or None for one that no keyboard card knows."""
    return NAME_BY_USAGE.get(usage)
