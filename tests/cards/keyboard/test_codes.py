"""Scan code set 2 and the HID usages of its keys, from two sides.

Sources:
    [BR] A. Brouwer, Keyboard scancodes, sections 9.2 and 9.6.
    [HID] USB Implementers Forum, HID Usage Tables, Keyboard/Keypad page 0x07 (section 10).
    [MS] Microsoft, USB HID to PS/2 Scan Code Translation Table, 2 April 2004.
    [UR] Upgrading and Repairing PCs, Technician's edition, table 9.6.
"""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from simkit_cards.keyboard.ring_buffer import SequenceTracker
from simkit_cards.keyboard.scan_decoder import ScanDecoder
from simkit_cards.ps2.scan_codes import CHARACTERS, KEY_BY_NAME, KEYS, SYSTEM_KEYS, sequences

from simkit.outside.host_keys import KEY_NAMES, NAME_BY_USAGE, key_name

# Keys in the order of their make codes: a line holds sixteen codes, "-" is unused. [BR] 9.6
PLAIN = """
-, f9, -, f5, f3, f1, f2, f12, -, f10, f8, f6, f4, tab, grave, -
-, left alt, left shift, -, left ctrl, q, 1, -, -, -, z, s, a, w, 2, -
-, c, x, d, e, 4, 3, -, -, space, v, f, t, r, 5, -
-, n, b, h, g, y, 6, -, -, -, m, j, u, 7, 8, -
-, comma, k, i, o, 0, 9, -, -, period, slash, l, semicolon, p, minus, -
-, -, apostrophe, -, left bracket, equals, -, -, caps lock, right shift, enter, right bracket, -, backslash, -, -
-, iso key, -, -, -, -, backspace, -, -, keypad 1, -, keypad 4, keypad 7, -, -, -
keypad 0, keypad ., keypad 2, keypad 5, keypad 6, keypad 8, escape, num lock, f11, keypad +, keypad 3, keypad -, keypad *, keypad 9, scroll lock, -
-, -, -, f7, -, -, -, -, -, -, -, -, -, -, -, -
"""  # noqa: E501 - a table
EXTENDED = {
    0x11: "right alt", 0x14: "right ctrl", 0x1F: "left gui", 0x27: "right gui", 0x2F: "menu", 0x4A: "keypad /",
    0x5A: "keypad enter", 0x69: "end", 0x6B: "left", 0x6C: "home", 0x70: "insert", 0x71: "delete", 0x72: "down",
    0x74: "right", 0x75: "up", 0x7A: "page down", 0x7D: "page up",
}  # fmt: skip
# Keys in the order of their usages, from 04 on. [HID] section 10
USAGES = """
a b c d e f g h i j k l m n o p q r s t u v w x y z 1 2 3 4 5 6 7 8 9 0 enter escape backspace tab space minus equals
left_bracket right_bracket backslash backslash semicolon apostrophe grave comma period slash caps_lock
f1 f2 f3 f4 f5 f6 f7 f8 f9 f10 f11 f12 print_screen scroll_lock pause insert home page_up delete end page_down
right left down up num_lock keypad_/ keypad_* keypad_- keypad_+ keypad_enter
keypad_1 keypad_2 keypad_3 keypad_4 keypad_5 keypad_6 keypad_7 keypad_8 keypad_9 keypad_0 keypad_. iso_key menu
"""
MODIFIERS = "left ctrl, left shift, left alt, left gui, right ctrl, right shift, right alt, right gui"  # E0 to E7


def code_table() -> dict[bytes, str]:
    names = [name.strip() for line in PLAIN.strip().splitlines() for name in line.split(",")]
    table = {bytes([code]): name for code, name in enumerate(names) if name != "-"}
    table.update((bytes([0xE0, code]), name) for code, name in EXTENDED.items())
    table[bytes.fromhex("E0 12 E0 7C")] = "print screen"  # [UR] table 9.6
    table[bytes.fromhex("E1 14 77 E1 F0 14 F0 77")] = "pause"  # [BR] 9.2, [UR] table 9.6
    return table


