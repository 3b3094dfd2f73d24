"""A sentence that is about a setting, or about the part in the socket, is refused with the words that say it."""

from __future__ import annotations

import re

import pytest

from simkit import Machine
from simkit.contract.errors import SimkitError


def remedy(machine, said):
    with pytest.raises(SimkitError) as refused:
        Machine.load(f"demo:{machine}", wiring=[said])
    return refused.value.remedy or ""


@pytest.mark.parametrize(
    ("machine", "said"),
    [
        ("bench", "slot 3: W65C51N in the socket"),
        ("bench", "slot 2: 28C256 fitted"),
        ("monitor", "slot 5: 74HC573 instead"),
    ],
)
def test_a_value_that_a_setting_takes_leads_to_the_words_that_set_it(machine, said):
    found = re.search(r"--set (\d)\.(\w+)=([\w-]+)`", remedy(machine, said))
    assert found is not None
    slot, name, value = found.groups()
    loaded = Machine.load(f"demo:{machine}", settings={int(slot): {name: value}})
    settings = next(card.settings for card in loaded.description.cards if card.slot == int(slot))
    assert getattr(settings, name) == value


@pytest.mark.parametrize(
    ("machine", "said", "words"),
    [
        ("bench", "slot 3: crystal is the wrong one", "--set 3.crystal_hz="),
        ("pad-test", "slot 4: latch and clock swapped", "--set 4.latch="),
        ("marlpit", "CPU: 6502", 'cpu = "6502"'),
        ("bench", "CPU: W65C02S in the socket", 'cpu = "65C02"'),
        ("marlpit", "BE tied low", '"CPU: BE low"'),
    ],
)
def test_what_is_no_wire_is_refused_with_where_it_is_said(machine, said, words):
    assert words in remedy(machine, said)


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ("slot 5: RESET pulled down", "Leave the slot out"),
        ("slot 2: D7 pin opened", "'open'"),
        ("slot 4: RS4 low", "'RS3'"),
        ("slot 9: W65C51N fitted", "Did you mean"),
    ],
)
def test_what_is_said_of_a_wire_keeps_the_remedy_for_wires(said, words):
    assert words in remedy("bench", said)


def test_a_number_in_a_sentence_is_not_taken_for_that_of_a_setting():
    assert "port_1" not in remedy("pad-test", "slot 4: data line of pad 1 shorted to ground")


@pytest.mark.parametrize(
    "said",
    [
        "slot 4: latch = carry-inverted",
        "slot 4: latch is carry-inverted",
        "slot 4: latch carry-inverted",
        "slot 4, setting latch carry-inverted",
        "slot 4: jumper latch carry-inverted",
    ],
)
def test_a_fault_that_names_a_setting_and_a_value_is_refused_with_the_sentence_that_sets_it(said):
    with pytest.raises(SimkitError) as refused:
        Machine.load("demo:pad-test", faults=[said])
    assert refused.value.remedy == "Write: slot 4: setting latch = carry-inverted"
    loaded = Machine.load("demo:pad-test", faults=[refused.value.remedy.removeprefix("Write: ")])
    assert loaded.card(4).settings.latch == "carry-inverted"


@pytest.mark.parametrize(
    "said", ["slot 4: nothing = carry-inverted", "slot 9: latch = carry-inverted", "slot 4: D3 = -"]
)
def test_what_is_no_setting_of_that_card_is_not_told_to_be_one(said):
    with pytest.raises(SimkitError) as refused:
        Machine.load("demo:pad-test", faults=[said])
    assert "setting" not in refused.value.remedy
