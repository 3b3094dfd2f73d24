"""Check values of the 6522's ports, handshakes and interrupts, and what is told of it; each test names its source."""

import random

import pytest
from simkit_cards.ports_6522.card import Ports6522

from simkit.contract.events import NEVER
from simkit.testing.bench import Bench
from tests.cards.ports_6522.registers import (
    ACR,
    DDRA,
    DDRB,
    IER,
    IFR,
    ORA,
    ORA_QUIET,
    ORB,
    PCR,
    SR,
    T1CH,
    T1CL,
    T1LH,
    T1LL,
    T2CH,
    T2CL,
    start_t1,
)


def test_a_port_that_pulls_reset_low_lets_go_of_all_its_pins():
    """The rest of the write comes after the reset it sets off; R6522 data sheet, RESET: all pins are inputs."""
    via = Bench(Ports6522, lines={"PB0": "RESET"})
    via.write(ORB, 0xFF)
    via.write(DDRB, 0xFF)
    via.write(ORB, 0x00)
    assert [via.card.slot.pin(f"PB{n}").value for n in range(8)] == [None] * 8
    assert via.read(DDRB) == 0


def test_interrupt_enable_register_sets_and_clears(via):
    """R6522 data sheet, IER: FF then 7F leaves 80; it reads 80 after RESET."""
    assert via.read(IER) == 0x80
    via.write(IER, 0xFF)
    assert via.read(IER) == 0xFF
    via.write(IER, 0x7F)
    assert via.read(IER) == 0x80


def test_bit_7_of_ifr_is_the_interrupt_line(via):
    """R6522 data sheet, IFR: IFR 40 with IER 40 reads C0, INT low; bit 7 cannot be written."""
    zero = start_t1(via, 5)
    via.run_to(zero + 7)
    assert via.read(IFR) == 0x40
    assert via.level("INT")
    via.write(IER, 0xC0)
    assert not via.level("INT")
    assert via.read(IFR) == 0xC0
    via.write(IFR, 0x80)
    assert via.read(IFR) == 0xC0
    via.write(IFR, 0x40)
    assert via.read(IFR) == 0x00
    assert via.level("INT")


@pytest.mark.parametrize("register", [ORA, ORB])
def test_handshake_output_falls_on_access_and_rises_at_the_active_edge(via, register):
    """R6522 data sheet, peripheral control: CA2 on read or write of ORA, CB2 on write of ORB only."""
    letter = "A" if register == ORA else "B"
    via.write(PCR, 0b1000_1000)
    assert via.level(f"C{letter}2")
    via.read(register)
    assert via.level(f"C{letter}2") is (register == ORB)
    via.write(register, 0x55)
    assert not via.level(f"C{letter}2")
    via.run(100)
    assert not via.level(f"C{letter}2")
    via.pull(f"C{letter}1", False)
    assert via.level(f"C{letter}2")


def test_pulse_output_is_low_for_one_cycle(via):
    """R6522 data sheet, peripheral control, pulse output."""
    via.write(PCR, 0b1010)
    zero = via.cycle
    via.write(ORA, 1)
    levels = []
    for cycle in range(zero + 1, zero + 5):
        via.run_to(cycle)
        levels.append(via.level("CA2"))
    assert levels == [False, True, True, True]


@pytest.mark.parametrize(("rising", "edge"), [(0, False), (1, True)])
def test_control_inputs_flag_the_edge_that_pcr_names(via, rising, edge):
    """R6522 data sheet, peripheral control register."""
    via.write(PCR, rising * 0x11)
    for pin, flag in (("CA1", 2), ("CB1", 0x10)):
        via.pull(pin, not edge)
        via.write(IFR, 0x7F)
        via.run(3)
        assert via.peek(IFR) == 0
        via.pull(pin, edge)
        assert via.peek(IFR) == flag
        via.write(IFR, 0x7F)


@pytest.mark.parametrize(("code", "left"), [(0b000, 0), (0b001, 1), (0b010, 0), (0b011, 1)])
def test_an_independent_ca2_keeps_its_flag_when_port_a_is_read(via, code, left):
    """R6522 data sheet, peripheral control: independent input modes 001 and 011."""
    via.write(PCR, code << 1)
    for level in (False, True, False):
        via.pull("CA2", level)
        via.run(2)
    assert via.peek(IFR) & 1
    via.read(ORA)
    assert via.peek(IFR) & 1 == left


def test_the_quiet_port_register_clears_nothing(via):
    """R6522 data sheet, register 15: as register 1 without handshake."""
    via.pull("CA1", False)
    assert via.peek(IFR) == 2
    via.read(ORA_QUIET)
    assert via.peek(IFR) == 2
    via.read(ORA)
    assert via.peek(IFR) == 0


@pytest.mark.parametrize("code", [0b100, 0b101])
def test_the_quiet_port_register_starts_no_handshake_and_no_pulse(via, code):
    """R6522 data sheet, register 15; and CB2 answers writes of register 0 alone, never reads."""
    via.write(PCR, code << 5 | code << 1)
    via.read(ORA_QUIET)
    via.write(ORA_QUIET, 0x55)
    via.read(ORB)
    assert via.level("CA2")
    assert via.level("CB2")
    via.read(ORA)
    assert not via.level("CA2")
    via.write(ORB, 0x55)
    assert not via.level("CB2")


