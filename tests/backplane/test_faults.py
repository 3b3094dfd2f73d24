"""Sentences of faults: each is read back as the fault that it says; what people say otherwise; what is refused."""

import re
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simkit.backplane.fault_kinds import KINDS
from simkit.backplane.fault_sentences import read_fault
from simkit.backplane.fault_times import ALWAYS, Presence, Span, When
from simkit.backplane.faults import Cell, Clock, Fault, Lingering, Pulse, Set, WriteEnd, bare_value
from simkit.backplane.wiring import Done, Entry
from simkit.contract.errors import SimkitError
from tests.backplane.test_sentences import entries

SLOTS = st.integers(1, 99)
TEXTS = st.text(st.characters(codec="ascii", exclude_categories=["Cc"], exclude_characters="'\""), max_size=20)
VALUES = st.one_of(st.booleans(), st.integers(-999, 10**6), st.floats(0, 999).map(lambda x: round(x, 3)), TEXTS)
CELLS = st.one_of(
    st.builds(
        Cell,
        SLOTS,
        st.integers(0, 0xFFFF),
        st.booleans(),
        st.integers(0, 7),
        st.sampled_from([Done.LOW, Done.HIGH, Done.INVERTED]),
    ),
    st.builds(Cell, SLOTS, st.integers(0, 0xFFFF), st.booleans(), st.none(), st.integers(0, 255)),
)
WHATS = st.one_of(
    entries(),
    st.builds(Set, SLOTS, st.from_regex(r"[a-z][a-z0-9_]{0,9}", fullmatch=True), VALUES),
    CELLS,
    st.builds(WriteEnd, SLOTS, st.sampled_from(Lingering)),
    st.builds(Clock, st.sampled_from(Pulse), st.one_of(st.none(), SLOTS)),
    st.builds(Entry, st.sampled_from([Done.REMOVED, Done.UNPOWERED]), slot=SLOTS),
    st.just(Entry(Done.LATE, "D0", "D7", 4, at_pin=True)),
)
CYCLES = st.integers(1, 10**9).map(lambda number: Span(Fraction(number)))
SECONDS = st.integers(1, 10**9).map(lambda number: Span(Fraction(number, 10**6), seconds=True))
SPANS = st.one_of(CYCLES, SECONDS)


@st.composite
def times(draw):
    if draw(st.booleans()):
        return ALWAYS
    rate = draw(st.one_of(st.none(), st.integers(1, 10**6).map(lambda n: Fraction(1, n + 1)), st.just(Fraction(3, 7))))
    spell = draw(SPANS) if rate is not None and draw(st.booleans()) else Span(Fraction(1))
    first, until = draw(st.one_of(st.none(), SPANS)), draw(st.one_of(st.none(), SPANS))
    if first is not None and until is not None and first.seconds == until.seconds:
        first, until = sorted((first, until), key=lambda one: one.number)
        until = Span(until.number + 1, until.seconds)
    return When(rate, spell, first, until)


LIKE_TIMES = (".", ":.", "a;", "sometimes", "b sometimes", "until 5c", "1 in 100", "x, from 2s", "two  spaces", "a ")


@pytest.mark.parametrize("value", LIKE_TIMES)
def test_a_setting_that_looks_like_a_time_or_an_end_is_quoted_and_read_back(value):
    fault = Fault(Set(1, "name", value), When(Fraction(1, 100), Span(Fraction(1)), None, None))
    assert read_fault(str(fault)) == fault
    assert read_fault(str(Fault(Set(1, "name", value)))) == Fault(Set(1, "name", value))


@given(WHATS, times())
@settings(max_examples=200, deadline=None)
def test_a_fault_is_a_sentence_that_reads_back_to_the_same_fault(what, when):
    fault = Fault(what, when)
    assert read_fault(str(fault)) == fault


