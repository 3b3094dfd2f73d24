"""The bench machine's own ROM: what arrives on the serial line goes back, up to a rate that can be computed."""

import re
from pathlib import Path

import pytest

from simkit import Machine

ROOT = Path(__file__).resolve().parents[2]
BENCH = ROOT / "demo" / "bench" / "machine.toml"
ROM, SERIAL = 2, 3


def bench_at(baud, engine):
    """The bench machine with its own ROM at any rate: an outside clock where the part has no such rate."""
    rom = bytearray((ROOT / "roms" / "bench.bin").read_bytes())
    if baud != 19_200:
        where = re.search(rb"\xA9\x1F\x8D\x03\x50", rom)
        rom[where.start() + 1] = 0x00
    m = Machine.load(BENCH, images={ROM: bytes(rom)}, settings={SERIAL: {"outside_clock_hz": 16 * baud}}, engine=engine)
    m.run(seconds=0.05)
    assert m.serial.received == b"Bench M1 is ready.\r\n" or baud < 19_200
    return m


@pytest.mark.parametrize(
    ("kb", "engine"),
    [
        (4, "auto"),
        pytest.param(10, "auto", marks=pytest.mark.slow),
        pytest.param(10, "exact", marks=pytest.mark.slow),
    ],
)
def test_kilobytes_are_echoed_at_19200_baud_by_interrupt_without_loss(kb, engine):
    m = bench_at(19_200, engine)
    data = bytes(range(256)) * 4 * kb
    m.serial.send(data)
    m.run(seconds=len(data) * 10 / 19_200 + 0.1)
    assert m.serial.received[20:] == data
    assert not list(m.findings)


TAKE_CYCLES = 7 + 3 + 4 + 2 + 2 + 6 + 29 + 4 + 3 + 4 + 6
"""Interrupt entry, PHA, LDA, AND, BEQ, JSR, the routine take, BIT, BVC, PLA, RTI of roms/bench.asm; MOS cycle table."""
ECHO_CYCLES = TAKE_CYCLES + 3 + 3 + 2 + 4 + 5 + 6 + 3 + 2 + 4 + 3 + 2 + 3 + 2 + 3 + 2 + 2 + 4 + 4 + 6 + 3
"""And the main loop's way: LDX, CPX, BEQ, LDA, INC, JSR, the routine send, JMP."""


def test_the_echo_keeps_up_to_its_computed_limit_and_a_step_above_is_flagged():
    """57 600 baud is 173.6 cycles a byte at 1 MHz, above the echo's 136; 230 400 is 43.4, below the handler's 70."""
    assert (TAKE_CYCLES, ECHO_CYCLES) == (70, 136)
    assert ECHO_CYCLES + 11 < 10_000_000 / 57_600, "with the timer's share"
    assert 10_000_000 / 230_400 < TAKE_CYCLES < 10_000_000 / 115_200
    data = bytes(range(256)) * 8
    for baud, echoed, overrun in ((57_600, True, False), (115_200, False, False), (230_400, False, True)):
        m = bench_at(baud, "auto")
        m.serial.send(data)
        m.run(seconds=len(data) * 10 / baud + 0.05)
        assert (m.serial.received[20:] == data) is echoed, baud
        assert (m.findings.count("serial-overrun") > 0) is overrun, baud