def test_every_make_code_is_that_of_the_published_table_in_both_directions():
    """[BR] 9.6; Print Screen and Pause [UR] table 9.6."""
    table = code_table()
    assert {key.make: key.name for key in KEYS} == table
    assert {name: make for make, name in table.items()} == {key.name: key.make for key in KEYS}
    assert len(KEYS) == 105


def test_every_break_code_follows_from_the_make_code():
    """[BR] 9.2: F0 before a plain code, E0 F0 before an extended one; Pause has none."""
    for key in KEYS:
        if key.name == "pause":
            assert key.break_ == b""
        elif key.name == "print screen":
            assert key.break_ == bytes.fromhex("E0 F0 7C E0 F0 12")  # from memory
        elif key.make[0] == 0xE0:
            assert key.break_ == bytes([0xE0, 0xF0, key.make[1]])
        else:
            assert key.break_ == bytes([0xF0, key.make[0]])


def test_every_usage_is_that_of_the_usage_tables_in_both_directions():
    """[HID] section 10, in its order; usage 32 (Non-US #) is the ANSI backslash ([MS], from memory)."""
    table = {0x04 + n: name.replace("_", " ") for n, name in enumerate(USAGES.split())}
    table.update({0xE0 + n: name for n, name in enumerate(MODIFIERS.split(", "))})
    assert dict(NAME_BY_USAGE) == table
    assert {key.usage: key.name for key in KEYS} == {usage: name for usage, name in table.items() if usage != 0x32}
    assert sorted(KEY_NAMES) == sorted(key.name for key in KEYS)
    assert [key_name(usage) for usage in (0x1C, 0x32, 0x66, 0xA5)] == ["y", "backslash", None, None]


def test_sums_over_the_table():
    """Sums worked out from [BR] 9.6 and [HID] apart from this code: a slip in any row moves one of them."""
    makes, breaks = b"".join(key.make for key in KEYS), b"".join(key.break_ for key in KEYS)
    assert (len(makes), sum(makes)) == (132, 12_474)
    assert (len(breaks), sum(breaks)) == (229, 36_466)
    assert sum(key.usage for key in KEYS) == 6_915
    assert sum(len(key.make) == 1 for key in KEYS) == 86


