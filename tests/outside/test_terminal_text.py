"""What a terminal would show of the bytes that a machine sent."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simkit.outside.terminal_text import terminal_lines


@pytest.mark.parametrize(
    ("sent", "lines"),
    [
        (b"", []),
        (b"\r\n\r\nhello\r\n\r\n", ["hello"]),
        (b"one\r\ntwo", ["one", "two"]),
        (b"one\ntwo", ["one", "two"]),
        (b"abc\rX", ["Xbc"]),
        (b"abd\x08c", ["abc"]),
        (b"abd\x08 \x08c", ["abc"]),
        (b"\x08a", ["a"]),
        (b"a\tb", ["a       b"]),
        (b"\x1b[2J\x1b[1;31mred\x1b[0m\x1b(B", ["red"]),
        (b"\x07bell\x00", ["bell"]),
        (b"\xe4\xff", [".."]),
        (b"page\x0cnext", ["page", "next"]),
        (b"blank  \r\n  in", ["blank", "  in"]),
    ],
)
def test_bytes_become_the_lines_that_stand_in_the_end(sent, lines):
    assert terminal_lines(sent) == lines


@given(st.binary(max_size=300))
def test_any_bytes_become_lines_of_printable_characters(sent):
    assert all(line.isascii() and (line.isprintable() or not line) for line in terminal_lines(sent))
