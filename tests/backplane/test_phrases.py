"""Sentences as people say them, and what the grammar makes of them."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simkit.backplane.phrases import in_plain_words
from simkit.backplane.sentences import read_sentence
from simkit.contract.errors import SimkitError


@pytest.mark.parametrize(
    ("text", "same"),
    [
        ("slot 3: pins A0 and A1 swapped", "slot 3: pin A0 exchanged with A1"),
        ("slot 2: data lines 3 and 4 are crossed", "slot 2: pin D3 exchanged with D4"),
        ("slot 2: D3 <-> D4", "slot 2: pin D3 exchanged with D4"),
        ("A5, A6 shorted together", "A5 shorted to A6"),
        ("strobe and so shorted", "STROBE shorted to SO"),
        ("Slot 4, D3 always 0", "slot 4: pin D3 low"),
        ("slot 4 D3 stuck at 1", "slot 4: pin D3 high"),
        ("slot 2 (rom): pin A14 floating", "slot 2: pin A14 open"),
        ("slot 2: A14 not wired", "slot 2: line A14 open"),
        ("slot 2: pin A14 to ground", "slot 2: pin A14 low"),
        ("slot 4: PA0 grounded", "slot 4: pin PA0 low"),
        ("slot 4: ground open", "slot 4: pin GND open"),
        ("no pull-up on IRQ", "IRQ not pulled"),
        ("IRQ pullup missing", "IRQ not pulled"),
        ("NMI without a resistor", "NMI not pulled"),
        ("slot 4: R/W inverted", "slot 4: line RW inverted"),
        ("slot 4: PHI2 exchanged with PHI1", "slot 4: line PHI2 inverted"),
        ("slot 1: /WE tied low", "slot 1: pin WE low"),
        ("slot 1: chip enable tied low", "slot 1: pin CE low"),
        ("slot 1: write enable inverted", "slot 1: pin WE inverted"),
        ("slot 1: never selected", "slot 1: selected by never"),
        ("slot 5: data bus reversed", "slot 5: pins D0 to D7 reversed"),
        ("slot 5: D0..D7 reversed", "slot 5: pins D0 to D7 reversed"),
        ("D0-7 are reversed", "D0 to D7 reversed"),
        ("slot 4: RS0 to RS3 reversed", "slot 4: pins A0 to A3 reversed"),
        ("slot 6: DATA open", "slot 6: pin DATA open"),
        ("slot 6: DATA exchanged with CLOCK", "slot 6: pin DATA exchanged with CLOCK"),
        ("slot 6: CLOCK and DATA swapped", "slot 6: pin CLOCK exchanged with DATA"),
        ("slot 4: control line RW inverted", "slot 4: line RW inverted"),
        ("slot 2: pin A0 on A1", "slot 2: pin A0 joined to A1"),
        ("slot 2: D7 pin bent", "slot 2: pin D7 open"),
        ("slot 2: the A14 pin is not connected", "slot 2: pin A14 open"),
        ("slot 4: PB3 bent up", "slot 4: pin PB3 open"),
        ("RESET line stuck low", "RESET low"),
        ("slot 1: A13 not soldered", "slot 1: line A13 open"),
        ("cold joint on A5", "A5 open"),
        ("broken trace on IRQ", "IRQ open"),
        ("slot 4: no wire to RES", "slot 4: pin RES open"),
        ("solder bridge between D3 and D4", "D3 shorted to D4"),
        ("a short from A5 to A6", "A5 shorted to A6"),
        ("slot 4: PB0 touching PB1", "slot 4: pin PB0 shorted to PB1"),
        ("slot 6: enable not gated with PHI2", "slot 6: write enable not RW"),
        ("slot 6: write strobe without PHI2", "slot 6: write enable not RW"),
        ("slot 5: output enable without R/W", "slot 5: output enable PHI2"),
    ],
)
def test_what_is_said_otherwise_means_the_same(text, same):
    assert str(read_sentence(text)) == same
    assert str(read_sentence(same)) == same


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("slot 1: output enable tied low", '"OE tied low"'),
        ("slot 1: write enable not gated", "does not say when that is true"),
        ("slot 4: PHI2 joined to PHI0", "knows whole cycles"),
    ],
)
def test_what_could_be_taken_for_something_else_is_refused(text, words):
    with pytest.raises(SimkitError) as refused:
        read_sentence(text)
    assert words in f"{refused.value.message} {refused.value.remedy}"


@settings(max_examples=60)
@given(st.text(alphabet="slot4: A0D7and,/<->~ swappedreversedto..-noulch", max_size=60))
def test_plain_words_stay_as_they_are(text):
    plain = in_plain_words(text)
    assert in_plain_words(plain) == plain