@pytest.mark.parametrize(
    ("text", "same"),
    [
        ("slot 4: D3 sometimes open", "slot 4: pin D3 open, 1 in 100"),
        ("slot 4: D3 intermittent", "slot 4: pin D3 open, 1 in 100"),
        ("D3 open every now and then", "D3 open, 1 in 100"),
        ("slot 4: D3 open 1 in 1000", "slot 4: pin D3 open, 1 in 1000"),
        ("slot 4: D3 open, once every 1,000 cycles", "slot 4: pin D3 open, 1 in 1000"),
        ("A5 rarely low, from 2 s", "A5 low, 1 in 10000, from 2 s"),
        ("A5 low 0.5 % of the time for 20 cycles", "A5 low, 1 in 200, 20 cycles long"),
        ("A5 low from cycle 100 for 20 cycles", "A5 low, from cycle 100, until cycle 120"),
        ("A5 low between 1 ms and 3 ms", "A5 low, from 0.001 s, until 0.003 s"),
        ("RESET released after 200 ms", "RESET low, until 0.2 s"),
        ("RESET held until 5000 cycles", "RESET low, until cycle 5000"),
        ("RESET never released", "RESET low"),
        ("RESET bounces", "RESET low, 1 in 2, 8 cycles long, until cycle 200"),
        ("slot 4: comes up after 0.1 s", "slot 4: without supply, until 0.1 s"),
        ("slot 4: has no supply", "slot 4: without supply"),
        ("slot 4: not powered", "slot 4: without supply"),
        ("slot 4: answers late", "slot 4: pins D0 to D7 late"),
        ("slot 4: late end of a write", "slot 4: writes end late"),
        ("slot 4: address hold too short", "slot 4: writes end late"),
        ("slot 4: data changes before the write ends", "slot 4: write data end early"),
        ("slot 4: jumper bit_order is first-bit-high", "slot 4: setting bit_order = first-bit-high"),
        ("slot 4: port_1 = 3", "slot 4: setting port_1 = 3"),
        ("slot 2: bit 3 of $8123 stuck high", "slot 2: bit 3 of $8123 high"),
        ("slot 2: $8123 reads $4C", "slot 2: byte at $8123 = $4C"),
        ("slot 2: bit 3 of 0x123 of the image low", "slot 2: bit 3 of offset $0123 low"),
        ("an extra clock pulse at cycle 5000", "PHI2 doubled, from cycle 5000, until cycle 5001"),
        ("clock missing, 1 in 1000", "PHI2 missing, 1 in 1000"),
        ("slot 4: D0 to D7 late", "slot 4: pins D0 to D7 late"),
    ],
)
def test_what_people_say_of_a_fault_is_understood(text, same):
    assert str(read_fault(text)) == same
    assert read_fault(same) == read_fault(text)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("slot 4: D3 opne", "Did you mean 'open'?"),
        ("slot 4: wriets end late", "Did you mean 'writes end late'?"),
        ("slot 2: bit 9 of $8123 low", "a byte has no bit 9"),
        ("slot 2: bit 3 of $8123 loww", "Did you mean 'low'?"),
        ("slot 2: bit 3 of $18123 low", "is no address"),
        ("slot 2: byte at $8123 = $100", "is no byte"),
        ("bit 3 of $8123 low", 'Begin with "slot N:"'),
        ("D3 open, 2 in 1", "is no chance"),
        ("D3 open, 0 in 7", "is no chance"),
        ("D3 open, 1 in 9999999999", "1 in 1000000000 is the finest"),
        ("D3 open, sometimes, 1 in 10", "says how often twice"),
        ("D3 open, from 2 s until 1 s", "would end before it begins"),
        ("D3 open, from cycle 5 for 1 s", "counts cycles and seconds together"),
        ("D3 open, 20 cycles long", "says how long, not how often"),
        ("D3 open, until cycle 0", "would last no time"),
        ("D3 open, from cycle 1.5", "is no whole number of cycles"),
        ("D3 open, from 9999999 s", "is too long"),
        ("RESET released late", "does not say until when"),
        ("slot 0: D3 open", "there is no slot 0"),
        ("slot 4: " + "D3 " * 300, "500 are allowed"),
    ],
)
def test_a_sentence_that_is_no_fault_is_told_with_what_to_write(text, words):
    with pytest.raises(SimkitError) as told:
        read_fault(text)
    assert words in str(told.value)


@given(st.text(max_size=60))
@settings(max_examples=150, deadline=None)
def test_any_text_is_a_fault_or_refused(text):
    try:
        found = read_fault(text)
    except SimkitError:
        return
    assert read_fault(str(found)) == found


