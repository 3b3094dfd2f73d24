"""Text of a strip: no line is wider than the window, and nothing is lost unless it says so."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simkit.window.strip import newest, shortened, wrapped

PIXELS = 7
"""What each character of these tests takes."""


def width(text):
    return PIXELS * len(text)


@given(st.text(max_size=200), st.integers(PIXELS, 300))
def test_no_line_is_wider_than_the_strip_and_every_character_is_there(text, pixels):
    lines = wrapped(text, pixels, width)
    assert all(0 < width(line) <= pixels for line in lines)
    assert "".join("".join(lines).split()) == "".join(text.split())


def test_words_stay_whole_where_they_fit_and_paragraphs_begin_a_line():
    assert wrapped("one two three\nfour", 9 * PIXELS, width) == ["one two", "three", "four"]
    assert wrapped("pathname b", 8 * PIXELS, width) == ["pathname", "b"]
    assert wrapped("a /long/path/name b", 8 * PIXELS, width) == ["a", "/long/", "path/", "name b"]


def test_the_groups_of_a_number_stay_in_one_line_where_they_fit():
    assert wrapped("cycle 2 924 066, 10 000 times", 11 * PIXELS, width) == ["cycle", "2 924 066,", "10 000", "times"]
    assert wrapped("at 12 345", 4 * PIXELS, width) == ["at", "12", "345"]


@pytest.mark.parametrize("pixels", [0, -30, 3])
def test_a_window_too_narrow_for_a_letter_gets_a_letter_a_line(pixels):
    assert wrapped("ab c", pixels, width) == ["a", "b", "c"]


def test_what_is_cut_off_is_shown_or_told():
    lines = ["one", "two", "three", "four"]
    assert shortened(lines, 4, "see there.") == lines
    assert shortened(lines, 3, "see there.") == ["one", "two", "… see there."]
    assert shortened(lines, 2, "see there.") == ["one", "two …"]
    assert shortened(lines, 1) == ["one …"]


def test_of_a_question_what_is_written_is_seen_in_any_window():
    assert newest(["which?", "2s, 120f", "label:a_"], 2) == ["2s, 120f", "label:a_"]
    assert newest(["which?", "label:a_"], 5) == ["which?", "label:a_"]
