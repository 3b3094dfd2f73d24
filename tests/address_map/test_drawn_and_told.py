"""The map as drawing, text, Markdown, page and JSON: every label readable, everything said, nobody's text a command."""

import json
import re
from html.parser import HTMLParser
from xml.etree import ElementTree

import pytest

from simkit import Machine
from simkit.address_map.document import document
from simkit.address_map.drawn import drawn
from simkit.address_map.sections import html, markdown
from simkit.address_map.standing import standing
from simkit.address_map.whole import address_map
from simkit.address_map.words import map_lines
from simkit.looks.drawing import Words, svg
from tests.address_map.machines import made
from tests.looks.boxes import check_texts, lie_over

EVERY = ("marlpit", "monitor", "bench", "banks-test", "keyboard-on-ports", "lamps-and-buttons", "traps", "decoders")
STRANGE = '<b>&"\\u001b[31m|`*_\\n# x'
SCATTERED = (
    'slot = 1\nkind = "sram"\nselect = "A0 and A3 and not A15"',
    'slot = 2\nkind = "keyboard"\nselect = "not A0 and A3 and not A15"\nname = "' + "k" * 24 + '"',
    'slot = 3\nkind = "ports-6522"\nselect = "1000 xxxx xxxx xxxx"\n[card.lines]\n'
    + "\n".join(f'P{port}{bit} = "A_VERY_LONG_NAME_OF_A_LINE_{port}{bit}"' for port in "AB" for bit in range(8)),
)


@pytest.mark.parametrize("name", EVERY)
def test_no_label_of_a_drawing_lies_over_another_and_none_is_too_small(name):
    check_texts(drawn(address_map(Machine.load(f"demo:{name}"))))


def test_nor_where_areas_are_thousands_and_names_are_long(tmp_path):
    machine = made(tmp_path, *SCATTERED)
    found = address_map(machine)
    assert len(found.areas) > 5000
    drawing = drawn(found)
    check_texts(drawing)
    assert len(drawing.things) < 4000
    assert len(map_lines(found)) < 200
    assert any("small areas by turns" in line for line in map_lines(found))


def test_the_check_of_labels_sees_what_lies_over_another():
    from simkit.looks.drawing import Drawing

    near = [Words((10, 20), "one"), Words((20, 24), "two"), Words((10, 60), "three")]
    assert lie_over(Drawing(100, 100, "", near)) == [("one", "two")]


@pytest.mark.parametrize("name", EVERY)
def test_everything_is_said_in_every_form(name):
    machine = Machine.load(f"demo:{name}")
    found = address_map(machine)
    parts = document(found, standing(machine))
    texts = {
        "text": "\n".join(map_lines(found)),
        "markdown": markdown(found, parts).replace("\\", ""),
        "page": html(found, parts),
    }
    for form, text in texts.items():
        for one in found.registers:
            assert one.register.name in text, (form, one.register.name)
            assert all(bit.name in text for bit in one.bits), (form, one.register.name)
        for vector in ("$FFFA", "$FFFC", "$FFFE"):
            assert vector in text
        assert all(line.name in text for line in found.lines)
    drawing = "\n".join(one.text for one in drawn(found).things if isinstance(one, Words))
    assert all(one.register.name in drawing for one in found.registers if one.answers)


class Page(HTMLParser):
    """Tags that are opened and not closed, and what is loaded."""

    def __init__(self):
        super().__init__()
        self.open, self.loaded = [], []

    def handle_starttag(self, tag, attrs):
        if tag not in ("meta", "rect", "polygon", "polyline"):
            self.open.append(tag)
        self.loaded += [value for name, value in attrs if name in ("src", "href") and value]

    def handle_startendtag(self, tag, attrs):
        pass

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


