"""Where keys and elements of TOML text stand: against `tomllib`, and against a writer that knows."""

import json
import re

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from simkit.machinefile import tomlplaces
from simkit.machinefile.tomlfile import parse_toml
from simkit.machinefile.tomlplaces import Places
from tests.examples import examples

BARE = re.compile(r"[A-Za-z0-9_-]+")


# a writer of random documents that knows where it wrote what ---------------------------------------------------------

KEYS = (
    "a",
    "b-2",
    "C_3",
    "1234",
    "card",
    "",
    "a.b",
    "[[card]]",
    "x = 1 # no",
    'say "so"',
    "it's",
    "back\\slash",
    "ʎǝʞ",
    "\t",
)
COMMENTS = ("# plain", "#", '# "open', "# '''", '# """', "# [[card]]", "# a = [{", "# ]}", "#\tkey.part = 'x'")
PLAIN = (
    "1", "+99", "-17", "1_000", "0xDEAD_beef", "0o755", "0b1101", "3.14", "-0.01", "6.626e-34", "inf", "-nan", "true",
    "false",
    "1979-05-27T07:32:00Z", "1979-05-27 00:32:00.999999-07:00", "1979-05-27T07:32:00", "1979-05-27", "07:32:00",
)  # fmt: skip
STRINGS = (
    '""', "''", '"plain"', "'C:\\path\\'", '"a \\"quote\\" and \\\\"', '"[[card]] # {"', "'[[card]] = \"'",
    '"\\u00E9\\n"', '""""""', "''''''", '"""one\n[[card]]\nslot = 1\n"""', "'''\n[card.settings]\nport = 1 # x\n'''",
    '"""Here are two quotes: "". And five: ""\\"""\\"."""', '"""ends in two"""""', "'''ends in two'''''",
    '"""\\\n   folded \\  \n\n  on"""', "'''that's \"it\" ]}'''", '"""a\\\\"""', "'''a\\'''",
)  # fmt: skip


class Writer:
    """Writes a document, statement by statement, and notes where each key and element came to stand."""

    def __init__(self, draw):
        self.draw = draw
        self.text = ""
        self.places = {}
        self.names = {}

    def any_of(self, choices):
        return self.draw(st.sampled_from(choices))

    def mark(self, path):
        start = self.text.rfind("\n") + 1
        self.places.setdefault(path, (self.text.count("\n") + 1, len(self.text) - start + 1))

    def blank(self):
        self.text += self.any_of(("", " ", "\t ", ""))

    def line_end(self):
        self.blank()
        self.text += self.any_of(("", "", *COMMENTS)) + self.any_of(("\n", "\r\n"))

    def gap(self):
        for _ in range(self.draw(st.integers(0, 2))):
            self.line_end()
        self.blank()

    def new_name(self, path):
        used = self.names.setdefault(path, set())
        name = self.any_of([key for key in KEYS if key not in used] or [f"k{len(used)}"])
        used.add(name)
        return name

    def key_part(self, name):
        forms = [json.dumps(name), json.dumps(name, ensure_ascii=False)]
        forms.append('"' + "".join(f"\\U{ord(letter):08x}" for letter in name) + '"')
        if "'" not in name:
            forms.append(f"'{name}'")
        if BARE.fullmatch(name):
            forms += [name] * 5
        self.text += self.any_of(forms)

    def key(self, table, names):
        """A key whose parts lead from the table inwards; gives the path of what it names."""
        path = table
        for number, name in enumerate(names):
            if number:
                self.blank()
                self.text += "."
                self.blank()
            path = (*path, name)
            self.mark(path)
            self.key_part(name)
        self.blank()
        return path

    def value(self, path, depth):
        kind = self.draw(st.integers(0, 9 if depth else 5))
        if kind < 3:
            self.text += self.any_of(PLAIN)
        elif kind < 6:
            string = self.any_of(STRINGS)
            self.text += string.replace("\n", self.any_of(("\n", "\r\n")))
        elif kind < 8:
            self.text += "["
            count = self.draw(st.integers(0, 3))
            for number in range(count):
                self.gap()
                self.mark((*path, number))
                self.value((*path, number), depth - 1)
                self.gap()
                if number < count - 1 or self.draw(st.booleans()):
                    self.text += ","
            self.gap()
            self.text += "]"
        else:
            self.text += "{"
            self.blank()
            for number in range(self.draw(st.integers(0, 3))):
                if number:
                    self.text += ","
                    self.blank()
                self.pair(path, depth - 1)
                self.blank()
            self.text += "}"

    def pair(self, table, depth):
        """A pair whose key is new in the table, or in a table that dotted keys of the same body have made."""
        *above, _ = names = self.dotted(table)
        inner = (*table, *above)
        names[-1] = self.new_name(inner)
        path = self.key(table, names)
        self.text += "="
        self.blank()
        self.value(path, depth)

    def dotted(self, table):
        """Names of a dotted key; the last is still open."""
        names, path = [], table
        for _ in range(self.any_of((0, 0, 0, 1, 2))):
            made = self.names.setdefault(("dotted", path), [])
            if not made or self.draw(st.booleans()):
                made.append(self.new_name(path))
            names.append(self.any_of(made))
            path = (*path, names[-1])
        return [*names, ""]

    def body(self, table):
        for _ in range(self.draw(st.integers(0, 3))):
            self.gap()
            self.pair(table, 2)
            self.line_end()

    def header(self, table, open_with="["):
        """Write the header of the table; the indices in its path are those of the last tables of their arrays."""
        self.gap()
        if open_with == "[[":
            self.mark(table)
        self.text += open_with
        self.blank()
        path = ()
        for number, step in enumerate(table):
            path = (*path, step)
            if isinstance(step, int):
                continue
            if number:
                self.text += "."
                self.blank()
            self.mark(path)
            self.key_part(step)
            self.blank()
        self.text += "]" * len(open_with)
        self.line_end()

    def sections(self, table, depth):
        for _ in range(self.draw(st.integers(0, 2)) if depth else 0):
            inner = (*table, self.new_name(table))
            kind = self.draw(st.integers(0, 3))
            if kind == 0:  # an array of tables
                for number in range(self.draw(st.integers(1, 3))):
                    self.header((*inner, number), "[[")
                    self.body((*inner, number))
                    self.sections((*inner, number), depth - 1)
                continue
            if kind == 1:  # the table inside is opened first, the one round it later or never
                innermost = (*inner, self.new_name(inner))
                self.header(innermost)
                self.body(innermost)
                self.sections(innermost, depth - 1)
                if self.draw(st.booleans()):
                    continue
            self.header(inner)
            self.body(inner)
            self.sections(inner, depth - 1)


