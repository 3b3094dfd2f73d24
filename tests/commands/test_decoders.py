"""`simkit cards --machine` of cards with decoders by their parts: switches, programmed parts, other selects."""

import json

import pytest

from simkit import Machine
from simkit.address_map.standing import standing
from simkit.machinefile.shipped import shipped_folder

ROOT = shipped_folder()


def test_a_card_tells_how_its_switches_stand(simkit):
    code, out, _ = simkit("cards", "--machine", "demo:decoders", "3")
    assert code == 0
    assert "decoder      select: U3.Y0 is low\n" in out
    assert "U1 (74HC688): Q7..Q0 = 0 1 1 1 1 1 1 1; closed (to ground): Q7; open: Q6, Q5" in out
    (card,) = json.loads(simkit("cards", "--machine", "demo:decoders", "3", "--json")[1])["cards"]
    assert [part["part"] for part in card["decode"]["parts"]] == ["74HC688", "74HC138", "74HC138"]


def test_a_programmed_part_is_told_in_words(simkit):
    _, out, _ = simkit("cards", "--machine", "demo:decoders", "2")
    assert "U1.18: low when A15, else high\n" in out


def test_switches_for_another_select(simkit):
    asked = ("cards", "--machine", "demo:decoders", "3", "--switches", "0110 0000 0001 000x")
    code, out, _ = simkit(*asked)
    assert (code, out) == (
        0,
        "U1 (74HC688): Q7..Q0 = 0 1 1 0 0 0 0 0; closed (to ground): Q7, Q4, Q3, Q2, Q1, Q0; open: Q6, Q5\n",
    )
    rows = json.loads(simkit(*asked, "--json")[1])["switches"]
    assert [one["is_high"] for one in rows["U1"]] == [False, True, True, False, False, False, False, False]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("3", "--machine", "demo:decoders", "--switches", "0110 0000 0001 xxxx"), "makes 0110 0000 0001 000x, not"),
        (("3", "--machine", "demo:decoders", "--switches", "0110"), "has 4 bits, not 16"),
        (("2", "--machine", "demo:decoders", "--switches", "1xxx xxxx xxxx xxxx"), "has no comparator with switches"),
        (
            ("2", "--machine", "demo:marlpit", "--switches", "1xxx xxxx xxxx xxxx"),
            "names no parts that make the select",
        ),
        (("--machine", "demo:decoders", "--switches", "1xxx xxxx xxxx xxxx"), "asks of one card"),
        (("sram", "--switches", "1xxx xxxx xxxx xxxx"), "asks of a card in a machine"),
    ],
)
def test_what_cannot_be_asked_is_told(simkit, words, says):
    code, out, err = simkit("cards", *words)
    assert (code, out) == (2, "")
    assert says in err


def test_a_fuse_map_beside_a_select_is_compared_by_every_command(simkit, tmp_path):
    """Where it makes another select the machine is refused: nobody knows which of the two the board has."""
    fuses = ROOT / "demo" / "decoders" / "decoder.jed"
    assert f"{fuses}: 2 selects and strobes of slots 1, 2 agree." in standing(Machine.load("demo:decoders")).lines()
    path = tmp_path / "machine.toml"
    base = (ROOT / "demo" / "decoders").as_posix()
    path.write_text(f'base = "{base}"\n[[card]]\nslot = 2\nselect = "11xx xxxx xxxx xxxx"\n')
    for command in (("map", str(path)), ("check", str(path)), ("show", str(path), "--at", "0c")):
        code, _, err = simkit(*command)
        assert code == 2, err
        assert "U1.18 low is true at $8000-$BFFF and select is not" in err
        assert f"{base}/machine.toml:" in err
        assert f"select stands in {path}:4." in err
