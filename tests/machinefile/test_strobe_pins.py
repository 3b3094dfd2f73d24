"""Chip selects and strobes at the pins of a part: what stands at each, what is done to them, and what it comes to."""

from __future__ import annotations

import itertools
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simkit import Machine
from simkit.backplane.select import ADDRESSES, ALL, Expression
from simkit.contract.errors import SimkitError
from simkit.machinefile.read import read_description
from simkit.machinefile.shipped import demo_folder
from simkit.machinefile.strobe_pins import opposite

RAM, ROM, SERIAL, PORTS, VIDEO = 1, 2, 3, 4, 5
BENCH = (demo_folder() / "bench" / "machine.toml").as_posix()
STORE = bytes.fromhex("A9FF8D0260A9558D00604C0A80")  # DDRB $FF, ORB $55
PROGRAM = STORE + b"\xea" * (0x7FFC - len(STORE)) + b"\x00\x80\xff\xff"


def described(*wiring):
    return read_description(BENCH, wiring=wiring)


def variant(tmp_path, text):
    path = tmp_path / "machine.toml"
    path.write_text(f'base = "{BENCH}"\n{text}')
    return path


def run(source, *wiring, cycles=60):
    """On both engines, which agree."""
    made = []
    for engine in ("exact", "core"):
        m = Machine.load(source, images={ROM: PROGRAM}, wiring=wiring, engine=engine)
        m.run(cycles=cycles)
        made.append(m)
    exact, core = made
    assert exact.save_state() == core.save_state()
    assert list(exact.findings) == list(core.findings)
    return core


def selected(machine, slot):
    """First and last address of each page at which a card is selected for reads or writes."""
    seats = {seat.slot: n for n, seat in enumerate(machine.bus.seats)}
    _, reads, _, writes, _ = machine.bus.reach.table.selects[seats[slot]]
    return reads | writes


def table(text):
    return Expression(text).table({"RW": True, "PHI2": True})


USUAL = "A14 and A13 and not A15 and not A12"  # of the port card of the bench


@pytest.mark.parametrize(
    ("said", "same"),
    [
        ("CS1 exchanged with CS2B", "never"),
        ("CS1 tied to VCC", USUAL),
        ("CS1 open", USUAL),
        ("CS1 low", "never"),
        ("CS1 inverted", "never"),
        ("CS1 joined to A4", f"{USUAL} and A4"),
        ("CS1 joined to not A4", f"{USUAL} and not A4"),
        ("CS1 driven by A4 or A5", f"{USUAL} and (A4 or A5)"),
        ("CS1 joined to A4 and A5", f"{USUAL} and A4 and A5"),
        ("CS2B open", "never"),
        ("CS2 open", "never"),
        ("/CS2 grounded", "always"),
        ("CS2B high", "never"),
        ("CS2B inverted", f"not ({USUAL})"),
        ("CS open", "never"),
        ("chip select inverted", f"not ({USUAL})"),
        ("CS1 shorted to CS2B", "never"),
        ("CS1 exchanged with RS3", f"{USUAL} and A3"),
        ("RS3 exchanged with CS1", f"{USUAL} and A3"),
        ("RS0 exchanged with CS2B", "not A0"),
        ("CS2B driven by 0110 xxxx xxxx xxxx", "not 0110xxxxxxxxxxxx"),
    ],
)
def test_what_is_done_to_chip_selects_of_a_port_card_moves_where_it_answers(said, same):
    """CS1 and CS2B of the 6522, from memory; of one expression CS2B has the decoder's output, and CS1 is high."""
    m = Machine.load("demo:bench", images={ROM: PROGRAM}, wiring=[f"slot 4: {said}"])
    assert selected(m, PORTS) == table(same)


def test_an_address_pin_that_meets_a_chip_select_hears_the_decoder():
    m = run("demo:bench", "slot 4: RS0 exchanged with CS2B")
    seat = next(seat for seat in m.bus.seats if seat.slot == PORTS)
    assert m.bus.reach.table.offset(seat, 0x6000) == 0
    assert m.bus.reach.table.offset(seat, 0x0010) == 1


