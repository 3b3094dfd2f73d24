"""Names and texts of others are shown so that nothing in them steers a terminal or turns its neighbours round."""

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simkit.contract.errors import SeveralErrors, SimkitError
from simkit.contract.plain import plain

DIRECTION_MARKS = [*range(0x202A, 0x202F), *range(0x2066, 0x206A), 0x200E, 0x200F, 0x061C]
"""Boucher and Anderson, "Trojan Source", 32nd USENIX Security Symposium, 2023, table 1, and the implicit marks."""


@pytest.mark.parametrize("code", [*range(0x20), *range(0x7F, 0xA0), 0x2028, 0x2029, *DIRECTION_MARKS, 0xFEFF, 0xD800])
def test_characters_that_do_something_are_written_as_numbers(code):
    assert plain(f"a{chr(code)}b") == "a" + ascii(chr(code))[1:-1] + "b"


@pytest.mark.parametrize("text", ["", "Marlpit", "Möhrenbeet", "苗床", "שתיל", "a\u00a0b", "🌱", "a'b\"c\\d"])
def test_what_prints_itself_stays(text):
    assert plain(text) == text


@given(st.text())
def test_any_text_becomes_one_line_that_prints(text):
    shown = plain(text)
    assert all(c.isprintable() or unicodedata.category(c) == "Zs" for c in shown)
    assert len(shown.splitlines()) <= 1
    assert plain(shown) == shown
    shown.encode()


def test_an_error_is_shown_in_lines_of_its_own_whatever_stands_in_it():
    error = SimkitError("no \x1b[2J\nslot 1: fine", file="a\nb", line=3, remedy="do\n\u202eit")
    assert str(error) == "a\\nb:3: no \\x1b[2J\\nslot 1: fine\ndo\\n\\u202eit"
    assert len(str(SeveralErrors([error, error])).splitlines()) == 4
    assert error.as_dict()["message"] == "no \x1b[2J\nslot 1: fine"
