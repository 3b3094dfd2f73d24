"""TOML files as they come: bounds, hostile texts, what is not TOML.

Each gets one message with its line, in time that grows as the file does.
"""

import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simkit.contract.errors import SimkitError
from simkit.machinefile import tomlbounds
from simkit.machinefile.tomlfile import parse_toml, read_toml


def refusal(text):
    with pytest.raises(SimkitError) as caught:
        parse_toml(text, "some.toml")
    assert len(str(caught.value)) < 400
    return str(caught.value)


HOSTILE = {
    "opening brackets": lambda n: "a = " + "[" * n,
    "brackets of a header": lambda n: "[" * n,
    "opening braces": lambda n: "a = " + "{a=" * (n // 3),
    "quotes": lambda n: '"' * n,
    "quotes as a value": lambda n: "a = " + '"' * n,
    "apostrophes": lambda n: "'" * n,
    "string without end": lambda n: 'a = "' + "x" * n,
    "escapes without end": lambda n: 'a = "' + "\\n" * (n // 2),
    "multi-line string without end": lambda n: 'a = """' + '""x' * (n // 3),
    "multi-line escapes without end": lambda n: 'a = """' + "\\n" * (n // 2),
    "literal string without end": lambda n: "a = '''" + "''x" * (n // 3),
    "dotted key": lambda n: "a." * (n // 2) + "a = 1",
    "dotted key with blanks": lambda n: "a . " * (n // 4) + "a = 1",
    "dotted header": lambda n: "[" + "a." * (n // 2) + "a]",
    "dotted keys in braces": lambda n: "a = " + "{a.a.a.a = " * (n // 11),
    "long bare key": lambda n: "a" * n + " = 1",
    "digits": lambda n: "a = " + "9" * n,
    "hexadecimal digits": lambda n: "a = 0x" + "F" * n,
    "blanks in a header": lambda n: "[" + " " * n,
    "closing brackets": lambda n: "]" * n,
    "NUL": lambda n: "\0" * n,
}
"""Texts that are refused, by their size in characters."""

HEAVY = {
    "short keys": lambda n: "".join(f"a{i} = 1\n" for i in range(n // 9)),
    "keys as long as allowed": lambda n: "".join(f"{'a.' * 15}b{i} = 1\n" for i in range(n // 38)),
    "headers as long as allowed": lambda n: f"[[{'a.' * 15}a]]\n" * (n // 36),
    "tables": lambda n: "".join(f"[t{i}]\n" for i in range(n // 8)),
    "cards": lambda n: "[[card]]\n" * (n // 9),
    "array": lambda n: "a = [" + "1, " * (n // 3) + "]",
    "array of tables on one line": lambda n: "a = [" + "{b.c = 1}, " * (n // 11) + "]",
    "comments": lambda n: "#\n" * (n // 2) + "a = 1",
    "empty lines": lambda n: "\n" * n + "a = 1",
    "escapes": lambda n: 'a = "' + "\\n" * (n // 2) + '"',
    "multi-line escapes": lambda n: 'a = """' + "\\n" * (n // 2) + '"""',
    "folded lines": lambda n: 'a = """' + "\\\n" * (n // 2) + '"""',
    "quotes in a multi-line string": lambda n: 'a = """' + '""x' * (n // 3) + '"""',
    "apostrophes in a literal string": lambda n: "a = '''" + "''x" * (n // 3) + "'''",
    "blanks after a bracket in a string": lambda n: 'a = """\n[' + " " * n + '\n"""',
    "escaped keys": lambda n: "".join(f'"\\u0061{i}" = 1\n' for i in range(n // 16)),
}
"""Texts that are TOML, by their size in characters."""


def seconds(text):
    """Processor time for reading a text and finding a place in it."""
    start = time.process_time()
    try:
        parse_toml(text, "some.toml").places.line("a", 0)
    except SimkitError as error:
        str(error)
    return time.process_time() - start


@pytest.mark.parametrize("make", [*HOSTILE.values(), *HEAVY.values()], ids=[*HOSTILE, *HEAVY])
def test_four_times_the_text_takes_about_four_times_as_long(make):
    """Quadratic would be sixteen times. What takes less than 2 ms says nothing: the clock is too coarse.

    The shorter time of two is compared with the shortest of up to three: one may meet another program's work.
    """
    once, four_times = make(20_000), make(80_000)
    most = 8 * max(min(seconds(once) for _ in range(2)), 0.002)
    assert any(seconds(four_times) < most for _ in range(3))


@pytest.mark.parametrize("make", HOSTILE.values(), ids=HOSTILE)
def test_a_hostile_text_gets_one_short_message_with_its_line(make):
    for n in (400, 900_000):
        assert refusal("# a file\n\n" + make(n)).startswith("some.toml:3: ")


@pytest.mark.parametrize("make", HEAVY.values(), ids=HEAVY)
def test_a_heavy_text_within_the_bounds_is_read(make):
    assert parse_toml(make(4000), "some.toml").data


@pytest.mark.parametrize(
    ("make", "most", "words"),
    [
        (lambda n: f"a = {'[' * n}{']' * n}", tomlbounds.MAX_NESTING, "nest deeper than 16 levels"),
        (lambda n: f"a = {'{b = ' * n}1{'}' * n}", tomlbounds.MAX_NESTING, "nest deeper than 16 levels"),
        (lambda n: f"{'a . ' * (n - 1)}a = 1", tomlbounds.MAX_KEY_PARTS, "more than 16 parts"),
        (lambda n: f"[{'a.' * (n - 1)}'a']", tomlbounds.MAX_KEY_PARTS, "more than 16 parts"),
        (lambda n: f"a = {'9' * n}", tomlbounds.MAX_WORD, "has 101 characters; 100 are allowed"),
        (lambda n: f"{'a' * n} = 1", tomlbounds.MAX_WORD, "has 101 characters; 100 are allowed"),
    ],
)
def test_what_is_just_within_a_bound_is_read_and_one_more_is_refused(make, most, words):
    assert parse_toml(make(most), "some.toml").data
    assert words in refusal(make(most + 1))


def test_brackets_dots_and_words_in_strings_and_comments_do_not_count():
    inside = "[" * 50 + "a." * 50 + "9" * 500
    text = "# I\na = \"I\" # I\nb = 'I'\nc = \"\"\"\nI\n\"\"\"\nd = '''\nI\n'''\n".replace("I", inside)
    assert set(parse_toml(text, "some.toml").data) == {"a", "b", "c", "d"}


def test_a_file_that_holds_the_words_of_a_place_does_not_lead_the_message_astray():
    """A key may read like the parser's own words; the line is the one at the end of what it says."""
    key = '"x (at line 99, column 1)"'
    assert refusal(f"[{key}]\n\n[{key}]\n").startswith("some.toml:3: Not TOML: A key or table is given twice.")


@settings(max_examples=400, deadline=None)
@given(st.text("[]{}\"'\\#=.,\n\r\t ab1-_0xu:TZ\u2028é\0", max_size=60))
def test_any_text_is_read_or_refused_with_one_message(text):
    try:
        found = parse_toml(text, "some.toml")
    except SimkitError as error:
        place = (error.file, error.line)
    else:
        place = ("some.toml", min((found.place(*path).line for path in found.places), default=1))
    assert place in {("some.toml", line) for line in range(1, text.count("\n") + 2)}


def test_a_file_is_read_with_its_path_for_messages(tmp_path):
    path = tmp_path / "some.toml"
    path.write_bytes(b"\xef\xbb\xbfa = 1\r\n\r\n[b]\r\nc = [\r\n 2,\r\n]\r\n")
    found = read_toml(path, "file", "a")
    assert found.data == {"a": 1, "b": {"c": [2]}}
    assert str(found.place("b", "c", 0)) == f"{path}:5"
    assert found.places.at("a") == (1, 1)
    assert str(found.place()) == str(path)