def test_port_a_reads_pins_and_port_b_reads_its_output_register(via):
    """R6522 data sheet, port registers: an overloaded output reads 0 on port A and as written on port B."""
    via.write(DDRA, 0xFF)
    via.write(DDRB, 0xFF)
    via.write(ORA, 0xFF)
    via.write(ORB, 0xFF)
    via.pull("PA0", False)
    via.pull("PB0", False)
    assert via.read(ORA) == 0xFE
    assert via.read(ORB) == 0xFF


def test_a_latched_port_keeps_what_it_saw_at_the_edge(via):
    """R6522 data sheet, ACR bits 0 and 1: the port is latched by the CA1 or CB1 edge until its flag is cleared."""
    via.write(ACR, 0x03)
    for port, control, register in (("PA", "CA1", ORA), ("PB", "CB1", ORB)):
        via.pull(f"{port}3", False)
        via.pull(control, False)
        via.pull(f"{port}3", True)
        assert via.read(register) == 0xF7
        assert via.read(register) == 0xFF, "the read cleared the flag: the port is open again"


def test_reset_clears_registers_but_not_timers_and_shift_register(via):
    """R6522 data sheet, RESET."""
    via.write(SR, 0x5A)
    for register in (ORA, ORB, DDRA, DDRB, ACR, PCR, IER):
        via.write(register, 0xFF)
    via.write(T1LL, 0x34)
    via.write(T1LH, 0x12)
    via.reset()
    assert [via.peek(r) for r in (ORB, DDRA, DDRB, ACR, PCR, IFR, IER)] == [0xFF, 0, 0, 0, 0, 0, 0x80]
    assert via.peek(T1LL) | via.peek(T1LH) << 8 == 0x1234


def test_a_totem_pole_interrupt_output_fights_other_cards():
    """W65C22S IRQB drives both ways (from memory): wire-ORed without a diode it fights."""
    via = Bench(Ports6522, {"irq_output": "totem-pole"})
    via.pull("INT", False)
    assert via.findings.count("output-fight") == 1


def test_clearing_two_enabled_flags_with_one_blanket_write_is_reported(via):
    """Builders' report: a handler that writes $7F loses the second of two interrupts."""
    via.write(IER, 0xFF)
    via.pull("CA1", False)
    via.pull("CB1", False)
    via.write(IFR, 0x7F)
    assert via.findings.count("flags-cleared-together") == 1
    via.pull("CA1", True)
    via.run(1)
    via.pull("CA1", False)
    via.write(IFR, 0x7F)
    assert via.findings.count("flags-cleared-together") == 1, "one flag at a time is fine"


def test_open_inputs_are_reported_once_and_only_where_read():
    """Builders' reports: polling a pin that nothing drives."""
    via = Bench(Ports6522, joined=False)
    via.write(DDRB, 0x7F)
    for _ in range(3):
        assert via.read(ORB) & 0x80
    assert [f.message for f in via.findings] == ["The port was read while no card drives PB7: they read 1."]


def test_flags_are_steady_until_the_next_time_out(via):
    via.write(ACR, 0x40)
    zero = start_t1(via, 1000)
    assert via.card.steady_until(IFR, via.cycle) == zero + 1002
    via.run_to(zero + 1002)
    assert via.card.steady_until(IFR, via.cycle) == NEVER
    assert via.card.steady_until(T1CL, via.cycle) == via.cycle


def test_words_name_a_flag_that_nobody_is_told_of(via):
    via.write(ACR, 0x18)
    via.write(SR, 1)
    via.run(20)
    assert "flag SR: set, and not enabled: only a look at IFR tells" in via.card.words(via.cycle)


def test_words_name_the_flags_that_stand_and_whether_they_interrupt(via):
    rng = random.Random(1)
    names = ("CA2", "CA1", "SR", "CB2", "CB1", "T2", "T1")
    for _ in range(40):
        flags, enabled = rng.randrange(128), rng.randrange(128)
        state = via.save()["card"]
        via.load_card({**state, "registers": [*state["registers"][:6], flags, enabled, *state["registers"][8:]]})
        told = {line.split(":")[0]: "INT low" in line for line in via.card.words(via.cycle) if line.startswith("flag ")}
        assert told == {f"flag {name}": bool(enabled >> n & 1) for n, name in enumerate(names) if flags >> n & 1}


def test_registers_that_no_time_moves_are_steady_for_ever_and_those_of_counters_never(via):
    """Directions, latches, control and enabled flags; the counters count every cycle. R6522 data sheet, registers."""
    rng = random.Random(1)
    for _ in range(50):
        for _ in range(4):
            via.write(rng.randrange(16), rng.randrange(256))
        for register in (DDRB, DDRA, T1LL, T1LH, ACR, PCR, IER):
            assert via.card.steady_until(register, via.cycle) == NEVER
        for register in (T1CL, T1CH, T2CL, T2CH, SR):
            assert via.card.steady_until(register, via.cycle) == via.cycle
