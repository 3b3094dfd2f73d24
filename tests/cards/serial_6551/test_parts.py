"""What the parts in the socket of the 6551 card do each its own way, and what the card tells of programs.

[CDP] Harris, CDP65C51 data sheet; [WDC] Western Design Center, W65C51N data sheet; pages and figures at each test. At
19 200 baud and 1 MHz a bit takes 52.08 cycles, a byte of 10 bits 520.8 (arithmetic).
"""

import pytest
from simkit_cards.serial_6551 import Serial6551
from simkit_cards.serial_6551.parts import PARTS

from simkit.testing.bench import Bench

DATA, STATUS, COMMAND, CONTROL = range(4)
PE, FE, OVRN, RDRF, TDRE, DCD, DSR, IRQ = (1 << n for n in range(8))
OLDER = [name for name in PARTS if name != "W65C51N"]


def make(part, command=0x0B, control=0x1F, **settings):
    bench = Bench(Serial6551, {"part": part, **settings}, lines={"INT": "IRQ"})
    bench.write(COMMAND, command)
    bench.write(CONTROL, control)
    return bench


def sent(bench):
    return [byte for _, byte in bench.card.slot.ports["serial"].sent]


def told(bench, rule):
    return [finding.message for finding in bench.findings if finding.rule == rule]


# Transmit interrupts -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("part", OLDER)
@pytest.mark.parametrize(("control", "byte_cycles"), [(0x1F, 520.8), (0x1E, 1041.7), (0x7F, 364.6)])
def test_with_nothing_to_send_transmit_interrupts_go_on_a_byte_time_apart(part, control, byte_cycles):
    """[CDP] Figure 9: while no data are loaded the interrupts go on at the rate of bytes."""
    bench = make(part, command=0x02, control=control)
    bench.write(COMMAND, 0x07)
    start = bench.cycle
    bench.read(STATUS)
    asked = []
    while bench.cycle < start + 12 * byte_cycles:
        if not bench.level("INT"):
            asked.append(bench.cycle - start)
            assert bench.read(STATUS) & (IRQ | TDRE) == IRQ | TDRE
        bench.run(1)
    assert len(asked) in (11, 12)
    assert all(abs(cycle - (n + 1) * byte_cycles) < 5 for n, cycle in enumerate(asked)), asked
    assert sent(bench) == []


def test_a_byte_starts_at_once_between_such_interrupts_and_they_go_on_behind_it():
    """[CDP] Figure 9; that data loaded between two of them are sent at once, and ask as they begin, is our reading."""
    bench = make("SY6551", command=0x07)
    bench.read(STATUS)
    bench.run(1_000)
    bench.read(STATUS)
    start = bench.cycle
    bench.write(DATA, 0x41)
    assert bench.read(STATUS) & IRQ
    bench.run_to(start + 525)
    assert sent(bench) == [0x41]
    assert bench.level("INT")
    bench.run_to(start + 1_045)
    assert not bench.level("INT")


@pytest.mark.parametrize("ends", [lambda b: b.write(COMMAND, 0x0B), lambda b: b.write(STATUS, 0), Bench.reset])
def test_they_end_with_tic_01(ends):
    """SY6551 data sheet, command register and its two resets: TIC 10 and TIC 00 ask for none."""
    bench = make("SY6551", command=0x07)
    bench.run(700)
    bench.read(STATUS)
    ends(bench)
    bench.run(3_000)
    assert not bench.read(STATUS) & IRQ


def test_cts_high_holds_them_and_its_fall_asks():
    """[CDP] Figure 10: with CTS high TDRE reads 0 and no interrupt comes."""
    bench = make("SY6551", command=0x07)
    bench.read(STATUS)
    bench.pull("CTS", True)
    bench.run(3_000)
    assert bench.level("INT")
    assert bench.read(STATUS) & (TDRE | IRQ) == 0
    bench.pull("CTS", False)
    assert bench.read(STATUS) & (TDRE | IRQ) == TDRE | IRQ


# Modem lines ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize(("pin", "bit"), [("DSR", DSR), ("DCD", DCD)])
def test_a_change_holds_its_bits_until_status_is_read_and_what_moved_meanwhile_asks_again(part, pin, bit):
    """[CDP] page 5-15; [WDC] page 10."""
    bench = make(part, command=0x09)
    other = "DCD" if pin == "DSR" else "DSR"
    bench.pull(pin, True)
    assert not bench.level("INT")
    bench.run(10)
    bench.pull(pin, False)
    bench.pull(other, True)
    bench.run(10)
    assert bench.read(STATUS) & (DSR | DCD | IRQ) == bit | IRQ, "as they were when they asked"
    assert not bench.level("INT"), "the second interrupt"
    assert bench.read(STATUS) & (DSR | DCD | IRQ) == (DSR | DCD) & ~bit | IRQ
    assert bench.level("INT")
    assert not bench.read(STATUS) & IRQ