def test_a_stranger_s_names_stay_text(tmp_path):
    machine = made(
        tmp_path,
        f'slot = 1\nkind = "keyboard"\nselect = "0111 1111 0001 000x"\nnote = "{STRANGE}"'.replace('&"', '&\\"'),
        more='note = "a | b\\n# c <script>alert(1)</script>"\nabout = "<i>x</i>"',
    )
    found = address_map(machine)
    parts = document(found, standing(machine))
    text = html(found, parts)
    page = Page()
    page.feed(text)
    assert page.open == []
    assert page.loaded == []
    assert "<script" not in text
    assert "<b>" not in text
    ElementTree.fromstring(svg(drawn(found)))
    written = markdown(found, parts)
    assert "\x1b" not in written + text
    heads = [line for line in written.splitlines() if line.startswith("#")]
    assert len(heads) == 1 + len(parts)
    widths = {line.count(" | ") for line in written.splitlines() if line.startswith("| x") or "keyboard" in line}
    assert widths <= {0, 1, 2, 3}


def test_the_map_of_marlpit_in_words(simkit):
    code, out, _ = simkit("map", "demo:marlpit")
    assert code == 0
    for text in (
        "$7F10-$7F11  slot 3 keyboard: 2 registers",
        "$7F24-$7F2F  nobody: a read finds the byte before it on the bus (LDA $7F24: $7F), a write is lost",
        "$7F22   read        port_1: 7 a, 6 b, 5 select, 4 start, 3 up, 2 down, 1 left, 0 right; 0 = pressed",
        "RESET  $FFFC  to $8000 reset, slot 2 rom",
        "IRQ    driven by slot 3 INT (open drain), slot 5 INT (open drain); heard by the CPU",
        "marlpit-wiring.inc: 52 constants of slots 3, 4, 5 agree.",
    ):
        assert text in out


@pytest.mark.parametrize(("open_bus", "value"), [("pull-up", "$FF"), ("pull-down", "$00")])
def test_what_a_read_finds_where_nobody_answers(tmp_path, open_bus, value):
    machine = made(
        tmp_path,
        'slot = 1\nkind = "sram"\nselect = "0xxx xxxx xxxx xxxx"',
        more=f'[backplane]\nopen_bus = "{open_bus}"',
    )
    assert f"nobody: a read finds {value} ({open_bus} resistors)" in "\n".join(map_lines(address_map(machine)))
    assert machine.peek(0x8000) == int(value[1:], 16)


def test_overlaps_images_and_write_only_cards_are_told(tmp_path):
    machine = made(
        tmp_path,
        'slot = 1\nkind = "sram"\nselect = "0xxx xxxx xxxx xxxx"\nsettings = { size = 2048 }',
        'slot = 2\nkind = "keyboard"\nselect = "0111 1111 0001 000x"',
        'slot = 3\nkind = "bank-latch"\nselect = "1xxx xxxx xxxx xxxx"',
        more='[backplane]\noverlaps = "run"',
    )
    text = "\n".join(map_lines(address_map(machine)))
    assert "$0000-$7F0F  slot 1 sram: the same 2 KiB 16 times" in text
    assert "$7F10-$7F11  OVERLAP, both drive a read: slot 1 sram" in text
    assert "slot 3 bank-latch, writes only: 1 register, each at 32768 addresses" in text


def test_json_holds_areas_banks_registers_vectors_and_lines(simkit):
    code, out, _ = simkit("map", "demo:monitor", "--json")
    data = json.loads(out)
    assert code == 0
    window = next(one for one in data["areas"] if one["first"] == 0x8000)
    assert window["lines"] == ["BANK2", "BANK1", "BANK0"]
    assert [use["reads"][0]["offset"] for use in window["uses"]] == [0x4000 * number for number in range(8)]
    assert data["compared"][0]["differences"] == []
    assert {one["name"] for one in data["registers"] if one["slot"] == 5} == {"bank"}
    assert {one["name"]: one["heard_by_cpu"] for one in data["lines"]}["IRQ"]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--syntax", "ca65"), "--syntax is said of constants."),
        (("--constants", "a.inc", "--syntax", "ca56"), "There is no syntax 'ca56'."),
        (("--markdown", "--json"), "two forms"),
        (
            ("--compare", "a.inc", "--constants", "b.inc"),
            "--compare compares, and --constants asks for something else.",
        ),
        (
            ("--netlist", "a.net", "--slot", "3", "--compare", "b.inc"),
            "--netlist compares, and --compare asks for something",
        ),
        (("--compare", "a.inc", "--markdown"), "--compare compares"),
        (("--markdown", "--svg", "a.svg"), "--markdown prints"),
    ],
)
def test_wrong_use(simkit, words, told):
    code, out, error = simkit("map", "demo:marlpit", *words)
    assert code == 2
    assert told in out + error


