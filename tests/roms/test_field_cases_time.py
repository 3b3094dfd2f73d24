"""Faults that builders met and reported, tried on the bench machine: time, speed and storage.

Each test names the public report it follows; the byte programs are our own. "From memory" and "common practice" mark
cases without one published report.
"""

from __future__ import annotations

import itertools

import pytest
from field_bench import VECTORS


def test_timer_1_repeats_every_latch_and_two_cycles(bench):
    """ "What did I forget?", forum 6502.org topic 8518, 2025: 36 862 for 36 864, 50 a second at 1.8432 MHz."""
    listing = """8000: A2 FF 9A A9 00 85 10 85 11 A9 40 8D 0B 60 A9 FE
8010: 8D 04 60 A9 8F 8D 05 60 A9 C0 8D 0E 60 58 4C 1E
8020: 80
8040: 2C 04 60 E6 10 D0 02 E6 11 40
FFFA: 40 80 00 80 40 80"""
    m = bench(listing, clock="1.8432 MHz")
    m.run(access=0x6005)
    m.run(cycles=1_843_200 + 60)
    assert m.peek(0x10) == 50
    falls = []
    for _ in range(3):
        m.run(until=lambda m: m.lines["IRQ"].asserted and m.lines["IRQ"].since not in falls, timeout=0.1)
        falls.append(m.lines["IRQ"].since)
    assert [later - earlier for earlier, later in itertools.pairwise(falls)] == [36_864, 36_864]


@pytest.mark.parametrize("cpu", ["6502", "65C02"])
@pytest.mark.parametrize(("start", "cycles"), [("8010", 1001), ("80FC", 1200)])
def test_a_delay_loop_across_a_page_takes_longer(bench, cpu, start, cycles):
    """From memory, common practice: a taken branch into another page costs a cycle more."""
    at = int(start, 16)
    low, high = at & 0xFF, at >> 8
    end = at + 6
    listing = f"""8000: 4C {low:02X} {high:02X}
{start}: A2 C8 CA D0 FD EA 4C {end & 0xFF:02X} {end >> 8:02X}
{VECTORS}"""
    m = bench(listing, cpu=cpu)
    m.run(until=lambda m: m.cpu.pc == at, timeout=0.1)
    begun = m.cycle
    m.run(until=lambda m: m.cpu.pc == at + 5, timeout=0.1)
    assert m.cycle - begun == cycles


@pytest.mark.parametrize(("calls", "returned"), [(0x80, 1), (0x81, 0)])
def test_the_129th_nested_call_overwrites_the_first_return(bench, calls, returned):
    """From memory, common practice: the stack is 256 bytes and wraps without a sign."""
    listing = f"""8000: A2 FF 9A A0 {calls:02X} 20 10 80 A9 01 8D 00 02 4C 0D 80
8010: 88 F0 03 20 10 80 60
{VECTORS}"""
    m = bench(listing)
    m.run(cycles=20_000)
    assert m.peek(0x200) == returned