@st.composite
def documents(draw):
    """(text, places) of random documents."""
    writer = Writer(draw)
    writer.body(())
    writer.sections((), 3)
    if draw(st.booleans()):
        writer.text = writer.text.rstrip("\r\n")
    return writer.text, writer.places


@settings(
    max_examples=examples(100), deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large]
)
@given(documents())
def test_every_key_and_element_of_a_document_has_the_place_where_it_was_written(check_against_tomllib, document):
    text, written = document
    places = parse_toml(text, "some.toml").places
    assert {path: places.at(*path) for path in places} == written
    check_against_tomllib(text)


# what asks ------------------------------------------------------------------------------------------------------------


def test_a_line_is_that_of_the_nearest_that_encloses_what_has_none():
    places = Places('name = "x"\n[[card]]\nslot = 1\n[card.settings]\nport = [\n1,\n]\n')
    assert places.line("card", 0, "settings", "port", 0) == 6
    assert places.line("card", 0, "settings", "port", 7) == 5
    assert places.line("card", 0, "settings", "no such", "at all") == 4
    assert places.line("card", 0, "kind") == 2
    assert places.line("nothing") is None
    assert places.line() is None
    assert places.at("card", 0, "kind") is None
    assert places.at() is None


def test_only_a_line_feed_ends_a_line():
    """As editors count: neither U+2028 nor a form feed in a string begins a new one."""
    places = Places('a = "\u2028\u0085"\nb = 1\n')
    assert places.at("b") == (2, 1)


def test_where_the_text_is_no_toml_the_scan_ends_and_keeps_what_it_has():
    for spot in ("= 2", "[b", "b 2", "b =", "b = [1, ", "]"):
        assert list(Places(f"a = 1\n{spot}\nz = 3")) in ([("a",)], [("a",), ("b",)], [("a",), ("b",), ("b", 0)])


def test_text_is_scanned_only_when_a_place_is_asked_for(monkeypatch):
    scanned = []
    scan = tomlplaces._Scan
    monkeypatch.setattr(tomlplaces, "_Scan", lambda text: scanned.append(text) or scan(text))
    place = parse_toml("a = 1\nb = 2\n", "some.toml").place("b").inside(3)
    assert scanned == []
    assert (place.line, place.line, str(place)) == (2, 2, "some.toml:2")
    assert len(scanned) == 1
