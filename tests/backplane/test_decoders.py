"""Lines of the backplane that decoders drive: named in selects, strobes and wires, and what can be wrong with them."""

from __future__ import annotations

import pytest

from simkit import Machine
from simkit.backplane.select import Expression
from simkit.contract.errors import SimkitError
from simkit.machinefile.read import read_description
from simkit.machinefile.shipped import demo_folder

ROM, PORTS = 2, 4
BENCH = (demo_folder() / "bench" / "machine.toml").as_posix()
STORE = bytes.fromhex("A9FF8D0260A9558D00604C0A80")
SIGNALS = '[backplane.signals]\nG2A = "A15"\nY6 = "A14 and A13 and not A12 and not G2A"\nY7 = "A14 and A13 and A12"\n'
CARD = '[[card]]\nslot = 4\nselect = "Y6"\n'
"""A 3-to-8 decoder with an enable that is low when true, its outputs written as true where they are selected."""


@pytest.fixture
def machine(tmp_path):
    def load(*wiring, text=SIGNALS + CARD, image=STORE, **options):
        path = tmp_path / "machine.toml"
        path.write_text(f'base = "{BENCH}"\n{text}')
        rom = image.ljust(0x7FFC, b"\xea") + b"\x00\x80\xff\xff"
        return Machine.load(path, images={ROM: rom}, wiring=wiring, **options)

    return load


def selected(m, slot=PORTS):
    number = [seat.slot for seat in m.bus.seats].index(slot)
    _, reads, _, writes, _ = m.bus.reach.table.selects[number]
    return reads | writes


def table(text):
    return Expression(text).table({})


Y6, Y7 = "0110 xxxx xxxx xxxx", "A14 and A13 and A12"


@pytest.mark.parametrize(
    ("said", "same"),
    [
        ([], Y6),
        (["Y6 open"], "always"),
        (["Y6 open", "Y6 pulled down"], "never"),
        (["Y6 stuck low"], "never"),
        (["Y6 inverted"], f"not {Y6}"),
        (["G2A open"], "never"),
        (["G2A grounded"], "A14 and A13 and not A12"),
        (["G2A inverted"], "A15 and A14 and A13 and not A12"),
        (["Y6 exchanged with Y7"], Y7),
        (["Y6 and Y7 shorted"], "never"),
        (["Y6 driven by A14 and not A15"], "A14 and not A15"),
        (["Y5 driven by A4", "slot 4: selected by Y6 and Y5"], f"{Y6} and A4"),
        (["slot 4: Y6 open"], "always"),
        (["slot 4: line Y6 inverted"], f"not {Y6}"),
        (["slot 4: Y6 exchanged with Y7"], Y7),
        (["slot 4: line A14 stuck low"], Y6),  # the decoder stands on the backplane
        (["A14 stuck low"], "never"),
        (["A12 and A13 swapped"], "not A15 and A14 and A12 and not A13"),
        (["slot 4: CS1 joined to Y7"], "never"),
        (["slot 4: CS2B joined to Y7"], f"not ({Y7})"),
    ],
)
def test_what_is_done_to_a_line_of_a_decoder_moves_the_cards_that_hear_it(machine, said, same):
    assert selected(machine(*said)) == table(same)


@pytest.mark.parametrize("said", [[], ["Y6 inverted"], ["slot 4: RS0 joined to Y7"], ["G2A open"]])
def test_a_line_of_a_decoder_means_the_same_on_both_engines(machine, said):
    made = [machine(*said, engine=engine) for engine in ("exact", "core")]
    for m in made:
        m.run(cycles=120)
    assert made[0].save_state() == made[1].save_state()
    assert list(made[0].findings) == list(made[1].findings)
    written = "pins $55, output register $55, outputs $FF" in made[1].card(PORTS).words()[1]
    assert written is (said in ([], ["slot 4: RS0 joined to Y7"]))  # Y7 is low where Y6 is true


def test_a_decoder_may_hear_a_line_that_a_card_drives(machine):
    text = '[backplane.signals]\nY6 = "A14 and A13 and not A12 and not A15 and BANK"\n' + CARD
    text += '[[card]]\nslot = 7\nkind = "bank-latch"\nselect = "0101 1111 0000 0000"\nlines = { Q0 = "BANK" }\n'
    m = machine(text=text, image=bytes.fromhex("A9018D005F4C0580"))
    assert [line.name for line in m.bus.reach.banks.lines] == ["BANK"]
    assert selected(m) == 0
    m.run(cycles=30)
    assert selected(m) == table(Y6)


def test_a_wire_may_come_from_a_decoder(machine):
    m = machine(text=SIGNALS + CARD + 'wires = { A0 = "Y7", A1 = "not G2A" }\n')
    seat = m.bus.seats[[seat.slot for seat in m.bus.seats].index(PORTS)]
    assert [m.bus.reach.table.offset(seat, address) & 3 for address in (0x0001, 0x7001, 0x8001, 0xF000)] == [2, 3, 0, 1]


@pytest.mark.parametrize(
    ("text", "said", "words"),
    [
        ('[backplane.signals]\nA5 = "A15"\n', (), "A5 is not a decoder's to drive"),
        ('[backplane.signals]\nIRQ = "A15"\n', (), "IRQ is not a decoder's to drive"),
        ('[backplane.signals]\ny6 = "A15"\n', (), "is not the name of a line"),
        ("[backplane.signals]\nY6 = 6\n", (), "is not an expression"),
        ('[backplane.signals]\nY6 = "A15 and"\n', (), "is not expected there"),
        ("[backplane]\nsignals = 6\n", (), "is no table"),
        ('[backplane.signals]\nY6 = "not Y7"\nY7 = "Y6 or A5"\n', (), "feeds itself"),
        (SIGNALS + CARD, ("G2A exchanged with Y6",), "feeds itself"),
        (SIGNALS + CARD, ("Y6 shorted to A5",), "of different kinds"),
        (SIGNALS + CARD, ("Y6 exchanged with IRQ",), "those of decoders"),
        (SIGNALS + CARD, ("slot 4: CA1 joined to Y7",), "moves within each cycle"),
        (SIGNALS + CARD + 'lines = { INT = "Y7" }\n', (), "moves within each cycle"),
        (SIGNALS + CARD, ("A5 driven by A4 and A3",), "not a decoder's to drive"),
        (SIGNALS + CARD, ("CPU: BE driven by A4 and A3",), "an expression drives"),
        (SIGNALS + CARD, ("Y8 open",), "there is no line 'Y8'"),
        (SIGNALS + CARD, ("TONE inverted",), "Invert the pin at a slot"),
    ],
)
def test_what_a_decoder_cannot_do_is_refused_in_words(machine, text, said, words):
    with pytest.raises(SimkitError) as refused:
        machine(*said, text=text)
    assert words in f"{refused.value} {refused.value.remedy}"


def test_a_variant_changes_one_output_and_keeps_the_others(tmp_path, machine):
    machine()
    path = tmp_path / "variant.toml"
    path.write_text('base = "machine.toml"\n[backplane.signals]\nG2A = "A15 or A3"\n')
    found = read_description(path)
    assert found.wiring.signals()["G2A"] == "A15 or A3"
    assert list(found.wiring.signals()) == ["G2A", "Y6", "Y7"]
    assert "Y7 driven by A14 and A13 and A12" in found.sentences()
    assert found.parts() != read_description(tmp_path / "machine.toml").parts()
