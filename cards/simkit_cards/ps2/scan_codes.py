"""Scan code set 2: the keys of the 104-key board and the ISO key, by physical position, with what each sends.

A key is named by what a US keyboard prints on it, in lower case; the name stands for the position, whatever the host's
layout. HID usage ids are those of the USB keyboard page, so that a host key finds its position.

Sources:
    [BR] A. Brouwer, Keyboard scancodes, sections 9.1 to 9.6: every make and break code here, and the rules for E0.
    [HID] USB Implementers Forum, HID Usage Tables, Keyboard/Keypad page 0x07 (section 10): usage ids.
    [MS] Microsoft, USB HID to PS/2 Scan Code Translation Table, 2 April 2004: letters, digits, system keys.
    [UR] Upgrading and Repairing PCs, Technician's edition, table 9.6: Print Screen make, Pause.
    The whole Print Screen break and the fake-shift rows of the navigation keys are from memory (Microsoft, Keyboard
    Scan Code Specification 1.3a, 2000).
"""

from __future__ import annotations

from types import MappingProxyType

import attrs

EXTENDED = 0xE0
BREAK = 0xF0
PAUSE_PREFIX = 0xE1
OVERRUN = 0x00  # sets 2 and 3. Hewlett-Packard, Technical Reference Guide (dx7300), Table C-1

KEYBOARD_PAGE = 0x07
SYSTEM_PAGE = 0x01


@attrs.frozen(slots=True)
class Key:
    """One key.

    Attributes:
        name: its name, standing for its position.
        usage: HID usage id.
        make: bytes sent when it goes down, with Num Lock off and no Shift, Ctrl or Alt held.
        break_: bytes sent when it comes up.
        page: HID usage page.
    """

    name: str
    usage: int
    make: bytes
    break_: bytes
    page: int = KEYBOARD_PAGE


def _b(text: str) -> bytes:
    return bytes.fromhex(text)


