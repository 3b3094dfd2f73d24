"""Sentences about wiring: each entry has one, which is read back, and what nobody could mean is refused in words."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simkit.backplane.sentences import read_sentence
from simkit.backplane.wiring import CPU, OUTPUTS, Done, Entry, Transceiver, Wiring
from simkit.contract.errors import SimkitError

ADDRESSES, DATA = [f"A{n}" for n in range(16)], [f"D{n}" for n in range(8)]
DECODED = [*ADDRESSES, "RW", "PHI2"]
SYSTEM = ["IRQ", "NMI", "RESET", "RDY", "SO"]
PINS = ["INT", "CA1", "PB7", "L0"]
PLACES = st.sampled_from([None, 1, 4, 99])
WRITTEN = ["A15 and not (A14 or BANK0)", "RW", "not RW and PHI2", "not 0110 xxxx xxxx xxxx or A4"]
ONE = (Done.OPEN, Done.LOW, Done.HIGH, Done.INVERTED)


@st.composite
def entries(draw):
    """Everything that can be said, in its place."""
    slot = draw(PLACES)
    others = ["supply", "pull", "strobe", "gated", "cpu", "row", "driven", "transceiver", "stage"]
    kind = draw(st.sampled_from([DECODED, DATA, SYSTEM, PINS, *others]))
    if kind == "stage":
        name = draw(st.sampled_from(["INT", "IRQ", "RTS"]))
        return Entry(draw(st.sampled_from(OUTPUTS)), name, "", slot or 4, at_pin=True)
    if kind == "transceiver":
        return Entry(Done.TRANSCEIVER, "", draw(st.sampled_from(Transceiver)).value, slot or 4)
    if kind == "driven":
        names = ["IOSEL", "Y6"] if slot is None else ["CS1", "CS2B", "WE", "A3"]
        return Entry(
            Done.DRIVEN, draw(st.sampled_from(names)), draw(st.sampled_from(WRITTEN)), slot, at_pin=slot is not None
        )
    if kind == "row":
        row, most = draw(st.sampled_from([("A", 15), ("D", 7)]))
        first, last = sorted(draw(st.lists(st.integers(0, most), min_size=2, max_size=2, unique=True)))
        at_pin = slot is not None and (row == "D" or draw(st.booleans()))
        done = draw(st.sampled_from([Done.REVERSED, Done.LATE])) if row == "D" else Done.REVERSED
        return Entry(done, f"{row}{first}", f"{row}{last}", slot, at_pin)
    if kind == "cpu":
        return Entry(
            draw(st.sampled_from(ONE)), draw(st.sampled_from(["VPB", "BE", "SYNC", "36", "PHI2"])), "", CPU, at_pin=True
        )
    if kind == "pull":
        pull = st.sampled_from([Done.PULLED_UP, Done.PULLED_DOWN, Done.NOT_PULLED])
        return Entry(draw(pull), draw(st.sampled_from([*DECODED, *DATA, *SYSTEM, "BANK0"])))
    if kind == "supply":
        name = draw(st.sampled_from(["GND", "VSS", "VCC", "VDD"]))
        return Entry(draw(st.sampled_from([Done.OPEN, Done.REVERSED])), name, "", slot or CPU, at_pin=True)
    if kind == "gated":
        return Entry(draw(st.sampled_from([Done.READY_GATED, Done.REMOVED, Done.UNPOWERED])), slot=slot or 4)
    if kind == "strobe":
        done = draw(st.sampled_from([Done.SELECTED, Done.NOT_SELECTED, Done.OUTPUT_ENABLE, Done.WRITE_ENABLE]))
        written = [*WRITTEN, "GND"]
        if done in (Done.SELECTED, Done.NOT_SELECTED):
            written.append("0111 1111 0010 00xx")
        return Entry(done, "", draw(st.sampled_from(written)), slot or 4)
    name, other = draw(st.lists(st.sampled_from(kind), min_size=2, max_size=2, unique=True))
    at_pin = slot is not None and (kind in (DATA, PINS) or (kind is DECODED and draw(st.booleans())))
    done = draw(st.sampled_from([*ONE, Done.SHORTED, Done.EXCHANGED, Done.JOINED, Done.LATE]))
    if done is Done.LATE and kind is not DATA:
        done = Done.OPEN
    if (done is Done.JOINED and slot is None) or (
        kind is PINS and slot is None and done in (Done.EXCHANGED, Done.INVERTED)
    ):
        done = Done.SHORTED
    if done is Done.JOINED and kind in (DECODED, DATA) and draw(st.booleans()):
        other = f"not {other}"
    return Entry(done, name, other if done in (Done.SHORTED, Done.EXCHANGED, Done.JOINED) else "", slot, at_pin)


@given(st.lists(entries(), max_size=8))
@settings(max_examples=150, deadline=None)
def test_every_wiring_is_said_in_sentences_and_read_back(said):
    wiring = Wiring(tuple(said))
    assert Wiring(tuple(read_sentence(text) for text in wiring.sentences())) == wiring
    for entry in said:
        if entry.slot:
            assert read_sentence(entry.here(), entry.slot) == entry


@pytest.mark.parametrize(
    ("text", "same"),
    [
        ("slot 4: data line 3 stuck low", "slot 4: pin D3 low"),
        ("Slot 4 : D3 is held high.", "slot 4: pin D3 high"),
        ("slot 2: pin A14 shorted to GND", "slot 2: pin A14 low"),
        ("slot 2: address line 14 not connected", "slot 2: line A14 open"),
        ("slot 3: CA1 tied to VCC", "slot 3: pin CA1 high"),
        ("slot 3: INT joined to IRQ", "slot 3: pin INT joined to IRQ"),
        ("a5 bridged with a6", "A5 shorted to A6"),
        ("data line 3 swapped with D4", "D3 exchanged with D4"),
        ("CPU: A5 open", "A5 open"),
        ("cpu: vss not connected", "CPU: VSS open"),
        ("slot 4: D3 driven late", "slot 4: pin D3 late"),
        ("slot 4: select 0111 1111 0010 00xx", "slot 4: selected by 0111 1111 0010 00xx"),
    ],
)
def test_what_people_say_is_understood(text, same):
    assert str(read_sentence(text)) == same


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("slot 4: D3 stuck lo", "Did you mean 'stuck low'?"),
        ("slot 4: D3 shorten to D4", "Did you mean 'shorted to'?"),
        ("slot 4: D3", "nothing is said of D3"),
        ("slot 0: D3 low", "there is no slot 0"),
        ("slot 100: D3 low", "there is no slot 100"),
        ("A16 low", "the bus has no line A16"),
        ("A5 shorted to D3", "of different kinds"),
        ("A5 shorted to A5", "stands on both sides"),
        ("A5 late", "only data lines are driven late"),
        ("GND open", "of which chip"),
        ("slot 4: GND low", "a supply pin is open or reversed"),
        ("slot 4: A5 pulled up", "Leave the slot out"),
        ("A5 joined to A6", 'Write "exchanged with"'),
        ("selected by A15", 'Begin with "slot N:"'),
        ("slot 4: selected by A15 andnot A14", "is not expected there"),
        ("slot 4: line 5 low", "5 is the name of no line"),
        ("", "says nothing of a line or pin"),
        ("x" * 501, "500 are allowed"),
    ],
)
def test_what_cannot_be_said_is_refused_in_words(text, words):
    with pytest.raises(SimkitError) as refused:
        read_sentence(text)
    assert words in f"{refused.value.message} {refused.value.remedy}"


@given(st.text(alphabet="slot4: ADpinVCGNRWto0135not()xhrewdlucy", max_size=40))
@settings(max_examples=150, deadline=None)
def test_any_text_is_read_or_refused(text):
    try:
        entry = read_sentence(text)
    except SimkitError:
        return
    assert read_sentence(str(entry)) == entry
