"""Wiring in a machine file: keys and sentences, what variants add and take away, and what is wrong with them."""

import pytest

from simkit import Machine
from simkit.backplane.sentences import read_sentence
from simkit.backplane.wiring import Wiring
from simkit.contract.errors import SimkitError
from simkit.machinefile.read import read_description
from tests.backplane.wired import ROM, STORE, image, variant


def test_a_variant_takes_wires_away(tmp_path):
    for taken in ("lines = {}", 'lines = { INT = "open" }'):
        found = read_description(variant(tmp_path, f"[[card]]\nslot = 4\n{taken}\n"))
        card = next(card for card in found.cards if card.slot == 4)
        assert card.lines == {}
        m = Machine.load(tmp_path / "machine.toml")
        assert m.bus.seats[3].connector.pins["INT"].line is None


def test_keys_and_sentences_wire_the_same(tmp_path):
    keys = variant(tmp_path, '[[card]]\nslot = 1\nwires = { A0 = "GND", A1 = "VCC", D3 = "open", D4 = "not D4" }\n')
    m = Machine.load(keys, images={ROM: image(STORE.format(0xA5))})
    sentences = ["slot 1: pin A0 stuck low", "slot 1: pin A1 stuck high", "slot 1: D3 open", "slot 1: pin D4 inverted"]
    n = Machine.load("demo:bench", images={ROM: image(STORE.format(0xA5))}, wiring=sentences)
    for machine in (m, n):
        machine.run(cycles=300)
    assert (m.cpu.a, m.peek(0, 64)) == (n.cpu.a, n.peek(0, 64))


def test_sentences_stand_in_the_file_with_the_card_or_the_backplane(tmp_path):
    path = variant(
        tmp_path,
        '[backplane]\nwiring = ["A5 shorted to A6", "slot 2: D1 open", "CPU: GND open"]\n'
        '[[card]]\nslot = 2\nwiring = ["D3 stuck low"]\n',
    )
    found = read_description(path)
    assert found.wiring.sentences() == ["A5 shorted to A6", "CPU: GND open"]
    said = next(card for card in found.cards if card.slot == 2).wiring.sentences()
    assert said[-2:] == ["slot 2: pin D3 low", "slot 2: pin D1 open"]


def test_a_variant_adds_sentences_and_resistors_and_an_empty_list_or_table_takes_them_away(tmp_path):
    """As keys of `wires` and `lines` count beside those of the base, and an empty table takes them away."""
    first = variant(
        tmp_path,
        '[backplane]\nwiring = ["A5 shorted to A6"]\n[backplane.pulls]\nD7 = "up"\nD0 = "down"\n'
        '[[card]]\nslot = 2\nwiring = ["D3 stuck low"]\n',
    )
    (tmp_path / "more").mkdir()
    second = tmp_path / "more" / "machine.toml"

    def said(text):
        second.write_text(f'base = "{first.as_posix()}"\n{text}')
        found = read_description(second)
        card = next(card for card in found.cards if card.slot == 2)
        return found.wiring.sentences(), [text for text in card.wiring.sentences() if "D" in text.split(":")[1]]

    assert said("") == (["D7 pulled up", "D0 pulled down", "A5 shorted to A6"], ["slot 2: pin D3 low"])
    more = (
        '[backplane]\nwiring = ["A9 open"]\n[backplane.pulls]\nD7 = "none"\n[[card]]\nslot = 2\nwiring = ["D1 open"]\n'
    )
    assert said(more) == (
        ["D7 not pulled", "D0 pulled down", "A5 shorted to A6", "A9 open"],
        ["slot 2: pin D3 low", "slot 2: pin D1 open"],
    )
    assert said("[backplane]\nwiring = []\npulls = {}\n[[card]]\nslot = 2\nwiring = []\n") == ([], [])
    wrong = '[backplane]\nwiring = [\n"A9 open",\n"A99 low"]\n[[card]]\nslot = 2\nwiring = [\n"D9 low"]\n'
    with pytest.raises(SimkitError) as refused:
        said(wrong)
    assert "more/machine.toml:5" in str(refused.value)
    assert "more/machine.toml:9" in str(refused.value)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[backplane]\nwiring = ["A5 shorted to A6",\n "IRQX low"]\n', ("machine.toml:4", "no line 'IRQX'", "'IRQ'")),
        ('[backplane]\nwiring = ["slot 9: D3 low"]\n', ("machine.toml:3", "no card in slot 9", "1, 2, 3, 4, 5")),
        ('[backplane]\nwiring = "D3 low"\n', ("machine.toml:3", "no list of sentences")),
        ('[[card]]\nslot = 4\nwiring = ["CA3 open"]\n', ("machine.toml:4", "no pin 'CA3'", "CA")),
        ('[[card]]\nslot = 4\nwiring = ["A4 low",\n"slot 3: D3 low"]\n', ("machine.toml:5", "card of slot 4")),
        ('[[card]]\nslot = 4\nwiring = ["pin A4 low"]\n', ("machine.toml:4", "no pin 'A4'")),
        ('[backplane.pulls]\nD9 = "up"\n', ("machine.toml:3", "'D9' is no line")),
        ('[backplane.pulls]\nIRQ = "high"\n', ("machine.toml:3", "no way to pull", "up, down, none")),
    ],
)
def test_an_error_in_wiring_names_its_line_and_what_to_do(tmp_path, text, words):
    with pytest.raises(SimkitError) as refused:
        read_description(variant(tmp_path, text))
    told = f"{refused.value}"
    assert all(word in told for word in words), told


def test_a_supply_pin_that_is_not_joined_is_told_before_the_first_cycle():
    m = Machine.load("demo:bench", wiring=["CPU: GND open", "slot 4: VCC reversed"])
    assert [(one.rule, one.slot) for one in m.warnings] == [("supply-not-joined", None), ("supply-not-joined", 4)]
    assert "the CPU: the supply pin GND is open" in m.warnings[0].message


@pytest.mark.parametrize("wiring", ["slot 1: PHI2 open", "slot 1: PHI2 stuck high", "PHI2 inverted"])
def test_a_strobe_that_wiring_opens_while_phi2_is_low_is_told(wiring):
    warnings = Machine.load("demo:bench", wiring=[wiring]).warnings
    assert ("strobe-without-phi2", 1) in [(one.rule, one.slot) for one in warnings]


def test_the_wiring_of_a_whole_machine_is_said_and_read_back():
    description = read_description("demo:marlpit")
    said = Wiring(tuple(read_sentence(text) for text in description.sentences()))
    assert said == Wiring(tuple(entry for card in description.cards for entry in card.wiring.entries))


def test_wiring_is_part_of_what_a_machine_is():
    one, other = (Machine.load("demo:bench", wiring=wiring) for wiring in ((), ["slot 2: D3 open"]))
    assert one.fingerprint.other_parts(other.fingerprint) == ["slot 2"]
    third = Machine.load("demo:bench", wiring=["A5 open"])
    assert one.fingerprint.other_parts(third.fingerprint) == ["wiring"]