@pytest.mark.parametrize("part", PARTS)
def test_a_line_that_came_back_before_the_read_asks_once_more_and_one_that_moved_twice_does_not(part):
    """[CDP] page 5-15; [WDC] page 10."""
    bench = make(part, command=0x09)
    bench.pull("DSR", True)
    bench.pull("DSR", False)
    assert bench.read(STATUS) & (DSR | IRQ) == DSR | IRQ
    assert bench.read(STATUS) & (DSR | IRQ) == IRQ
    for level in (True, False, True):
        bench.pull("DSR", level)
    assert bench.read(STATUS) & (DSR | IRQ) == DSR | IRQ
    assert bench.read(STATUS) & (DSR | IRQ) == DSR


@pytest.mark.parametrize(("part", "command", "asks"), [
    *((part, command, command & 1) for part in OLDER for command in (0x08, 0x09, 0x0A, 0x0B)),
    *(("W65C51N", command, command == 0x09) for command in (0x08, 0x09, 0x0A, 0x0B)),
])  # fmt: skip
def test_what_masks_the_interrupts_of_the_modem_lines(part, command, asks):
    """[CDP]: DTR at 0 alone; [WDC] page 10: IRD at 1 too. Unasked the bits follow the pins: our reading."""
    bench = make(part, command=command)
    bench.pull("DCD", True)
    assert bench.level("INT") is not bool(asks)
    if not asks:
        assert bench.read(STATUS) & DCD
        bench.pull("DCD", False)
        assert not bench.read(STATUS) & (DCD | IRQ)


# CTS and DTR at the transmitter ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("part", ["SY6551", "R6551", "CDP65C51"])
@pytest.mark.parametrize(
    ("bits", "seen"),
    [
        (0.3, None),  # less than half a start bit is none
        (0.7, 0xFF),
        (1.2, 0xFF),  # the middle of the first data bit is not reached
        (1.7, 0xFE),
        (4.7, 0xF2),
        (7.7, 0x92),
        (8.7, 0x12),
    ],
)
def test_cts_high_cuts_the_byte_under_way_and_the_far_side_takes_the_rest_for_ones(part, bits, seen):
    """[CDP] Figure 10: the line goes to mark at once. What arrives is arithmetic: samples in the middle of each bit."""
    bench = make(part)
    start = bench.cycle
    bench.write(DATA, 0x12)
    bench.run_to(start + round(bits * 52.08) + 1)
    bench.pull("CTS", True)
    bench.run(2_000)
    assert sent(bench) == ([] if seen is None else [seen])
    assert len(told(bench, "serial-byte-cut")) == (seen != 0x12)
    assert not bench.read(STATUS) & TDRE
    bench.pull("CTS", False)
    assert bench.read(STATUS) & TDRE
    bench.write(DATA, 0x34)
    bench.run(600)
    assert sent(bench)[-1] == 0x34


def test_a_byte_that_waited_behind_the_cut_one_goes_when_cts_falls():
    """[CDP] Figure 10; that what waits goes on waiting is our reading."""
    bench = make("SY6551")
    bench.write(DATA, 0x00)
    bench.write(DATA, 0x42)
    bench.run(100)
    bench.pull("CTS", True)
    bench.run(700)
    bench.pull("CTS", False)
    bench.run(530)
    assert sent(bench) == [0xFE, 0x42]


@pytest.mark.parametrize(("part", "goes"), [*((part, False) for part in OLDER), ("W65C51N", True)])
def test_dtr_at_0_stops_the_transmitter_of_the_older_parts(part, goes):
    """[CDP] page 5-16; [WDC]: receiver and interrupts only. The byte under way ends: not said, our reading."""
    bench = make(part, command=0x0A)
    bench.write(DATA, 0x41)
    bench.run(600)
    assert sent(bench) == ([0x41] if goes else [])
    bench.write(COMMAND, 0x0B)
    bench.run(600)
    assert sent(bench) == [0x41]
    bench.write(DATA, 0x42)
    bench.run(100)
    bench.write(COMMAND, 0x0A)
    bench.run(600)
    assert sent(bench) == [0x41, 0x42]


# Echo mode, parity, errors --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("part", PARTS)
def test_in_echo_mode_an_overrun_and_cts_high_send_mark(part):
    """[CDP] Figure 14; that CTS high does so too is from memory."""
    bench = make(part, command=0x13)
    for byte in b"abc":
        bench.outside("serial", "receive", byte)
    bench.run(1_700)
    assert sent(bench) == [ord("a")]
    assert bench.read(STATUS) & OVRN
    bench.read(DATA)
    bench.outside("serial", "receive", ord("d"))
    bench.run(600)
    assert sent(bench) == [ord("a"), ord("d")]
    bench.read(DATA)
    bench.pull("CTS", True)
    bench.outside("serial", "receive", ord("e"))
    bench.run(600)
    assert bench.read(DATA) == ord("e")
    assert sent(bench) == [ord("a"), ord("d")]


