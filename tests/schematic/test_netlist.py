"""Netlists read: both versions, what newer files add, names; each lie is one clear message with its line."""

import random
import re

import pytest
import sexpdata
from hypothesis import given, settings
from hypothesis import strategies as st

from simkit.contract.errors import SimkitError
from simkit.schematic.lines import bus_lines
from simkit.schematic.netlist import plain_name, read_netlist
from simkit.schematic.tree import MAX_DEPTH, Node, read_tree
from tests.examples import examples
from tests.schematic import marlpit as cards
from tests.schematic.written import Sheet

SMALL = Sheet().logic("U1", "74HC00", p1="A0", p2="/cpu/A1", p3="/~{CS}").text()


def test_both_versions_say_the_same():
    for _, make in cards.CARDS.values():
        new, old = (read_netlist(make().text(version=version), "x") for version in "ED")
        assert {net.name: net.pins for net in new.nets.values()} == {net.name: net.pins for net in old.nets.values()}
        assert new.components.keys() == old.components.keys()
        assert all(one.pin_names == old.components[ref].pin_names for ref, one in new.components.items())


def as_lists(node):
    return [node.name, *(as_lists(item) if isinstance(item, Node) else item for item in node.items)]


def test_another_reader_reads_the_same_tree():
    """sexpdata 1.0.2 (BSD), of a file with all atoms quoted but the names of lists."""

    def plain(item):
        if isinstance(item, list):
            return [plain(one) for one in item]
        return item.value() if isinstance(item, sexpdata.Symbol) else item

    for _, make in cards.CARDS.values():
        text = make().text()
        assert as_lists(read_tree(text, "x")) == plain(sexpdata.loads(text, nil=None, true=None))


@pytest.mark.parametrize("text", ["07", "t", "nil", "C:\\\\src", 'say "so"', "a;b", "it's", "[0]", "10µF", "a (b)"])
def test_atoms_stay_text(text):
    escaped = text.replace('"', '\\"')
    assert read_tree(f'(a "{escaped}")', "x").text == re.sub(r"\\(.)", r"\1", text)
    if not set(text) & set(' ()"\\'):
        assert read_tree(f"(a {text})", "x").text == text


def test_what_is_not_known_is_skipped():
    more = SMALL.replace("  (nets", '  (groups (group (name "g") (members "1")))\n  (nets').replace(
        "(value", '(units (unit (name "A") (pins (pin (num "1"))))) (component_classes) (value', 1
    )
    assert read_netlist(more, "x").nets.keys() == read_netlist(SMALL, "x").nets.keys()


def test_parts_that_are_not_fitted_and_power_symbols():
    sheet = Sheet().logic("U1", "74HC00", p1="A0", p3="Y").logic("U2", "74HC00", p1="A0", p3="Y")
    text = sheet.text().replace('(comp (ref "U2")', '(comp (ref "U2") (property (name "dnp"))')
    text = text.replace('(name "GND") (class "Default")', '(name "GND") (node (ref "#PWR01") (pin "1"))')
    netlist = read_netlist(text, "x")
    assert set(netlist.components) == {"U1"}
    assert netlist.nets["Y"].pins == (("U1", "3"),)
    assert ("#PWR01", "1") not in netlist.net_of


def test_pin_names_without_a_symbol_come_from_the_nodes():
    """Newer files write NAME_NUMBER there."""
    text = cards.rom().text()
    bare = text[: text.index("  (libparts")] + "  (libparts)" + text[text.index("\n  (libraries)") :]
    with_names, without = read_netlist(text, "x"), read_netlist(bare, "x")
    joined = with_names.pins_of("U1")
    assert {n: without.components["U1"].pin_names[n] for n in joined} == {
        n: with_names.components["U1"].pin_names[n] for n in joined
    }


@pytest.mark.parametrize(
    ("name", "plain"),
    [("/cpu/~{IRQ}", "IRQ"), ("~IRQ~", "IRQ"), ("R{slash}~{W}", "R/W"), ("/A15", "A15"), ("Net-(U1-Pad3)",) * 2],
)  # fmt: skip
def test_plain_names(name, plain):
    assert plain_name(name) == plain


def test_lines_by_their_names():
    nets = ["/cpu/A0", "A[1]", "MEM.A2", "/MEM.D3", "D3", "R{slash}~{W}", "~{IRQ}", "/cpu/nNMI", "RESB", "Φ2", "BANK0"]
    sheet = Sheet()
    for number, net in enumerate(nets):
        sheet.part(f"U{number}", "", "X", {"1": net}, {})
    found = bus_lines(read_netlist(sheet.text(), "x"), ["bank0"])
    assert found == {
        "A0": "/cpu/A0", "A1": "A[1]", "A2": "MEM.A2", "D3": "D3", "RW": "R{slash}~{W}", "IRQ": "~{IRQ}",
        "NMI": "/cpu/nNMI", "RESET": "RESB", "PHI2": "Φ2", "bank0": "BANK0",
    }  # fmt: skip


LIES = [
    ("", "no list", 1),
    ("hello", "stands outside of all brackets", 1),
    ("(board)", "is no netlist", 1),
    ('(export (version "F"))', "Version 'F'", 1),
    ('(export\n(version "E"))', "no list 'components'", 1),
    ("(export", "is not closed", 1),
    ('(export\n"open', "no closing quote", 2),
    ("(export))", "A bracket is closed that was not opened", 1),
    ("(export) (export)", "Something follows", 1),
    ("(" * (MAX_DEPTH + 1), "nest deeper", 1),
    (SMALL.replace('(ref "U1")', "", 1), "has no 'ref'", 6),
    (SMALL.replace('(node (ref "U1")', '(node (ref "U9")', 1), "no part is called so", None),
    (SMALL.replace('(pin "1")', ""), "has no 'pin'", None),
    (SMALL.replace('(pin "2")', '(pin "1")'), "is at two nets", None),
    (SMALL.replace('(name "/cpu/A1")', '(name "A0")'), "Two nets are called", None),
    (SMALL.replace("  (components\n", '  (components\n    (comp (ref "U1"))\n'), "Two parts are called", 7),
]


@pytest.mark.parametrize(("text", "message", "line"), LIES, ids=[message for _, message, _ in LIES])
def test_a_lie_is_one_message_with_its_line(text, message, line):
    with pytest.raises(SimkitError, match=re.escape(message)) as caught:
        read_netlist(text, "card.net")
    assert caught.value.file == "card.net"
    assert caught.value.remedy
    assert caught.value.line == line if line is not None else caught.value.line > 10


@settings(max_examples=examples(200), deadline=None)
@given(st.integers(0, 2**32))
def test_spoiled_netlists_are_read_or_refused(seed):
    rng = random.Random(seed)
    text = cards.CARDS[rng.choice(list(cards.CARDS))][1]().text(rng.choice("DE"))
    for _ in range(rng.randint(1, 4)):
        at, length = rng.randrange(len(text)), rng.choice((1, 1, 5, 60, 2_000))
        other = rng.choice(("", "(", ")", '"', "\\", " ", "\n", text[: rng.randint(0, 500)], "(node (ref U1) (pin 1))"))
        text = text[:at] + other + text[at + (length if rng.random() < 0.7 else 0) :]
    refused = None
    try:
        read_netlist(text, "card.net")
    except SimkitError as error:
        refused = error
    assert refused is None or (refused.line is not None and refused.remedy)
