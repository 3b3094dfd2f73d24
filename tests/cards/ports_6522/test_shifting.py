"""Check values of the 6522's shift register and of the clock it takes from outside; each test names its source."""

import pytest
from simkit_cards.ports_6522.card import Ports6522

from simkit.testing.bench import Bench
from tests.cards.ports_6522.registers import ACR, IFR, PCR, SR, T2CL


@pytest.mark.parametrize("mode", [0b110, 0b010])
def test_a_byte_under_phi2_takes_16_cycles(via, mode):
    """R6522 data sheet, shift register modes 110 and 010: one bit is two cycles.

    WDC W65C22 data sheet, Figure 2-11: CB1 first falls 1.5 cycles after the access, so the flag comes in cycle 17.
    """
    via.write(ACR, mode << 2)
    zero = via.cycle
    via.write(SR, 0xA5)
    falls = 0
    before = True
    for cycle in range(zero + 1, zero + 40):
        via.run_to(cycle)
        level = via.level("CB1")
        falls += before and not level
        before = level
        assert (falls > 0) is (cycle >= zero + 2)
        assert bool(via.peek(IFR) & 4) is (cycle >= zero + 17)
    assert falls == 8


def test_shifting_out_sends_bit_7_first_and_the_byte_comes_back_round(via):
    """R6522 data sheet, shift register: bit 7 first, each bit re-enters at bit 0."""
    via.write(ACR, 0b110 << 2)
    zero = via.cycle
    via.write(SR, 0xA5)
    bits = []
    for n in range(8):
        via.run_to(zero + 3 + 2 * n)  # CB1 rises
        assert via.level("CB1")
        bits.append(via.level("CB2"))
    assert bits == [True, False, True, False, False, True, False, True]
    assert via.peek(SR) == 0xA5


@pytest.mark.parametrize("latch", [0, 3, 200])
def test_under_timer_2_cb1_changes_every_latch_and_two_cycles(via, latch):
    """R6522 and W65C22S data sheets, shift register under timer 2: half period N + 2."""
    via.write(T2CL, latch)
    via.write(ACR, 0b101 << 2)
    zero = via.cycle
    via.write(SR, 0x0F)
    changes = []
    before = True
    for cycle in range(zero + 1, zero + 18 * (latch + 2)):
        via.run_to(cycle)
        if via.level("CB1") is not before:
            before = not before
            changes.append(cycle - zero)
    assert changes == [1 + (latch + 2) * n for n in range(1, 17)], "Figure 2-10: first fall N + 2.5 cycles after"
    assert via.peek(IFR) & 4


def test_free_running_shift_never_flags(via):
    """R6522 data sheet, shift register mode 100: recirculates at the rate of timer 2, no flag."""
    via.write(SR, 0xC1)
    via.write(T2CL, 0)
    via.write(ACR, 0b100 << 2)
    zero = via.cycle - 1
    seen = []
    for n in range(24):
        via.run_to(zero + 4 * n + 2)
        seen.append(via.level("CB2"))
    assert seen == [True, True, False, False, False, False, False, True] * 3
    assert via.peek(IFR) == 0


def clock_byte(via, byte, bits=8):
    for n in range(bits):
        via.pull("CB2", bool(byte >> 7 - n & 1))
        via.pull("CB1", False)
        via.run(5)
        via.pull("CB1", True)
        via.run(5)


def test_an_outside_clock_shifts_eight_bits_in_and_goes_on(via):
    """R6522 data sheet, shift register mode 011: flag every 8 pulses, no stop."""
    via.write(ACR, 0b011 << 2)
    clock_byte(via, 0x3C)
    assert via.peek(SR) == 0x3C
    assert via.read(IFR) & 4
    via.write(IFR, 4)
    clock_byte(via, 0xE1)
    assert via.peek(SR) == 0xE1
    assert via.peek(IFR) & 4


def test_under_an_outside_clock_the_flag_comes_with_the_eighth_fall_where_bits_go_out(via):
    """WDC W65C22 data sheet, Figure 2-12: mode 111 interrupts after the eighth fall of CB1; no stop."""
    via.write(ACR, 0b111 << 2)
    via.write(SR, 0x96)
    for _ in range(2):
        bits = []
        for n in range(8):
            assert via.peek(IFR) & 4 == 0
            via.pull("CB1", False)
            via.run(1)
            bits.append(via.level("CB2"))
            assert bool(via.peek(IFR) & 4) is (n == 7)
            via.run(5)
            via.pull("CB1", True)
            via.run(5)
        assert bits == [True, False, False, True, False, True, True, False]
        via.write(IFR, 4)


@pytest.mark.parametrize(
    ("pin", "acr", "pcr", "words"),
    [
        ("PB6", 0x20, 0x00, "counted by timer 2 (tIPW)"),  # W65C22 data sheet, AC characteristics
        ("CB1", 0x0C, 0x00, "outside clock of the shift register (tICW)"),  # the same
        ("CB1", 0x1C, 0x00, "outside clock of the shift register (tICW)"),
        ("CA1", 0x00, 0x00, "a control input"),  # control inputs: from memory
        ("CA2", 0x00, 0x00, "a control input"),
        ("CB1", 0x00, 0x10, "a control input"),
        ("CB2", 0x00, 0x00, "a control input"),
        ("PB6", 0x00, 0x00, ""),  # an ordinary input
        ("CB2", 0x0C, 0x00, ""),  # data of the shift register
        ("CB2", 0x00, 0xC0, ""),  # an output
        ("CA2", 0x00, 0x0C, ""),
    ],
)
@pytest.mark.parametrize("width", [0, 1, 2])
def test_a_pulse_of_less_than_two_cycles_is_told_where_the_part_looks_at_it(pin, acr, pcr, words, width):
    """WDC W65C22 data sheet, AC characteristics: tIPW (PB6) and tICW (CB1) are two cycles at least."""
    via = Bench(Ports6522)
    via.write(ACR, acr)
    via.write(PCR, pcr)
    for _ in range(3):
        via.pull(pin, False)
        via.run(width)
        via.pull(pin, True)
        via.run(20)
    told = [f.message for f in via.findings if f.rule == "pulse-too-short"]
    assert len(told) == (1 if width < 2 and words else 0), "once a pin"
    assert all(words in message and message.startswith(pin) for message in told)


def test_the_gap_between_two_pulses_is_measured_too_and_told_again_after_a_reset(via):
    """WDC W65C22 data sheet, AC characteristics, tIPW."""
    for _ in range(2):
        via.write(ACR, 0x20)
        via.pull("PB6", False)
        via.run(9)
        via.pull("PB6", True)
        via.run(1)
        via.pull("PB6", False)
        via.run(9)
        via.pull("PB6", True)
        via.run(9)
        via.reset()
    assert via.findings.count("pulse-too-short") == 2


def test_the_defective_outside_clock_loses_bits_and_a_flip_flop_cures_it():
    """Public hardware test, 2024; cbm-hackers 32424: a rise in the window before PHI2 falls is lost."""
    lossy = Bench(Ports6522, {"shift_defect_ns": 50})
    cured = Bench(Ports6522, {"shift_defect_ns": 50, "cb1_resynchronised": True})
    for via in (lossy, cured):
        via.write(ACR, 0b011 << 2)
        for byte in range(250):
            clock_byte(via, byte)
    lost = lossy.findings.count("shift-clock-lost")
    assert 60 <= lost <= 140, "2000 edges, 50 ns of 1000 ns each: 100 expected"
    assert cured.findings.count("shift-clock-lost") == 0
    assert cured.peek(SR) == 249