def test_the_later_part_has_no_parity_bit_checks_none_and_the_card_says_so_once():
    """[WDC] pages 8, 13 and 14."""
    later, older = make("W65C51N", command=0x6B), make("SY6551", command=0x6B)
    assert older.card.slot.ports["serial"].byte_cycles(0) == 573, "11 bits of 52.08 cycles"
    assert later.card.slot.ports["serial"].byte_cycles(0) == 521
    for bench in (later, older):
        bench.outside("serial", "receive", 0x41, "parity")
        bench.run(700)
        bench.write(COMMAND, 0x69)
    assert older.read(STATUS) & PE
    assert not later.read(STATUS) & PE
    (message,) = told(later, "serial-part-lacks")
    assert "$6B" in message
    assert "no parity" in " ".join(later.card.words(later.cycle))
    assert not told(older, "serial-part-lacks")


@pytest.mark.parametrize(("part", "times"), [*((part, 0) for part in OLDER), ("W65C51N", 2)])
def test_transmit_interrupts_of_the_later_part_are_not_to_be_used(part, times):
    """[WDC] page 13: TIC 01, "do not use"."""
    bench = make(part, command=0x05)
    bench.write(COMMAND, 0x07)
    bench.write(COMMAND, 0x0B)
    bench.write(COMMAND, 0x05)
    assert len(told(bench, "serial-part-lacks")) == times, "once each time they are turned on"


@pytest.mark.parametrize(("part", "left"), [*((part, FE) for part in OLDER), ("W65C51N", 0)])
def test_errors_end_with_the_read_of_data_or_with_the_next_byte(part, left):
    """SY6551 data sheet, status register, and [CDP]: the next byte decides; [WDC] page 10: reading data clears them."""
    bench = make(part)
    bench.outside("serial", "receive", 0x41, "framing")
    bench.run(600)
    assert bench.read(STATUS) & (FE | RDRF) == FE | RDRF
    bench.read(DATA)
    assert bench.read(STATUS) & (FE | RDRF) == left
    bench.outside("serial", "receive", 0x42)
    bench.run(600)
    assert bench.read(STATUS) & (FE | RDRF) == RDRF


# Bytes that wait ------------------------------------------------------------------------------------------------------


def stores(bench):
    bench.write(DATA, 0x41)


def looks(bench):
    for _ in range(40):
        bench.read(STATUS)
        bench.run(100)


@pytest.mark.parametrize(
    ("part", "command", "control", "cts", "does", "words"),
    [
        ("SY6551", 0x03, 0x1F, False, stores, "TIC 00"),
        ("W65C51N", 0x03, 0x1F, False, stores, "TIC 00"),
        ("SY6551", 0x13, 0x1F, False, stores, "TIC 00"),  # echo mode
        ("SY6551", 0x0A, 0x1F, False, stores, "DTR"),
        ("SY6551", 0x0B, 0x10, False, stores, "rate 0"),
        ("SY6551", 0x0B, 0x1F, True, stores, "CTS is high"),
        ("W65C51N", 0x0B, 0x1F, True, stores, "CTS is high"),
        ("CDP65C51A", 0x0B, 0x1F, True, looks, "CTS is high"),  # the program waits for TDRE before its store
        ("W65C51N", 0x0B, 0x1F, True, looks, ""),  # whose TDRE reads 1
        ("SY6551", 0x03, 0x1F, True, looks, ""),  # receives only
        ("SY6551", 0x0B, 0x1F, False, stores, ""),
        ("SY6551", 0x0B, 0x11, False, stores, ""),  # at 50 baud, 0.2 s a byte
    ],
)
def test_what_cannot_leave_for_long_is_told_once_with_the_reason(part, command, control, cts, does, words):
    """A builders' monitor waited for TDRE for ever with the transmitter off. 20 ms are chosen."""
    bench = make(part, command, control)
    bench.pull("CTS", cts)
    start = bench.cycle
    does(bench)
    bench.run_to(start + 19_990)
    assert not told(bench, "serial-byte-waits")
    bench.run(300_000)
    messages = told(bench, "serial-byte-waits")
    assert [words in message for message in messages] == [True] * bool(words)


def test_a_byte_caught_by_a_programmed_reset_is_told_and_one_let_go_in_time_is_not():
    bench = make("SY6551")
    bench.write(DATA, 0x41)
    bench.write(DATA, 0x42)
    bench.write(STATUS, 0)
    bench.run(15_000)
    bench.write(COMMAND, 0x0B)
    bench.run(40_000)
    assert not list(bench.findings)
    bench.write(DATA, 0x43)
    bench.write(DATA, 0x44)
    bench.write(STATUS, 0)
    bench.run(40_000)
    (message,) = told(bench, "serial-byte-waits")
    assert message.startswith("$44 has waited to be sent for 20 ms")
