"""A bus transceiver between bus and card that points the wrong way, or is enabled at the wrong time, on both engines.

What its pins do is common practice, from memory, as is that the low one of two outputs wins.
"""

from __future__ import annotations

import pytest

from simkit import Machine
from simkit.backplane.sentences import read_sentence

RAM, ROM, PORTS = 1, 2, 4


def image(code, nmi="0080"):
    return bytes.fromhex(code).ljust(0x7FFA, b"\xea") + bytes.fromhex(nmi + "00800080")


def run(code, said, cycles=120, **options):
    made = []
    for engine in ("exact", "core"):
        m = Machine.load("demo:bench", images={ROM: image(code)}, wiring=[said], engine=engine, **options)
        m.run(cycles=cycles)
        made.append(m)
    exact, core = made
    assert exact.save_state() == core.save_state()
    assert list(exact.findings) == list(core.findings)
    return core


STORE = "A9558D02608D00608D1000AD0060AE10004C1180"
"""DDRB and ORB become $55, $0010 too; then port B into A, $0010 into X."""


def fights(m):
    return {(f.message.split(" drive")[0], "writes" in f.message) for f in m.findings if f.rule == "contention"}


@pytest.mark.parametrize(
    ("said", "written", "read", "fighting"),
    [
        ("direction reversed", "$FF", 0x60, {("slot 4 (transceiver)", True)}),
        ("never enabled", "$FF", 0x60, set()),
        ("direction stuck towards the card", "$55", 0x60, set()),
        ("direction stuck towards the bus", "$FF", 0xFF, {("slot 4 (transceiver)", True)}),
    ],
)
def test_a_port_card_behind_a_wrong_transceiver_takes_or_gives_what_floats(said, written, read, fighting):
    """Nobody drives the read: the byte before on the bus is the high byte of the address, $60."""
    m = run(STORE, f"slot 4: transceiver {said}")
    assert f"output register {written}" in m.card(PORTS).words()[1]
    assert m.cpu.a == read
    assert m.cpu.x == 0x55  # of another card
    assert fights(m) == fighting
    assert [one.slot for one in m.warnings if one.rule == "transceiver-wrong"] == [PORTS]


def test_a_transceiver_that_is_always_enabled_fights_every_other_card_that_is_read():
    m = run(STORE, "slot 4: transceiver always enabled")
    assert "output register $55" in m.card(PORTS).words()[1]
    assert m.cpu.a == m.card(PORTS).peek(0)
    assert m.cpu.x == 0x55  # the low one wins
    assert fights(m) == {
        ("slot 1 (sram) and slot 4 (transceiver)", False),
        ("slot 2 (rom) and slot 4 (transceiver)", False),
    }
    nobody = run("AD00404C0380", "slot 4: transceiver always enabled")
    assert nobody.cpu.a == 0xFF


def test_what_a_memory_behind_a_shut_transceiver_holds_is_what_floats():
    m = run("A9558510A5104C0680", "slot 1: transceiver direction stuck towards the bus")
    assert (m.peek(0x10), m.cpu.a) == (0xFF, 0xFF)
    m = run("A9558510A5104C0680", "slot 1: transceiver direction stuck towards the card")
    assert m.card(RAM).peek(0x10) == 0x55
    assert m.cpu.a == 0x10  # the operand was the last on the lines


def test_states_are_saved_and_taken_back_with_a_transceiver_that_drives_by_itself():
    m = run(STORE, "slot 4: transceiver always enabled")
    state = m.save_state()
    m.run(cycles=50)
    later = m.save_state()
    m.load_state(state)
    m.run(cycles=50)
    assert m.save_state() == later


@pytest.mark.parametrize(
    ("text", "same"),
    [
        ("slot 4: bus transceiver is backwards", "direction reversed"),
        ("slot 4: transceiver DIR inverted", "direction reversed"),
        ("slot 4: transceiver enable tied low", "always enabled"),
        ("slot 4: the data buffer is not enabled", "never enabled"),
        ("slot 4: transceiver enable open", "never enabled"),
        ("slot 4: transceiver stuck towards the bus", "direction stuck towards the bus"),
    ],
)
def test_a_wrong_transceiver_is_said_in_other_words_too(text, same):
    assert str(read_sentence(text)) == f"slot 4: transceiver {same}"
