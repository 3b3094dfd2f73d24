"""The 6551 card: registers, byte times, interrupts, the defective later part; each test names its source."""

import random

import pytest
from simkit_cards.serial_6551.card import Serial6551
from simkit_cards.serial_6551.frame import CRYSTALS_PER_BIT

from simkit.testing.bench import Bench

DATA, STATUS, COMMAND, CONTROL = range(4)
TDRE, RDRF, OVRN, IRQ = 0x10, 0x08, 0x04, 0x80


@pytest.fixture
def bench():
    return make()


def make(command=0x0B, control=0x1F, **settings):
    bench = Bench(Serial6551, settings, lines={"INT": "IRQ"})
    bench.write(COMMAND, command)
    bench.write(CONTROL, control)
    return bench


def sent(bench):
    return list(bench.card.slot.ports["serial"].sent)


def test_status_after_reset_is_10():
    """SY6551 data sheet, reset row of the status register, with DSR and DCD low."""
    assert Bench(Serial6551).read(STATUS) == 0x10


def test_programmed_reset_clears_command_bits_4_to_0_and_keeps_control(bench):
    """SY6551 data sheet, programmed reset."""
    bench.write(COMMAND, 0xEB)
    bench.write(STATUS, 0xFF)
    assert bench.read(COMMAND) == 0xE0
    assert bench.read(CONTROL) == 0x1F


def test_a_frame_at_19200_baud_takes_521_cycles_at_1_mhz(bench):
    """10 bits / 19 200 baud = 520.83 us, on the first cycle after it. SY6551 data sheet, control register."""
    start = bench.cycle
    bench.write(DATA, 0x41)
    bench.run(1000)
    ((cycle, byte),) = sent(bench)
    assert byte == 0x41
    assert cycle - start in (521, 522), "the frame begins with the next clock of the crystal"