def test_chip_selects_exchanged_where_the_file_has_both_wires_answer_for_other_addresses(tmp_path):
    """CS1 on A13 and CS2B on the NAND of A14 and not A15: the selects of a builder's port card that never answered."""
    keys = '[backplane]\noverlaps = "run"\n[[card]]\nslot = 4\nselect = { CS1 = "A13", CS2B = "A15 or not A14" }\n'
    file = variant(tmp_path, keys)
    right = Machine.load(file, images={ROM: PROGRAM})
    assert selected(right, PORTS) == table("A13 and A14 and not A15")
    m = run(file, "slot 4: CS1 exchanged with CS2B")
    spans = [0x0000, 0x8000, 0xC000]
    assert selected(m, PORTS) == sum(((1 << 0x2000) - 1) << start for start in spans)
    fight = next(finding for finding in m.findings if finding.rule == "contention" and finding.cycle >= 7)
    assert (fight.cycle, fight.address) == (7, 0x8000)
    assert "rom" in fight.message
    assert "ports-6522" in fight.message
    assert "output register $55" not in m.card(PORTS).words()[1]


@pytest.mark.parametrize(
    ("said", "select", "output", "write"),
    [
        ("CE exchanged with OE", "RW and PHI2", "not A15 and not A14", "not RW and PHI2"),
        ("CE shorted to OE", "(not A15 and not A14) or RW and PHI2", "(not A15 and not A14) or RW and PHI2", None),
        ("OE shorted to WE", "not A15 and not A14", "PHI2", "PHI2"),
        ("WE driven by RW", "not A15 and not A14", "RW and PHI2", "not RW"),
        ("CE exchanged with A10", "not A10", None, None),
        ("CE shorted to A10", "not (A10 and (A15 or A14))", None, None),
    ],
)
def test_chip_enable_and_strobes_of_a_memory_are_put_together(said, select, output, write):
    card = described(f"slot 1: {said}").cards[0]
    for rw, phi2 in itertools.product((False, True), repeat=2):
        levels = {"RW": rw, "PHI2": phi2}
        assert Expression(f"({') or ('.join(card.select)})").table(levels) == Expression(select).table(levels)
        assert output is None or Expression(card.output_enable).table(levels) == Expression(output).table(levels)
        assert write is None or Expression(card.write_enable).table(levels) == Expression(write).table(levels)


def test_a_chip_enable_exchanged_with_an_address_pin_moves_both():
    m = run("demo:bench", "slot 1: /CE exchanged with A10")
    seat = m.bus.seats[0]
    assert m.bus.reach.table.offset(seat, 0x0010) == 0x0010
    assert m.bus.reach.table.offset(seat, 0x8010) == 0x0410  # the decoder's output is high there


def test_the_second_chip_enable_of_an_8_k_memory_is_high_when_true(tmp_path):
    """CE2 of the 6264, from memory."""
    file = variant(tmp_path, "[[card]]\nslot = 1\nsettings = { size = 8192 }\n")
    assert selected(Machine.load(file, images={ROM: PROGRAM}, wiring=["slot 1: CS2 low"]), RAM) == 0
    with pytest.raises(SimkitError, match="CE2"):
        Machine.load("demo:bench", images={ROM: PROGRAM}, wiring=["slot 1: CE2 low"])