@pytest.mark.parametrize(
    ("word", "value"), [("3", 3), ("$1F", 31), ("-2", -2), ("true", True), ("off", False), ("2.5", 2.5), ("a-b", "a-b")]
)
def test_a_value_of_a_setting_is_read_as_people_write_it(word, value):
    found = bare_value(word)
    assert (found, type(found)) == (value, type(value))


@given(times(), st.integers(0, 10**6), st.integers(1, 400))
@settings(max_examples=100, deadline=None)
def test_the_next_change_is_where_looking_at_every_cycle_finds_it(when, cycle, far):
    """As lazy equals asked every cycle: chance is a function of seed, place and cycle."""
    presence = Presence(when, 1, "slot 4: pin D3 open", Fraction(2_000_000))
    fresh = Presence(when, 1, "slot 4: pin D3 open", Fraction(2_000_000))
    now = cycle in fresh
    looked = next((at for at in range(cycle + 1, cycle + far) if (at in fresh) is not now), cycle + far)
    assert presence.changes(cycle, cycle + far) == looked


def test_a_chance_comes_as_often_as_it_says_and_not_the_same_for_two_places():
    """4 sigma of 100,000 draws at 1 in 50: 2,000 +- 177."""
    when = When(Fraction(1, 50))
    one, other = (Presence(when, 1, place, Fraction(1)) for place in ("slot 4: pin D3 open", "slot 4: pin D4 open"))
    drawn = [[cycle in presence for cycle in range(100_000)] for presence in (one, other)]
    assert all(1_823 < sum(found) < 2_177 for found in drawn)
    assert drawn[0] != drawn[1]


JOINING = {
    "slot",
    "pin",
    "bit",
    "of",
    "=",
    "with",
    "to",
    "by",
    "and",
    "between",
    "at",
    "data",
    "bus",
    "up",
    "end",
    "ends",
}
JOINING |= {"write", "before", "too", "hold", "in", "cycle", "after", "until", "from", "clock"}
"""Words that join what a sentence says, or say of which kind it is; not which line it is, nor what is wrong with it."""
OF_LINES = (
    *("D3 and D4 swapped", "slot 4: INT tied to NMI", "slot 3: pin 24 open", "slot 5: bus transceiver disabled"),
    *("slot 4: selected by A15 and A14", "slot 1: data changes before write ends", "IOSEL driven by A15 and A3"),
)


def reading(said):
    try:
        return read_fault(said)
    except SimkitError:
        return None


def less_a_word():
    """(sentence, the same without a word that joins) of each kind, where that is no other sentence."""
    for sentence in (*(said for kind in KINDS for said in (kind.sentence, *kind.also)), *OF_LINES):
        words = sentence.split()
        less = [" ".join([*words[:n], *words[n + 1 :]]) for n, word in enumerate(words) if word in JOINING]
        yield from ((sentence, said) for said in less if reading(said) is None)


LESS = tuple(less_a_word())


def test_most_sentences_need_their_words():
    assert len(LESS) > 60


@pytest.mark.parametrize(("whole", "said"), LESS)
def test_a_sentence_that_lacks_a_word_that_joins_is_refused_with_the_whole_one(whole, said):
    with pytest.raises(SimkitError) as refused:
        read_fault(said)
    meant = re.findall(r"'([^']*)'", refused.value.remedy.removeprefix("Did you mean "))
    assert read_fault(whole) in map(reading, meant), refused.value.remedy


@pytest.mark.parametrize("said", ["slot D3 open", "slot: D3 open", "SLOT answers late"])
def test_a_slot_without_its_number_is_asked_for_it(said):
    with pytest.raises(SimkitError, match="which slot") as refused:
        read_fault(said)
    assert '"slot N:"' in refused.value.remedy


@pytest.mark.parametrize(
    "said", ["foo bar", "slot 4: touches D4", "slot 4: D3 D4", "slot 4: low", "A5", "a b c d e f g"]
)
def test_what_is_wrong_is_not_guessed(said):
    with pytest.raises(SimkitError) as refused:
        read_fault(said)
    assert said not in (refused.value.remedy or "")
    assert not re.search(r"Did you mean '[^']*\d", refused.value.remedy or "")