def test_what_is_not_ours_is_not_written_over(simkit, tmp_path):
    path = tmp_path / "hardware.inc"
    path.write_text("VIDEO_DATA = $7F30\n")
    code, _, error = simkit("map", "demo:marlpit", "--constants", path)
    assert code == 2
    assert "hardware.inc" in error
    assert path.read_text() == "VIDEO_DATA = $7F30\n"
    assert simkit("map", "demo:marlpit", "--constants", path, "--force")[0] == 0
    assert simkit("map", "demo:marlpit", "--constants", path)[0] == 0  # its own it knows again
    assert re.search(r"^VIDEO_DATA = \$7F30 ", path.read_text(), re.MULTILINE)


def test_the_page_has_switches_timing_and_what_was_compared(simkit, tmp_path):
    assert simkit("map", "demo:decoders", "--html", tmp_path / "a.html")[0] == 0
    text = (tmp_path / "a.html").read_text()
    for told in (
        "U1 (74HC688): Q7..Q0 = 0 1 1 1 1 1 1 1; closed (to ground): Q7",
        "Timing",
        "a period of 500 ns",
        "Compared with the machine file",
        "52 constants of slots 3, 4, 5 agree.",
    ):
        assert told in text
    _, out, _ = simkit("map", "demo:decoders", "--markdown")
    assert "\n    U1 (74HC688): Q7..Q0 = 0 1 1 1 1 1 1 1; closed" in out


def test_of_several_files_none_is_written_where_one_cannot_be(simkit, tmp_path):
    (tmp_path / "mine.html").write_text("my own")
    code, _, error = simkit("map", "demo:marlpit", "--svg", tmp_path / "a.svg", "--html", tmp_path / "mine.html")
    assert code == 2
    assert "mine.html" in error
    assert not (tmp_path / "a.svg").exists()


def test_lines_that_decoders_on_the_backplane_drive_are_told_with_their_switches(tmp_path):
    machine = made(
        tmp_path,
        'slot = 2\nkind = "keyboard"\nselect = "not IOSEL and not A4"',
        more='[backplane.decode]\nsignals = { IOSEL = "U1.P=Q" }\n[backplane.decode.U1]\npart = "74HC688"\n'
        'pins = { P = "A15..A8", Q = "0111 1111", G = "low" }\n',
    )
    found = address_map(machine)
    text = "\n".join(map_lines(found))
    assert "IOSEL  driven by a decoder on the backplane: high when" in text
    assert "heard by the decoding" in text
    assert "U1 (74HC688): Q7..Q0 = 0 1 1 1 1 1 1 1; closed (to ground): Q7" in text
    assert "closed (to ground): Q7" in html(found, document(found, standing(machine)))
    check_texts(drawn(found))


def test_and_those_that_are_said_as_expressions(tmp_path):
    machine = made(
        tmp_path,
        'slot = 2\nkind = "ports-6522"\nselect = { CS1 = "A13", CS2B = "not IOSEL" }',
        more='[backplane.signals]\nIOSEL = "not (A15 or not A14)"\n',
    )
    line = next(one for one in address_map(machine).lines if one.name == "IOSEL")
    assert (line.decoder, line.in_decoding) == ("not (A15 or not A14)", True)
