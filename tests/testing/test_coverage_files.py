"""Coverage for people and programs: the page, LCOV's tracefile, Cobertura's XML, each read back."""

import re
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree as Xml

import pytest

from simkit.contract.errors import SimkitError
from simkit.rom.listing import Listing, Row
from simkit.testing.coverage import Counts, Program
from simkit.testing.coverage_files import cobertura, lcov, source_files
from simkit.testing.coverage_page import html

KEY = "0" * 64


def row(address, data, file, line, text="", code=True):
    data = bytes.fromhex(data)
    return Row(address, len(data), data, str(file), line, text, code)


@pytest.fixture
def blink(tmp_path, monkeypatch):
    """A program of two files: a branch that went both ways, one that went one way, one that never ran, a macro line."""
    monkeypatch.chdir(tmp_path)
    main, more = tmp_path / "src" / "blink.s", tmp_path / "src" / "lib" / "more & less.s"
    listing = Listing(
        [
            row(0x8000, "A203", main, 7, "start:  ldx #3"),
            row(0x8002, "CA", main, 8, "loop: dex"),
            row(0x8003, "D0FD", main, 9, "bne loop"),
            row(0x8005, "F002", main, 10, "beq <out>"),
            row(0x8007, "EA", main, 11, "twice"),
            row(0x8008, "EA", main, 11, "twice"),
            row(0x8009, "0102", main, 12, ".byte 1, 2", code=False),
            row(0x9000, "D0FE", more, 3, "never: bne never"),
            row(0x9002, "60", more, 4, "rts"),
        ]
    )
    program = Program(
        (0x8000, 0x8002, 0x8003, 0x8005, 0x8007, 0x8008, 0x9000, 0x9002),
        frozenset((0x8003, 0x8005, 0x9000)),
        ((0x8000, "start"), (0x8002, "loop"), (0x9000, "never")),
        listing,
    )
    ran = {0x8000: 1, 0x8002: 3, 0x8003: 3, 0x8005: 1, 0x8007: 1, 0x8008: 2}
    return Counts(KEY, ran, {0x8003: 2}, {0x8003: 1, 0x8005: 1}), program


def test_a_tracefile_tells_lines_branches_and_labels(blink):
    """geninfo manual page (lcov 1.16), FILES: a branch that never ran has "-"."""
    assert lcov(*blink, "Blink, 2 LEDs").splitlines() == [
        *("TN:simkit_Blink_2_LEDs", "SF:src/blink.s", "FN:7,start", "FN:8,loop", "FNDA:1,start", "FNDA:3,loop"),
        *("FNF:2", "FNH:2", "BRDA:9,0,0,2", "BRDA:9,0,1,1", "BRDA:10,0,0,0", "BRDA:10,0,1,1", "BRF:4", "BRH:3"),
        *("DA:7,1", "DA:8,3", "DA:9,3", "DA:10,1", "DA:11,2", "LF:5", "LH:5", "end_of_record"),
        *("TN:simkit_Blink_2_LEDs", "SF:src/lib/more & less.s", "FN:3,never", "FNDA:0,never", "FNF:1", "FNH:0"),
        *("BRDA:3,0,0,-", "BRDA:3,0,1,-", "BRF:2", "BRH:0", "DA:3,0", "DA:4,0", "LF:2", "LH:0", "end_of_record"),
    ]


CHILDREN = {
    "coverage": ["sources", "packages"],
    "package": ["classes"],
    "class": ["methods", "lines"],
}
REQUIRED = {
    "coverage": {"line-rate", "branch-rate", "lines-covered", "lines-valid", "branches-covered", "branches-valid"}
    | {"complexity", "version", "timestamp"},
    "package": {"name", "line-rate", "branch-rate", "complexity"},
    "class": {"name", "filename", "line-rate", "branch-rate", "complexity"},
    "line": {"number", "hits"},
}
"""From coverage-04.dtd: elements in order, attributes that must be there."""


def test_a_cobertura_report_has_what_its_dtd_asks_for_and_adds_up(blink, tmp_path):
    root = Xml.fromstring(cobertura(*blink, "Blink", version="1.2", seconds=1_700_000_000))
    for element in root.iter():
        assert REQUIRED.get(element.tag, set()) <= set(element.attrib), element.tag
        if element.tag in CHILDREN:
            assert [child.tag for child in element] == CHILDREN[element.tag]
    assert root.attrib["lines-valid"] == str(len(list(root.iter("line")))) == "7"
    assert root.attrib["lines-covered"] == str(sum(line.get("hits") != "0" for line in root.iter("line"))) == "5"
    assert (root.get("branch-rate"), root.get("branches-covered"), root.get("branches-valid")) == ("0.5000", "3", "6")
    assert root.findtext("sources/source") == tmp_path.as_posix()
    assert [one.get("filename") for one in root.iter("class")] == ["src/blink.s", "src/lib/more & less.s"]
    told = {
        (c.get("name"), n.get("number")): n.get("condition-coverage")
        for c in root.iter("class")
        for n in c.iter("line")
    }
    assert told["blink", "9"] == "100% (2/2)"
    assert told["blink", "10"] == "50% (1/2)"
    assert told["more & less", "3"] == "0% (0/2)"


