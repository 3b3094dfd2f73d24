"""Lists tell one line each, and more by name; of a card in a machine what that machine has."""

import json

import pytest

from simkit import Machine
from simkit.check.rules.catalogue import RULES
from simkit.commands.cards import summary
from simkit.commands.demo import shipped_demos
from simkit.contract.errors import SimkitError
from simkit.machinefile import catalogue
from simkit.machinefile.read import read_description
from simkit.machinefile.shipped import shipped_folder

WIDEST = 140


@pytest.mark.parametrize(
    ("command", "names"),
    [
        ("cards", lambda: list(catalogue.entries())),
        ("explain", lambda: list(RULES)),
        ("demo", lambda: [f"demo:{demo.name}" for demo in shipped_demos()]),
    ],
)
def test_a_list_has_one_line_for_each(command, names, simkit):
    code, out, _ = simkit(command)
    lines = out.splitlines()
    assert code == 0
    rows = [line for line in lines if "  " in line]
    assert [row.split()[0] for row in rows] == sorted(names())
    assert all(len(line) < WIDEST and not line.endswith((" ", "…")) for line in lines)
    assert all(len(row.split()) > 1 for row in rows)


def test_every_demo_says_what_it_is_and_more_by_name(simkit):
    for demo in shipped_demos():
        assert demo.about, demo.name
        assert read_description(demo.path).about == demo.about
    code, out, _ = simkit("demo", "monitor")
    lines = out.splitlines()
    assert code == 0
    told = "\n".join(lines)
    assert "serial-6551  0111 1111 0101 00xx" in told
    assert "Its ROM is a small" in told
    assert "simkit run demo:monitor" in told
    assert json.loads(simkit("demo", "demo:monitor", "--json")[1])["cards"][2]["kind"] == "serial-6551"
    code, _, err = simkit("demo", "monitr")
    assert code == 2
    assert "'monitor'" in err


def test_a_card_in_a_machine_is_told_as_that_machine_has_it(simkit):
    """Marlpit's pads answer at $7F22 and $7F23; a board as it comes has other outputs."""
    code, out, _ = simkit("cards", "--machine", "demo:marlpit", "4", "--set", "4.port_1=3", "--set", "4.port_2=0")
    lines = out.splitlines()
    assert code == 0
    told = "\n".join(lines)
    assert lines[0] == "slot 4"
    assert "port_1 = 3 (0 to 15) (not " in told
    assert "$7F23 r  port_1" in told
    assert "$7F20 r  port_2" in told
    (card,) = json.loads(simkit("cards", "serial-pads", "--machine", "demo:marlpit", "--json")[1])["cards"]
    assert [(one["name"], one["addresses"]) for one in card["registers"]] == [
        ("port_1", [0x7F22]),
        ("port_2", [0x7F23]),
    ]
    assert next(one for one in card["settings"] if one["name"] == "port_1")["value"] == 2


def test_the_bits_of_a_miswired_machine_are_those_that_it_has(simkit):
    """Findings about registers send people here: the board as it comes would tell the wrong bit."""
    there = simkit("cards", "--machine", "demo:wrong-wiring/status-bit-moved", "keyboard")[1]
    bare = simkit("cards", "keyboard")[1]
    assert "7 ready" in there
    assert "0 ready" in bare
    assert "simkit cards --machine MACHINE SLOT" in RULES["open-bit-tested"].do
    assert "simkit map MACHINE" in RULES["constant-differs"].do
    assert "7 ready" in simkit("map", "demo:wrong-wiring/status-bit-moved")[1]


def test_bits_that_wires_lead_elsewhere_are_told_where_the_cpu_sees_them(simkit, tmp_path):
    (tmp_path / "m.toml").write_text(
        f'base = "{shipped_folder().as_posix()}/demo/marlpit/machine.toml"\nname = "Crossed"\n'
        '[[card]]\nslot = 3\nwires = { D0 = "D5", D5 = "D0" }\n'
    )
    assert "5 ready" in simkit("cards", "--machine", tmp_path / "m.toml", "3")[1]


def test_the_cards_of_a_machine_are_listed_with_their_addresses(simkit):
    lines = simkit("cards", "--machine", "demo:marlpit")[1].splitlines()
    assert lines[:4] == [
        "slot 1   sram         $0000-$7EFF",
        "slot 2   rom          $8000-$FFFF",
        "slot 3   keyboard     $7F10-$7F11",
        "slot 4   serial-pads  $7F20-$7F23",
    ]


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("--machine", "demo:marlpit", "9"), "Marlpit has no card '9'."),
        (("--machine", "demo:marlpit", "keybord"), "keyboard"),
        (("--machine", "demo:marlpit", "--test", "rom"), "--test tries a card in no machine."),
        (("--set", "4.port_1=3"), "--set is said of a card in a machine."),
        (("--machine", "nowhere"), "There is no machine at nowhere."),
    ],
)
def test_what_cannot_be_told_is_one_message(words, message, simkit):
    code, out, err = simkit("cards", *words)
    lines = out.splitlines()
    assert (code, lines) == (2, [])
    assert message in err


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("A card.", "A card"),
        ("A card: with much more than fits into the line.", "A card"),
        ("Row of lamps. Each has a bit.", "Row of lamps"),
        ("abcdefghij klmnopqrst uvwxyz abcdefg", "abcdefghij klmnopqrst…"),
    ],
)
def test_the_beginning_of_a_text_ends_where_a_thought_does(text, shown):
    assert summary(text, 24) == shown


def test_what_a_base_says_of_itself_is_not_said_of_the_variant(tmp_path):
    (tmp_path / "machine.toml").write_text('base = "demo:marlpit"\nname = "Mine"\n'.replace("demo:marlpit", _marlpit()))
    assert Machine.load(tmp_path).description.about == ""
    (tmp_path / "machine.toml").write_text(f'base = "{_marlpit()}"\nabout = "mine, with a lamp"\n')
    mine = Machine.load(tmp_path)
    assert mine.description.about == "mine, with a lamp"
    assert mine.identity == Machine.load("demo:marlpit").identity


@pytest.mark.parametrize("value", ['"two\\nlines"', f'"{"x" * 101}"', "3"])
def test_an_about_that_says_too_much_is_refused_at_its_line(value, tmp_path):
    (tmp_path / "machine.toml").write_text(f'base = "{_marlpit()}"\nabout = {value}\n')
    with pytest.raises(SimkitError, match=r"machine\.toml:2"):
        read_description(tmp_path)


def _marlpit():
    return next(demo.path for demo in shipped_demos() if demo.name == "marlpit").as_posix()