@pytest.mark.parametrize(
    ("code", "baud"),
    list(enumerate((50, 75, 109.92, 134.58, 150, 300, 600, 1200, 1800, 2400, 3600, 4800, 7200, 9600, 19200), start=1)),
)
def test_rates_of_the_control_register(code, baud):
    """SY6551 data sheet, control register; divisors of 1.8432 MHz by arithmetic."""
    assert round(1_843_200 / CRYSTALS_PER_BIT[code], 2) == baud
    bench = make(control=0x10 | code)
    port = bench.card.slot.ports["serial"]
    assert port.byte_cycles(bench.cycle) == -(-10_000_000 * CRYSTALS_PER_BIT[code] // 1_843_200)
    bench.write(DATA, 0x41)
    start = bench.cycle
    bench.run(port.byte_cycles(bench.cycle) + 2)
    ((cycle, _),) = sent(bench)
    assert abs(cycle - start - 10_000_000 / baud) < 20_000 / baud + 2, "the rates are printed with two places"


@pytest.mark.parametrize(
    ("command", "control", "half_bits"),
    [
        (0x0B, 0x1F, 20),  # 8N1
        (0x0B, 0x9F, 22),  # 8N2
        (0x6B, 0x9F, 22),  # 8E with the stop bit of 8 bits and parity: 1
        (0x6B, 0x3F, 20),  # 7E1
        (0x0B, 0xFF, 15),  # 5N, one and a half
        (0x2B, 0xFF, 18),  # 5O2
    ],
)
def test_frame_lengths(command, control, half_bits):
    """SY6551 data sheet, control register bit 7: 2 stop bits; 1 with 8 bits and parity; 1.5 with 5 bits, no parity."""
    bench = make(command, control)
    port = bench.card.slot.ports["serial"]
    assert port.byte_cycles(bench.cycle) == -(-1_000_000 * half_bits // (2 * 19_200))


def test_115200_baud_from_the_crystal_on_the_later_part_only():
    """W65C51N data sheet, rate 0: crystal / 16; on the older part the pin RxC must be clocked (SY6551 data sheet)."""
    later = make(control=0x10, part="W65C51N").card.slot.ports["serial"]
    older = make(control=0x10).card.slot.ports["serial"]
    clocked = make(control=0x00, outside_clock_hz=1_843_200).card.slot.ports["serial"]
    assert later.byte_cycles(0) == 87
    assert older.byte_cycles(0) == 0
    assert clocked.byte_cycles(0) == 87


@pytest.mark.parametrize(("outside_hz", "arrives"), [(153_600, True), (0, False)])
def test_with_rcs_0_the_receiver_runs_by_the_clock_on_rxc_and_the_transmitter_by_the_generator(outside_hz, arrives):
    """SY6551 data sheet, control register bit 4: RxC is 16 times the rate, 9600 baud here; 9.5 bits are 989.6 us."""
    bench = make(control=0x0F, outside_clock_hz=outside_hz)
    start = bench.cycle
    bench.outside("serial", "receive", 0x5A)
    bench.write(DATA, 0x41)
    bench.run_to(start + 524)
    assert [byte for _, byte in sent(bench)] == [0x41], "at 19 200 baud"
    bench.run_to(start + 988)
    assert not bench.peek(STATUS) & RDRF
    bench.run_to(start + 992)
    assert bool(bench.peek(STATUS) & RDRF) is arrives
    assert bench.findings.count("serial-not-listening") == (not arrives)


def test_two_stores_fill_both_registers_and_the_third_would_wait(bench):
    """SY6551 data sheet, TDRE: the data register moves to the shift register at the start bit."""
    bench.write(DATA, 0x41)
    assert bench.read(STATUS) & TDRE
    bench.write(DATA, 0x42)
    assert not bench.read(STATUS) & TDRE
    start = bench.cycle
    while not bench.read(STATUS) & TDRE:
        assert bench.cycle < start + 600
    assert 505 <= bench.cycle - start <= 521
    bench.run(1100)
    assert [byte for _, byte in sent(bench)] == [0x41, 0x42]
    first, second = (cycle for cycle, _ in sent(bench))
    assert second - first in (520, 521), "back to back"


def test_a_byte_stored_over_one_that_waits_is_reported(bench):
    for byte in (1, 2, 3):
        bench.write(DATA, byte)
    bench.run(2000)
    assert [byte for _, byte in sent(bench)] == [1, 3]
    assert bench.findings.count("serial-byte-replaced") == 1


def test_the_later_part_always_says_ready_and_mixes_bytes_stored_too_early():
    """W65C51N data sheet, note at status bit 4; forum 6502.org posts 29784 and 52022."""
    bench = make(part="W65C51N")
    bench.write(DATA, 0x41)
    bench.run(250)
    assert bench.read(STATUS) & TDRE
    bench.write(DATA, 0x7E)
    bench.run(1000)
    assert len(sent(bench)) == 1
    assert sent(bench)[0][1] not in (0x41, 0x7E)
    assert bench.findings.count("serial-store-while-shifting") == 1


@pytest.mark.parametrize(("control", "bits"), [(0x1F, 8), (0x7F, 5)])
def test_a_store_into_a_frame_sends_the_new_byte_from_its_bit_0_in_what_is_left_of_the_frame(control, bits):
    """Forum 6502.org posts 29784 and 52022, and arithmetic: a bit takes 96 ticks of 1.8432 MHz, 52.08 cycles."""
    for store in range(2, 52 * (bits + 2), 13):
        bench = make(control=control, part="W65C51N")
        start = bench.cycle
        bench.write(DATA, 0x35)
        bench.run_to(start + store)
        bench.write(DATA, 0xCA)
        bench.run(1_000)
        ((end, byte),) = sent(bench)
        (finding,) = bench.findings
        assert f"shifted out for {end - start - store} cycles" in finding.message
        gone = store * 1_843_200 / 96_000_000 - 1
        allowed = {max(0, min(bits, int(gone + slack))) for slack in (-0.03, 0.03)}
        assert byte in {(0x35 & (1 << n) - 1 | 0xCA << n) & (1 << bits) - 1 for n in allowed}


def test_one_byte_time_between_stores_is_the_later_parts_cure():
    """Forum 6502.org post 29784: wait one character time, 0.52 ms at 19 200 baud."""
    bench = make(part="W65C51N")
    for byte in b"ABC":
        bench.write(DATA, byte)
        bench.run(523)
    assert bytes(byte for _, byte in sent(bench)) == b"ABC"
    assert len(bench.findings) == 0


def test_on_the_later_part_cts_high_lets_bit_4_fall():
    """Forum 6502.org post 52022: with CTS high a store drops bit 4."""
    bench = make(part="W65C51N")
    bench.pull("CTS", True)
    bench.write(DATA, 0x41)
    assert not bench.read(STATUS) & TDRE
    bench.pull("CTS", False)
    bench.run(1000)
    assert [byte for _, byte in sent(bench)] == [0x41]
    assert bench.read(STATUS) & TDRE


def test_cts_high_makes_tdre_read_0_and_holds_the_next_byte():
    """Data sheets and forum 6502.org post 52022: CTS high stops the transmitter, TDRE reads 0.

    Harris CDP65C51 data sheet, Figure 10: the part with an A behind its number ends the byte under way.
    """
    bench = make(part="CDP65C51A")
    bench.write(DATA, 0x41)
    bench.write(DATA, 0x42)
    bench.pull("CTS", True)
    bench.run(3000)
    assert not bench.read(STATUS) & TDRE
    assert [byte for _, byte in sent(bench)] == [0x41]
    bench.pull("CTS", False)
    bench.run(600)
    assert [byte for _, byte in sent(bench)] == [0x41, 0x42]


def test_rts_high_stops_the_transmitter_in_mid_stream(bench):
    """Forum 6502.org post 63115: TIC 00 stops the transmitter too, and TDRE stays 0."""
    bench.write(DATA, 0x41)
    bench.write(DATA, 0x42)
    bench.write(COMMAND, 0x03)
    assert bench.level("RTS")
    bench.run(5000)
    assert not bench.read(STATUS) & TDRE
    bench.write(COMMAND, 0x0B)
    bench.run(600)
    assert [byte for _, byte in sent(bench)] == [0x41, 0x42]


def test_a_byte_arrives_in_the_middle_of_its_stop_bit(bench):
    """9.5 bits / 19 200 baud = 494.8 us (arithmetic); the moment itself is from memory."""
    bench.outside("serial", "receive", 0x5A)
    start = bench.cycle
    while not bench.peek(STATUS) & RDRF:
        bench.run(1)
        assert bench.cycle < start + 600
    assert bench.cycle - start in (494, 495, 496)
    assert bench.read(DATA) == 0x5A
    assert not bench.read(STATUS) & RDRF


def test_bytes_given_at_once_arrive_one_frame_apart(bench):
    for byte in b"abc":
        bench.outside("serial", "receive", byte)
    seen = []
    while len(seen) < 3:
        bench.run(1)
        if bench.peek(STATUS) & RDRF:
            seen.append((bench.cycle, bench.read(DATA)))
    assert bytes(byte for _, byte in seen) == b"abc"
    assert seen[2][0] - seen[0][0] in (1041, 1042), "2 x 520.83 cycles"


def test_an_unread_byte_is_kept_and_the_next_is_lost(bench):
    """SY6551 data sheet, OVRN: a character was lost; which one is from memory."""
    for byte in b"xy":
        bench.outside("serial", "receive", byte)
    bench.run(1200)
    assert bench.findings.count("serial-overrun") == 1
    assert bench.read(STATUS) & OVRN
    assert bench.read(DATA) == ord("x")
    assert bench.read(STATUS) & OVRN, "error bits follow the next good character"
    bench.outside("serial", "receive", ord("z"))
    bench.run(600)
    assert not bench.read(STATUS) & OVRN
    assert bench.read(DATA) == ord("z")


@pytest.mark.parametrize(
    ("spoiled", "parity", "bit"),
    [
        ("parity", 0x00, 0),  # none
        ("parity", 0x20, 1),  # odd
        ("parity", 0x60, 1),  # even
        ("parity", 0xA0, 0),  # mark sent, not checked
        ("parity", 0xE0, 0),  # space sent, not checked
        ("parity", 0xC0, 0),  # none, whatever the upper bits
        ("framing", 0x00, 2),
        ("framing", 0x60, 2),
    ],
)
def test_error_bits_belong_to_the_character_and_do_not_interrupt(spoiled, parity, bit):
    """SY6551 data sheet: PE, FE and OVRN cause no interrupt of their own; command bits 7 to 5 say what is checked."""
    bench = make(command=0x0B | parity)
    bench.outside("serial", "receive", 0x41, spoiled)
    bench.run(600)
    assert bench.read(STATUS) & 7 == bit
    assert bench.level("INT")


def test_a_byte_that_is_lost_asks_for_no_interrupt_and_the_next_one_that_is_kept_does():
    """SY6551 data sheet, status register: OVRN causes no interrupt of its own; RDRF has had its already."""
    bench = make(command=0x09)
    for byte in b"xy":
        bench.outside("serial", "receive", byte)
    bench.run(600)
    assert bench.read(STATUS) & (IRQ | RDRF | OVRN) == IRQ | RDRF
    bench.run(600)
    assert bench.level("INT")
    assert bench.read(STATUS) & (IRQ | RDRF | OVRN) == RDRF | OVRN
    bench.read(DATA)
    bench.outside("serial", "receive", ord("z"))
    bench.run(600)
    assert not bench.level("INT")
    assert bench.read(STATUS) & (IRQ | RDRF | OVRN) == IRQ | RDRF


def test_receiver_interrupt_falls_with_rdrf_and_ends_with_the_status_read():
    """SY6551 data sheet: reading the status clears the IRQ bit and the pin."""
    bench = make(command=0x09)
    bench.outside("serial", "receive", 0x41)
    bench.run(600)
    assert not bench.level("INT")
    assert bench.read(STATUS) & (IRQ | RDRF) == IRQ | RDRF
    assert bench.level("INT")
    assert not bench.read(STATUS) & IRQ


def test_transmitter_interrupt_comes_once_per_empty_register():
    """SY6551 data sheet, TIC 01: interrupt when TDRE; it comes again a byte time later, test_parts.py."""
    bench = make(command=0x05)
    assert not bench.level("INT")
    bench.read(STATUS)
    bench.run(100)
    assert bench.level("INT")
    bench.write(DATA, 0x41)
    assert bench.read(STATUS) & IRQ
    bench.write(DATA, 0x42)
    bench.run(600)
    assert bench.read(STATUS) & IRQ


def test_transmitter_interrupt_of_the_later_part_never_ends():
    """W65C51N data sheet note and builders' reports: the transmitter interrupt fires endlessly."""
    bench = make(command=0x05, part="W65C51N")
    for _ in range(20):
        bench.run(5)
        assert bench.read(STATUS) & IRQ


def test_dtr_off_disables_receiver_and_interrupts():
    """SY6551 data sheet, command bit 0."""
    bench = make(command=0x08)
    bench.outside("serial", "receive", 0x41)
    bench.pull("DSR", True)
    bench.run(1000)
    assert bench.level("INT")
    assert not bench.read(STATUS) & RDRF
    assert bench.findings.count("serial-not-listening") == 1


@pytest.mark.parametrize(("pin", "bit"), [("DSR", 0x40), ("DCD", 0x20)])
def test_modem_lines_stand_in_the_status_and_interrupt(bench, pin, bit):
    """A 6551 serial-cartridge application note, v1.1: any change of DSR or DCD interrupts."""
    bench.pull(pin, True)
    assert not bench.level("INT")
    assert bench.read(STATUS) & (bit | IRQ) == bit | IRQ
    bench.run(3)
    assert bench.level("INT")
    bench.pull(pin, False)
    assert bench.read(STATUS) & (bit | IRQ) == IRQ


def test_rts_and_dtr_follow_every_command_byte_and_both_resets(bench):
    """SY6551 data sheet, command register: bit 0 set pulls DTR low; TIC 00 leaves RTS high, the others pull it low.

    In echo mode, which has TIC 00, it is low: Harris CDP65C51 data sheet, Figure 5; WDC W65C51N data sheet, page 13.
    """
    for command in random.Random(1).sample(range(256), 256):
        bench.write(COMMAND, command)
        assert (bench.level("DTR"), bench.level("RTS")) == (not command & 0x01, not command & 0x1C)
    for action in (lambda: bench.write(STATUS, 0), bench.reset):
        bench.write(COMMAND, 0x0F)
        assert (bench.level("DTR"), bench.level("RTS")) == (False, False)
        action()
        assert (bench.level("DTR"), bench.level("RTS")) == (True, True)


def test_echo_sends_back_what_arrives():
    """SY6551 data sheet, command bit 4 with TIC 00."""
    bench = make(command=0x13)
    bench.outside("serial", "receive", 0x41)
    bench.run(600)
    assert [byte for _, byte in sent(bench)] == [0x41]


def test_with_rts_cts_the_far_side_pauses_while_rts_is_high():
    bench = make(command=0x0B, cable="rts-cts")
    for byte in b"abc":
        bench.outside("serial", "receive", byte)
    bench.run(100)
    bench.write(COMMAND, 0x03)
    bench.run(3000)
    assert bench.read(DATA) == ord("a")
    assert not bench.read(STATUS) & RDRF
    bench.write(COMMAND, 0x0B)
    bench.run(600)
    assert bench.read(DATA) == ord("b")
    bench.run(600)
    assert bench.read(DATA) == ord("c")


def test_seven_bit_frames_carry_seven_bits():
    """SY6551 data sheet, control register, bits 6 and 5."""
    bench = make(control=0x3F)
    bench.outside("serial", "receive", 0xC1)
    bench.write(DATA, 0xC2)
    bench.run(600)
    assert bench.read(DATA) == 0x41
    assert sent(bench)[0][1] == 0x42


@pytest.mark.parametrize("command", [0x0F, 0x0B])
def test_a_byte_stored_in_a_break_never_arrives(command):
    """SY6551 data sheet, TIC 11: the transmitter sends a break."""
    bench = make(command)
    bench.write(DATA, 0x41)
    bench.run(600)
    assert len(sent(bench)) == (command == 0x0B)
    assert bench.findings.count("serial-byte-in-break") == (command == 0x0F)
    bench.write(COMMAND, 0x0B)
    bench.write(DATA, 0x42)
    bench.run(600)
    assert sent(bench)[-1][1] == 0x42, "the break is over"


@pytest.mark.parametrize("after", [100, 600])
def test_a_break_begun_too_soon_cuts_the_byte_under_way(bench, after):
    """SY6551 data sheet, TIC 11; a frame takes 521 cycles at 19 200 baud."""
    bench.write(DATA, 0x41)
    bench.run(after)
    bench.write(COMMAND, 0x0F)
    bench.run(20)
    bench.write(COMMAND, 0x0B)
    bench.run(600)
    assert bool(sent(bench)) is (after == 600)
    assert bench.findings.count("serial-byte-in-break") == (after == 100)


@pytest.mark.parametrize("how", ["programmed reset", "DTR off", "no carrier"])
def test_a_byte_whose_receiver_is_turned_off_on_the_way_is_told(bench, how):
    """SY6551 data sheet: command bit 0 and DCD; the loss is said, as every loss is."""
    bench.outside("serial", "receive", 0x41)
    bench.run(200)
    if how == "no carrier":
        bench.pull("DCD", True)
    else:
        bench.write(STATUS if how == "programmed reset" else COMMAND, 0x0A)
    bench.run(400)
    assert not bench.read(STATUS) & RDRF
    assert bench.findings.count("serial-not-listening") == 1
