"""Faults that builders met and reported, tried on the bench machine: what the ROM holds and where its vectors are.

Each test names the public report it follows; the byte programs are our own. "From memory" and "common practice" mark
cases without one published report.
"""

from __future__ import annotations

import pytest
from field_bench import VECTORS, fetches, image

TIMER_COUNT = """8000: A2 FF 9A A9 00 85 10 85 11 A9 40 8D 0B 60 A9 E8
8010: 8D 04 60 A9 03 8D 05 60 A9 C0 8D 0E 60 58 E6 10
8020: 4C 1E 80
8040: 2C 04 60 E6 11 40
8050: 40
"""


def test_exchanged_vectors_leave_the_interrupt_line_low_for_ever(bench):
    """Forum 6502.org post 77522: the words at $FFFA and $FFFE in the wrong order."""
    m = bench(TIMER_COUNT + "FFFA: 40 80 00 80 50 80")
    m.run(cycles=3_000)
    frozen = m.peek(0x10)
    assert abs(frozen - 0x7D) <= 2
    m.run(cycles=20_000)
    assert (m.peek(0x10), m.peek(0x11)) == (frozen, 0)
    assert m.lines["IRQ"].asserted
    assert m.lines["IRQ"].since < 1_100
    assert set(fetches(m, 100)) <= {0x8050}, "interrupt entry, RTI, and no main instruction between"


def test_with_the_vectors_right_the_count_rises_once_per_1002_cycles(bench):
    """WDC W65C22S data sheet, section 1.7: latch $03E8 and two cycles."""
    m = bench(TIMER_COUNT + "FFFA: 50 80 00 80 40 80")
    m.run(cycles=1002 * 50 + 500)
    assert m.peek(0x11) == 50


def test_an_8k_image_at_the_bottom_of_a_32k_part_starts_at_ffff(bench):
    """Common practice. By arithmetic the vectors lie at offset $1FFC, and the CPU reads offset $7FFC."""
    small = image("E000: A9 42 85 10 4C 04 E0\nFFFA: 00 E0 00 E0 00 E0")[0x6000:]
    m = bench(small)
    assert fetches(m, 8)[0] == 0xFFFF
    (warning,) = m.warnings
    assert (warning.rule, "8192" in warning.message) == ("image-size", True)


@pytest.mark.parametrize(("mask", "found"), [(0x50, (0x01, 3)), (0x80, (0x3F, 2))])
def test_a_decimal_80_hid_a_bad_answer(bench, mask, found):
    """ "Weird bug in SD card code", steckschwein.de blog: BIT #80 for BIT #$80."""
    listing = f"""8000: A2 00 E8 BD 40 80 89 {mask:02X} D0 F8 8D 00 02 8E 01 02
8010: 4C 10 80
8040: FF FF 3F 01 FF
{VECTORS}"""
    m = bench(listing, cpu="65C02")
    m.run(cycles=200)
    assert (m.peek(0x200), m.peek(0x201)) == found


def test_a_65c02_opcode_on_the_nmos_part_never_ends_the_delay(bench):
    """ "Do I have the NMOS 6502?", a builders' forum, 2025: $3A is DEC A on CMOS only."""
    listing = "8000: A9 05 3A D0 FD 8D 00 02 EE 01 02 4C 0B 80\n" + VECTORS
    cmos = bench(listing, cpu="65C02")
    cmos.run(cycles=200)
    assert (cmos.peek(0x200), cmos.peek(0x201)) == (0, 1)
    nmos = bench(listing)
    nmos.run(cycles=5_000)
    assert nmos.peek(0x201) == 0
    assert 0x8002 <= nmos.cpu.pc <= 0x8004


@pytest.mark.parametrize(("cpu", "a"), [("6502", 2), ("65C02", 1)])
def test_an_indirect_jump_from_the_end_of_a_page(bench, cpu, a):
    """Rockwell, R65C00 data 29651N52, 1984, differences to the R6502, item 3."""
    listing = (
        """8000: A9 40 8D FF 02 A9 81 8D 00 03 A9 82 8D 00 02 6C
8010: FF 02
8140: A9 01 4C 42 81
8240: A9 02 4C 42 82
"""
        + VECTORS
    )
    m = bench(listing, cpu=cpu)
    m.run(cycles=200)
    assert m.cpu.a == a