def test_r_w_exchanged_with_a_chip_select_writes_where_it_should_be_read():
    """CS2B on R/W and R/W on the decoder: selected in writes alone, and a read elsewhere would be a write there."""
    card = described("slot 4: CS2B exchanged with R/W").cards[3]
    low, high = {"RW": False, "PHI2": True}, {"RW": True, "PHI2": True}
    assert Expression(card.select[0]).table(high) == 0
    assert Expression(card.select[0]).table(low) == ALL
    assert Expression(card.write_enable).table(low) == table(USUAL)
    assert Expression(card.output_enable).table(low) == table(f"not ({USUAL})")


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ("slot 4: CS1 exchanged with PHI2", "PHI2 is the clock of the part"),
        ("slot 4: CS1 exchanged with PB0", "cannot put CS1 and PB0 together"),
        ("slot 4: CS1 exchanged with D3", "of different kinds"),
        ("slot 1: CE exchanged with R/W", "cannot put CE and RW together"),
        ("slot 4: PB0 exchanged with RS3", "of different kinds"),
        ("slot 4: PB0 driven by A3 and A4", "PB0 is joined to one line"),
        ("slot 4: PB0 joined to not IRQ", "PB0 inverted"),
        ("slot 4: IRQ exchanged with CS1", "CS1 is a pin of the card, IRQ a line"),
        ("slot 4: CS3 open", "CS1, CS2B"),
        ("slot 4: CS1 driven by A4 and", "is not expected there"),
        ("slot 4: CS1 late", "only data lines"),
        ("slot 4: line A3 driven by A4 and A5", "an expression drives"),
    ],
)
def test_what_cannot_be_done_to_a_chip_select_is_refused_in_words(said, words):
    with pytest.raises(SimkitError) as refused:
        described(said)
    assert words in f"{refused.value} {refused.value.remedy}"


@pytest.mark.parametrize(
    ("keys", "line", "words"),
    [
        ('select = { CS3 = "A13" }', 4, "CS1 (high when true), CS2B (low when true)"),
        ("select = { CS1 = 5 }", 4, "is not an expression"),
        ('select = { CS1 = "A13 and" }', 4, "is not expected"),
        ("select = {}", 4, "nothing is said of any chip select"),
        ('select = { CS1 = "A13" }\nnot_select = ["A12"]', 5, "pin by pin"),
    ],
)
def test_a_select_said_pin_by_pin_is_checked_with_its_line(tmp_path, keys, line, words):
    with pytest.raises(SimkitError) as refused:
        read_description(variant(tmp_path, f"[[card]]\nslot = 4\n{keys}\n"))
    assert refused.value.line == line
    assert words in str(refused.value)


def test_a_pin_that_a_select_leaves_out_is_tied_to_its_level(tmp_path):
    keys = '[backplane]\noverlaps = "run"\n[[card]]\nslot = 4\nselect = { CS2B = "not (A13 and A14)" }\n'
    card = read_description(variant(tmp_path, keys)).cards[3]
    assert card.select == ("A13 and A14",)
    assert read_description(variant(tmp_path, keys), wiring=["slot 4: selected by A4"]).cards[3].select == ("A4",)


# expressions ----------------------------------------------------------------------------------------------------------

_NAMES = st.sampled_from(["A0", "A15", "RW", "0110 xxxx xxxx xxxx", "always", "never"])
EXPRESSIONS = st.recursive(
    _NAMES,
    lambda inner: st.one_of(
        inner.map(lambda one: f"not ({one})"),
        inner.map(lambda one: f"({one})"),
        _NAMES.map(lambda one: f"not {one}"),
        st.tuples(inner, st.sampled_from(["and", "or"]), inner).map(" ".join),
    ),
    max_leaves=5,
)


@given(EXPRESSIONS)
@settings(max_examples=150, deadline=None)
def test_the_opposite_of_an_expression_is_true_where_it_is_not(text):
    assert table(opposite(text)) == ALL ^ table(text)
    assert table(opposite(opposite(text))) == table(text)


@given(st.text(alphabet="01x", min_size=16, max_size=16), st.integers(0, ADDRESSES - 1))
@settings(max_examples=60, deadline=None)
def test_a_pattern_in_an_expression_is_that_of_a_select(pattern, address):
    spaced = " ".join(re.findall("....", pattern))
    matches = all(bit in ("x", str(address >> 15 - n & 1)) for n, bit in enumerate(pattern))
    for text in (f"{spaced} and always", f"not not {pattern}"):
        assert bool(table(text) >> address & 1) is matches