KEYS: tuple[Key, ...] = (
    Key("escape", 0x29, _b("76"), _b("F0 76")),
    Key("f1", 0x3A, _b("05"), _b("F0 05")),
    Key("f2", 0x3B, _b("06"), _b("F0 06")),
    Key("f3", 0x3C, _b("04"), _b("F0 04")),
    Key("f4", 0x3D, _b("0C"), _b("F0 0C")),
    Key("f5", 0x3E, _b("03"), _b("F0 03")),
    Key("f6", 0x3F, _b("0B"), _b("F0 0B")),
    Key("f7", 0x40, _b("83"), _b("F0 83")),
    Key("f8", 0x41, _b("0A"), _b("F0 0A")),
    Key("f9", 0x42, _b("01"), _b("F0 01")),
    Key("f10", 0x43, _b("09"), _b("F0 09")),
    Key("f11", 0x44, _b("78"), _b("F0 78")),
    Key("f12", 0x45, _b("07"), _b("F0 07")),
    Key("print screen", 0x46, _b("E0 12 E0 7C"), _b("E0 F0 7C E0 F0 12")),
    Key("scroll lock", 0x47, _b("7E"), _b("F0 7E")),
    Key("pause", 0x48, _b("E1 14 77 E1 F0 14 F0 77"), _b("")),
    Key("grave", 0x35, _b("0E"), _b("F0 0E")),
    Key("1", 0x1E, _b("16"), _b("F0 16")),
    Key("2", 0x1F, _b("1E"), _b("F0 1E")),
    Key("3", 0x20, _b("26"), _b("F0 26")),
    Key("4", 0x21, _b("25"), _b("F0 25")),
    Key("5", 0x22, _b("2E"), _b("F0 2E")),
    Key("6", 0x23, _b("36"), _b("F0 36")),
    Key("7", 0x24, _b("3D"), _b("F0 3D")),
    Key("8", 0x25, _b("3E"), _b("F0 3E")),
    Key("9", 0x26, _b("46"), _b("F0 46")),
    Key("0", 0x27, _b("45"), _b("F0 45")),
    Key("minus", 0x2D, _b("4E"), _b("F0 4E")),
    Key("equals", 0x2E, _b("55"), _b("F0 55")),
    Key("backspace", 0x2A, _b("66"), _b("F0 66")),
    Key("insert", 0x49, _b("E0 70"), _b("E0 F0 70")),
    Key("home", 0x4A, _b("E0 6C"), _b("E0 F0 6C")),
    Key("page up", 0x4B, _b("E0 7D"), _b("E0 F0 7D")),
    Key("num lock", 0x53, _b("77"), _b("F0 77")),
    Key("keypad /", 0x54, _b("E0 4A"), _b("E0 F0 4A")),
    Key("keypad *", 0x55, _b("7C"), _b("F0 7C")),
    Key("keypad -", 0x56, _b("7B"), _b("F0 7B")),
    Key("tab", 0x2B, _b("0D"), _b("F0 0D")),
    Key("q", 0x14, _b("15"), _b("F0 15")),
    Key("w", 0x1A, _b("1D"), _b("F0 1D")),
    Key("e", 0x08, _b("24"), _b("F0 24")),
    Key("r", 0x15, _b("2D"), _b("F0 2D")),
    Key("t", 0x17, _b("2C"), _b("F0 2C")),
    Key("y", 0x1C, _b("35"), _b("F0 35")),
    Key("u", 0x18, _b("3C"), _b("F0 3C")),
    Key("i", 0x0C, _b("43"), _b("F0 43")),
    Key("o", 0x12, _b("44"), _b("F0 44")),
    Key("p", 0x13, _b("4D"), _b("F0 4D")),
    Key("left bracket", 0x2F, _b("54"), _b("F0 54")),
    Key("right bracket", 0x30, _b("5B"), _b("F0 5B")),
    Key("backslash", 0x31, _b("5D"), _b("F0 5D")),
    Key("delete", 0x4C, _b("E0 71"), _b("E0 F0 71")),
    Key("end", 0x4D, _b("E0 69"), _b("E0 F0 69")),
    Key("page down", 0x4E, _b("E0 7A"), _b("E0 F0 7A")),
    Key("keypad 7", 0x5F, _b("6C"), _b("F0 6C")),
    Key("keypad 8", 0x60, _b("75"), _b("F0 75")),
    Key("keypad 9", 0x61, _b("7D"), _b("F0 7D")),
    Key("keypad +", 0x57, _b("79"), _b("F0 79")),
    Key("caps lock", 0x39, _b("58"), _b("F0 58")),
    Key("a", 0x04, _b("1C"), _b("F0 1C")),
    Key("s", 0x16, _b("1B"), _b("F0 1B")),
    Key("d", 0x07, _b("23"), _b("F0 23")),
    Key("f", 0x09, _b("2B"), _b("F0 2B")),
    Key("g", 0x0A, _b("34"), _b("F0 34")),
    Key("h", 0x0B, _b("33"), _b("F0 33")),
    Key("j", 0x0D, _b("3B"), _b("F0 3B")),
    Key("k", 0x0E, _b("42"), _b("F0 42")),
    Key("l", 0x0F, _b("4B"), _b("F0 4B")),
    Key("semicolon", 0x33, _b("4C"), _b("F0 4C")),
    Key("apostrophe", 0x34, _b("52"), _b("F0 52")),
    Key("enter", 0x28, _b("5A"), _b("F0 5A")),
    Key("keypad 4", 0x5C, _b("6B"), _b("F0 6B")),
    Key("keypad 5", 0x5D, _b("73"), _b("F0 73")),
    Key("keypad 6", 0x5E, _b("74"), _b("F0 74")),
    Key("left shift", 0xE1, _b("12"), _b("F0 12")),
    Key("z", 0x1D, _b("1A"), _b("F0 1A")),
    Key("x", 0x1B, _b("22"), _b("F0 22")),
    Key("c", 0x06, _b("21"), _b("F0 21")),
    Key("v", 0x19, _b("2A"), _b("F0 2A")),
    Key("b", 0x05, _b("32"), _b("F0 32")),
    Key("n", 0x11, _b("31"), _b("F0 31")),
    Key("m", 0x10, _b("3A"), _b("F0 3A")),
    Key("comma", 0x36, _b("41"), _b("F0 41")),
    Key("period", 0x37, _b("49"), _b("F0 49")),
    Key("slash", 0x38, _b("4A"), _b("F0 4A")),
    Key("right shift", 0xE5, _b("59"), _b("F0 59")),
    Key("up", 0x52, _b("E0 75"), _b("E0 F0 75")),
    Key("keypad 1", 0x59, _b("69"), _b("F0 69")),
    Key("keypad 2", 0x5A, _b("72"), _b("F0 72")),
    Key("keypad 3", 0x5B, _b("7A"), _b("F0 7A")),
    Key("keypad enter", 0x58, _b("E0 5A"), _b("E0 F0 5A")),
    Key("left ctrl", 0xE0, _b("14"), _b("F0 14")),
    Key("left gui", 0xE3, _b("E0 1F"), _b("E0 F0 1F")),
    Key("left alt", 0xE2, _b("11"), _b("F0 11")),
    Key("space", 0x2C, _b("29"), _b("F0 29")),
    Key("right alt", 0xE6, _b("E0 11"), _b("E0 F0 11")),
    Key("right gui", 0xE7, _b("E0 27"), _b("E0 F0 27")),
    Key("menu", 0x65, _b("E0 2F"), _b("E0 F0 2F")),
    Key("right ctrl", 0xE4, _b("E0 14"), _b("E0 F0 14")),
    Key("left", 0x50, _b("E0 6B"), _b("E0 F0 6B")),
    Key("down", 0x51, _b("E0 72"), _b("E0 F0 72")),
    Key("right", 0x4F, _b("E0 74"), _b("E0 F0 74")),
    Key("keypad 0", 0x62, _b("70"), _b("F0 70")),
    Key("keypad .", 0x63, _b("71"), _b("F0 71")),
    Key("iso key", 0x64, _b("61"), _b("F0 61")),
)
"""The 104 keys of the ANSI board and the ISO key, in rows from the top left. [BR] 9.6, [HID], [UR]."""