def test_sources_elsewhere_are_told_from_the_folder_they_share(blink, tmp_path, monkeypatch):
    (tmp_path / "other").mkdir()
    monkeypatch.chdir(tmp_path / "other")
    root = Xml.fromstring(cobertura(*blink, "Blink", version="1", seconds=1))
    assert root.findtext("sources/source") == (tmp_path / "src").as_posix()
    assert [one.get("filename") for one in root.iter("class")] == ["blink.s", "lib/more & less.s"]
    assert f"SF:{(tmp_path / 'src' / 'blink.s').as_posix()}\n" in lcov(*blink, "Blink")


def test_names_that_no_file_can_hold_are_made_harmless(blink):
    counts, program = blink
    odd = Program(program.instructions, program.branches, ((0x8000, "a\nend_of_record\x00\ud800"),), program.listing)
    assert "FN:7,a?end_of_record??\n" in lcov(counts, odd, "x")
    root = Xml.fromstring(cobertura(counts, odd, "a\x01<b>", version="1", seconds=1))
    assert root.find("packages/package").get("name") == "a?<b>"


def test_without_source_lines_there_is_no_file(blink):
    counts, program = blink
    bare = Program(program.instructions, program.branches, program.labels, None)
    with pytest.raises(SimkitError, match="source lines of the program are not known"):
        source_files(counts, bare)


class Page(HTMLParser):
    """Rows of the listing by id, links, and text in order."""

    def __init__(self, text):
        super().__init__()
        self.links, self.ids, self.rows, self.tables = [], [], {}, []
        self._row = None
        self.feed(text)

    def handle_starttag(self, tag, attributes):
        found = dict(attributes)
        if tag == "a":
            self.links.append(found["href"])
        if tag == "table":
            self.tables.append(found["id"])
        if tag == "tr":
            self._row = self.rows.setdefault(found.get("id"), [])
        if "id" in found and tag == "tr":
            self.ids.append(found["id"])

    def handle_data(self, data):
        if self._row is not None and data.strip():
            self._row.append(data.strip())


def test_the_page_tells_total_and_misses_first_and_leads_from_one_to_the_next(blink):
    text = html(*blink, "Blink <1>: coverage", "two lamps & a button")
    page = Page(text)
    assert page.tables == ["total", "labels", "lines"]
    assert "Blink &lt;1&gt;: coverage" in text
    assert "two lamps &amp; a button" in text
    assert "2 lines never ran, 1 branch went only one way." in text
    by_label = re.findall(r"<a href='#a(\w+)'>(\w+)</a><td class=number>(\d+)", text)
    assert by_label == [("8000", "all", "4"), ("9000", "never", "3"), ("8002", "loop", "1"), ("8000", "start", "0")]
    assert {link[1:] for link in page.links} <= set(page.ids)
    assert page.rows["a8005"] == ["10", "$8005", "1, never taken", "next miss", "beq <out>"]
    assert page.rows["a9000"][2:4] == ["never", "last miss"]
    assert page.rows["a9002"][2:] == ["never", "rts"]
    assert page.rows["a8009"] == ["12", "$8009", ".byte 1, 2"]
    assert [Path(name).name for name in re.findall("class=file><th colspan=5>(.+)", text)] == [
        "blink.s",
        "more &amp; less.s",
    ]
    assert "<script" not in text
    assert "http" not in text


def test_a_page_names_sources_from_the_folder_they_share_so_that_no_path_of_ours_goes_out_with_it(blink, tmp_path):
    text = html(*blink, "x")
    assert str(tmp_path) not in text
    assert ">blink.s\n" in text
    assert ">lib/more &amp; less.s\n" in text


def test_a_page_without_misses_says_so(blink):
    counts, program = blink
    every = Program((0x8000, 0x8002), frozenset(), program.labels, Listing(program.listing.rows[:2]))
    assert "Nothing is left." in html(counts, every, "x")


def test_a_page_without_a_listing_shows_addresses_and_labels(blink):
    counts, program = blink
    page = Page(html(counts, Program(program.instructions, program.branches, program.labels, None), "x"))
    assert page.rows["a8002"] == ["$8002", "3", "loop"]
    assert page.rows["a9000"] == ["$9000", "never", "last miss", "never"]