def test_system_keys():
    """[MS]: Power, Sleep, Wake, usages 81 to 83 of page 01."""
    assert [(key.page, key.usage, key.make.hex(" ")) for key in SYSTEM_KEYS] == [
        (1, 0x81, "e0 37"), (1, 0x82, "e0 3f"), (1, 0x83, "e0 5e"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("name", "held", "num_lock", "make", "break_"),
    [
        ("print screen", "", False, "E0 12 E0 7C", "E0 F0 7C E0 F0 12"),
        ("print screen", "left ctrl", False, "E0 7C", "E0 F0 7C"),
        ("print screen", "right shift", False, "E0 7C", "E0 F0 7C"),
        ("print screen", "left alt", False, "84", "F0 84"),
        ("pause", "left ctrl", False, "E0 7E E0 F0 7E", ""),
        ("insert", "", True, "E0 12 E0 70", "E0 F0 70 E0 F0 12"),
        ("left", "left shift", False, "E0 F0 12 E0 6B", "E0 F0 6B E0 12"),
        ("left", "right shift", False, "E0 F0 59 E0 6B", "E0 F0 6B E0 59"),
        ("left", "left shift", True, "E0 6B", "E0 F0 6B"),
        ("keypad /", "", True, "E0 4A", "E0 F0 4A"),
        ("keypad /", "left shift", False, "E0 F0 12 E0 4A", "E0 F0 4A E0 12"),
        ("keypad enter", "left shift", False, "E0 5A", "E0 F0 5A"),
        ("a", "left shift", True, "1C", "F0 1C"),
    ],
)
def test_sequences_in_every_shift_state(name, held, num_lock, make, break_):
    """Print Screen with Alt and the code of Ctrl + Pause: [BR] 9.6; the rest from memory (Microsoft, Keyboard Scan Code
    Specification 1.3a, 2000)."""
    assert sequences(name, frozenset(filter(None, [held])), num_lock) == (bytes.fromhex(make), bytes.fromhex(break_))


def test_every_printable_character_can_be_typed_once():
    """US layout, common practice: 95 characters, and Enter, Tab, Backspace, Escape."""
    assert set(CHARACTERS) == {chr(code) for code in range(0x20, 0x7F)} | set("\n\t\b\x1b")
    assert len(set(CHARACTERS.values())) == len(CHARACTERS)
    assert CHARACTERS["A"] == ("left shift", "a")
    assert CHARACTERS["?"] == ("left shift", "slash")
    assert {name for keys in CHARACTERS.values() for name in keys} <= set(KEY_BY_NAME)


def decoded(codes: bytes) -> str:
    decoder = ScanDecoder()
    return "".join(chr(character) for code in codes if (character := decoder.feed(code)) is not None)


def test_arrow_keys_print_nothing_and_shift_comes_up_again():
    """Field case: E0 75 E0 F0 75, then Shift + A: a decoder that loses E0 prints "8" (common practice)."""
    assert decoded(bytes.fromhex("E0 75 E0 F0 75 12 1C F0 1C F0 12 1C F0 1C")) == "Aa"


@pytest.mark.parametrize("shift", ["", "12 "])
def test_keys_of_the_keypad_print_what_is_on_them_with_num_lock_on(shift):
    """US layout, common practice; Shift makes no difference."""
    for name in "0123456789.*-+/":
        assert decoded(bytes.fromhex(shift) + KEY_BY_NAME[f"keypad {name}"].make) == name
    assert decoded(bytes.fromhex(shift) + KEY_BY_NAME["keypad enter"].make) == "\r"


@pytest.mark.parametrize(
    ("codes", "text"),
    [
        ("58 F0 58 1C F0 1C 12 1C F0 1C F0 12", "Aa"),  # Caps Lock turns letters round
        ("58 F0 58 16 F0 16", "1"),  # and leaves digits alone
        ("14 21 F0 21 F0 14", "\x03"),
        ("E0 5A E0 F0 5A 5A F0 5A", "\r\r"),
        ("E0 12 E0 7C E0 F0 7C E0 F0 12 1C", "a"),  # Print Screen's fake shifts are no keys
        ("E1 14 77 E1 F0 14 F0 77 1C", "a"),  # Pause is swallowed whole
        ("12 00 1C", "a"),  # overrun: releases may be lost, so nothing is held any more
        ("AA FA FE EE FC 1C", "a"),
    ],
)
def test_parser_cases(codes, text):
    """States of a set 2 parser, common practice."""
    assert decoded(bytes.fromhex(codes)) == text


def test_overrun_lifts_shift_and_no_other_code_that_stands_alone_does():
    """00 and FF are overrun codes, after which releases may be lost. Hewlett-Packard, Technical Reference Guide
    (dx7300), Table C-1: 00 in sets 2 and 3, FF in set 1."""
    prefixes, modifiers = {0xE0, 0xE1, 0xF0}, {0x12, 0x14, 0x58, 0x59}
    for code in set(range(256)) - prefixes - modifiers:
        decoder = ScanDecoder()
        for each in (0x12, code):
            decoder.feed(each)
        assert decoder.feed(0x1C) == ord("a" if code in (0x00, 0xFF) else "A"), code


@settings(deadline=None, max_examples=60)
@given(text=st.text(st.sampled_from(sorted(CHARACTERS)), max_size=20))
def test_what_is_typed_comes_out_of_the_decoder(text):
    codes = b""
    for character in text:
        keys = CHARACTERS[character]
        for number, name in enumerate(keys):
            codes += sequences(name, frozenset(keys[:number]), False)[0]
        for name in reversed(keys):
            codes += sequences(name, frozenset(), False)[1]
    assert decoded(codes) == text.replace("\n", "\r")


def test_the_tracker_finds_the_end_of_every_sequence():
    """[BR] 9.2: what F0, E0 and E1 begin."""
    for key in (*KEYS, *SYSTEM_KEYS):
        for codes in filter(None, (key.make, key.break_)):
            tracker = SequenceTracker()
            ends = [place for place, code in enumerate(codes, 1) if tracker.feed(code)]
            assert ends[-1] == len(codes)
            assert len(ends) == (2 if key.name == "print screen" else 1)