SYSTEM_KEYS: tuple[Key, ...] = (
    Key("power", 0x81, _b("E0 37"), _b("E0 F0 37"), SYSTEM_PAGE),
    Key("sleep", 0x82, _b("E0 3F"), _b("E0 F0 3F"), SYSTEM_PAGE),
    Key("wake", 0x83, _b("E0 5E"), _b("E0 F0 5E"), SYSTEM_PAGE),
)
"""Keys that some boards have besides. [MS]"""

KEY_BY_NAME = MappingProxyType({key.name: key for key in (*KEYS, *SYSTEM_KEYS)})

_NAVIGATION = frozenset({"insert", "delete", "home", "end", "page up", "page down", "up", "down", "left", "right"})

SHIFTS = ("left shift", "right shift")
CTRLS = ("left ctrl", "right ctrl")
ALTS = ("left alt", "right alt")


def sequences(name: str, held: frozenset[str], num_lock: bool) -> tuple[bytes, bytes]:
    """Make and break of a key as the keys held and Num Lock make them.

    Args:
        name: of a key in KEYS or SYSTEM_KEYS.
        held: names of the keys down when it goes down, without itself.
        num_lock: whether the host has told the keyboard that Num Lock is on.

    Returns:
        (make, break), either possibly empty.

    Source: base rows as KEYS. Print Screen with Alt: code 84, [BR] 9.6. Pause with Ctrl: E0 7E, [BR] 9.6, the whole
    sequence from memory. Print Screen with Ctrl or Shift, navigation keys and keypad / with fake shifts: from memory
    (Microsoft, Keyboard Scan Code Specification 1.3a, 2000).
    """
    key = KEY_BY_NAME[name]
    shifts = [KEY_BY_NAME[shift].make[0] for shift in SHIFTS if shift in held]
    ctrl = any(name in held for name in CTRLS)
    if name == "print screen":
        if any(alt in held for alt in ALTS):
            return _b("84"), _b("F0 84")
        if ctrl or shifts:
            return _b("E0 7C"), _b("E0 F0 7C")
        return key.make, key.break_
    if name == "pause":
        return (_b("E0 7E E0 F0 7E"), b"") if ctrl else (key.make, b"")
    if name in _NAVIGATION or name == "keypad /":
        if num_lock and not shifts and name in _NAVIGATION:
            return _b("E0 12") + key.make, key.break_ + _b("E0 F0 12")
        if shifts and not (num_lock and name in _NAVIGATION):
            lifted = b"".join(bytes((EXTENDED, BREAK, shift)) for shift in shifts)
            pressed = b"".join(bytes((EXTENDED, shift)) for shift in reversed(shifts))
            return lifted + key.make, key.break_ + pressed
    return key.make, key.break_


def _characters() -> dict[str, tuple[str, ...]]:
    plain = {
        " ": "space", "\n": "enter", "\t": "tab", "\b": "backspace", "\x1b": "escape",
        "`": "grave", "-": "minus", "=": "equals", "[": "left bracket", "]": "right bracket", "\\": "backslash",
        ";": "semicolon", "'": "apostrophe", ",": "comma", ".": "period", "/": "slash",
    }  # fmt: skip
    plain.update((name, name) for name in "abcdefghijklmnopqrstuvwxyz0123456789")
    shifted = dict(zip('~_+{}|:"<>?', "`-=[]\\;',./", strict=True))
    shifted.update(zip("!@#$%^&*()", "1234567890", strict=True))
    shifted.update((letter.upper(), letter) for letter in "abcdefghijklmnopqrstuvwxyz")
    found: dict[str, tuple[str, ...]] = {character: (name,) for character, name in plain.items()}
    found.update((character, ("left shift", plain[below])) for character, below in shifted.items())
    return found


CHARACTERS = MappingProxyType(_characters())
"""Keys to hold, in order, for each character, as a US keyboard prints them (common practice)."""

CHARACTER_BY_CODE = MappingProxyType(
    {
        (key.make[0], shifted): character
        for shifted in (False, True)
        for character, keys in CHARACTERS.items()
        if (len(keys) == 2) is shifted
        for key in (KEY_BY_NAME[keys[-1]],)
    }
)
"""Character by (one-byte make code, Shift held); US layout, Caps Lock off."""
