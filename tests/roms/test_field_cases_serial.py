"""Faults that builders met and reported, tried on the bench machine: serial lines and clocks of their own.

Each test names the public report it follows; the byte programs are our own. "From memory" and "common practice" mark
cases without one published report.
"""

from __future__ import annotations

import pytest
from field_bench import PORTS, SERIAL, VECTORS, card, stores

ABC = (
    """8000: A2 FF 9A 8D 01 50 A9 0B 8D 02 50 A9 1F 8D 03 50
8010: A9 41 20 27 80 A9 42 20 27 80 A9 43 20 27 80 A9
8020: 01 8D 00 02 4C 24 80 48 AD 01 50 29 10 F0 F9 68
8030: 8D 00 50 60
"""
    + VECTORS
)


def test_polled_output_waits_for_the_older_part(bench):
    """SY6551 data sheet: the third store waits about one frame, 521 cycles, after the first."""
    m = bench(ABC)
    first, second, third = stores(m, 0x5000, 3_000)
    assert second - first < 70
    assert 500 <= third - first <= 540
    assert m.serial.received == b"ABC"


def test_polled_output_runs_over_the_later_part(bench):
    """Forum 6502.org posts 29784 and 52022; the maker's note on the W65C51N: status bit 4 is always 1."""
    m = bench(ABC, settings={SERIAL: {"part": "W65C51N"}})
    first, _, third = stores(m, 0x5000, 3_000)
    assert third - first <= 70
    assert m.serial.received != b"ABC"
    assert m.findings.count("serial-store-while-shifting") == 2


def test_a_delay_of_one_frame_is_the_later_parts_work_around(bench):
    """Forum 6502.org post 29784: wait one character time after each store."""
    listing = """8000: A9 0B 8D 02 50 A9 1F 8D 03 50 A2 00 BD 40 80 F0
8010: 0C 8D 00 50 A0 6B 88 D0 FD E8 D0 F0 EA 4C 1D 80
8040: 41 42 43 0D 44 00
"""
    m = bench(listing + VECTORS, settings={SERIAL: {"part": "W65C51N"}})
    m.run(cycles=6_000)
    assert m.serial.received == b"ABC\rD"
    assert not list(m.findings)


@pytest.mark.parametrize(
    ("command", "part", "sent"), [("03", "SY6551", b""), ("0A", "R6551", b""), ("0B", "SY6551", b"A")]
)
def test_a_monitor_that_waits_for_a_transmitter_it_has_turned_off_is_told(bench, command, part, sent):
    """A builders' monitor stopped for ever in its output loop. Harris CDP65C51 data sheet, page 5-16: DTR too."""
    listing = """8000: A9 {command} 8D 02 50 A9 1F 8D 03 50 A9 41 8D 00 50 AD
8010: 01 50 29 10 F0 F9 A9 01 8D 00 02 4C 1B 80
"""
    m = bench(listing.format(command=command) + VECTORS, settings={SERIAL: {"part": part}})
    m.run(seconds=0.03)
    assert m.peek(0x200) == bool(sent)
    assert m.serial.received == sent
    told = [f.cycle for f in m.findings if f.rule == "serial-byte-waits"]
    assert told == ([] if sent else [20_024]), "20 ms after the store in cycle 24, seven of reset before it"


@pytest.mark.parametrize(("part", "count"), [("CDP65C51", range(11, 12)), ("W65C51N", range(50, 255))])
def test_transmit_interrupts_with_nothing_to_send_come_a_byte_time_apart_on_the_older_part(bench, part, count):
    """Harris CDP65C51 data sheet, Figure 9; WDC W65C51N data sheet, page 13: there they are not to be used."""
    listing = """8000: A2 FF 9A A9 00 85 10 A9 1F 8D 03 50 A9 07 8D 02
8010: 50 58 4C 12 80
8040: 2C 01 50 E6 10 40
FFFA: 40 80 00 80 40 80
"""
    m = bench(listing, settings={SERIAL: {"part": part}})
    m.run(cycles=5_500)
    assert m.peek(0x10) in count
    assert m.findings.count("serial-part-lacks") == (part == "W65C51N")


LINES = (
    """8000: A2 00 BD 40 80 F0 0C 8D 00 50 A0 80 88 EA D0 FC
8010: E8 D0 EF 4C 13 80
8040: 41 42 43 0D 44 00
"""
    + VECTORS
)
SET_UP = bytes.fromhex("A90B8D0250A91F8D035060")  # as the monitor has left it: 19200, 8 bits, transmitter on


@pytest.mark.parametrize(("cr_adds_lf", "shown"), [(False, "DBC"), (True, "ABC\nD")])
def test_a_rom_that_sends_carriage_returns_alone_overwrites_its_line(bench, cr_adds_lf, shown):
    """A builders' forum thread on a small ROM monitor, 2024: no line feed is sent; a terminal may add it."""
    m = bench(LINES)
    m.call(0x0300, memory={0x0300: SET_UP})
    m.run(cycles=6_000)
    assert m.serial.received == b"ABC\rD"
    assert m.serial.text(cr_adds_lf=cr_adds_lf) == shown
    assert not list(m.findings)


def test_a_serial_card_that_nobody_has_set_up_sends_nothing_and_says_why(bench):
    """The same program straight after RESET: SY6551 data sheet, programmed reset, control register 0."""
    m = bench(LINES)
    m.run(cycles=21_000)
    assert m.serial.received == b""
    (waits,) = [f for f in m.findings if f.rule == "serial-byte-waits"]
    assert "clock on RxC" in waits.message


# Shift register under a clock of its own ------------------------------------------------------------------------------

CLOCK_SOURCE = """
from fractions import Fraction
from typing import ClassVar
import attrs
from simkit.contract.card import Card
from simkit.contract.lines import Drive, PinSpec
from simkit.contract.settings import setting

@attrs.frozen(kw_only=True)
class Settings:
    hz: int = setting(99_700, unit="Hz", help="clock")

class ClockSource(Card):
    kind: ClassVar[str] = "clock-source"
    Settings: ClassVar[type] = Settings

    @classmethod
    def pins(cls, settings):
        return (PinSpec(name="CLK", drive=Drive.PUSH_PULL),)

    def power_on(self, cycle):
        self.crystal = self.slot.crystal(Fraction(2 * self.settings.hz))
        self.edges = 0
        self.slot.pin("CLK").drive(True, cycle)
        self.first = self.crystal.ticks_at(200) + 1
        self.slot.at(self.crystal.first_cycle_at(self.first), "edge")

    def event(self, name, cycle):
        self.slot.pin("CLK").drive(bool(self.edges & 1), cycle)
        self.edges += 1
        if self.edges < 16:
            self.slot.at(self.crystal.first_cycle_at(self.first + self.edges), "edge")
"""
SHIFT_IN = "8000: A9 0C 8D 0B 60 4C 05 80\n" + VECTORS


@pytest.mark.parametrize("resynchronised", [False, True])
def test_a_clock_of_its_own_loses_bits_in_the_shift_register_unless_resynchronised(bench, tmp_path, resynchronised):
    """ "Veronica Gets A Pair Of Gamepads And A Bugged Chip", Hackaday, 2013; cbm-hackers list, 2023-2024.

    Ten starts of eight clocks; the window is 100 ns of the 1000 ns cycle, so eight losses in 80 are expected.
    """
    (tmp_path / "clock_source.py").write_text(CLOCK_SOURCE)
    extra = card(PORTS, lines='{ INT = "IRQ", CB1 = "PAD_CLOCK" }') + card(
        6, kind='"file:clock_source.py:ClockSource"', lines='{ CLK = "PAD_CLOCK" }'
    )
    slipped = 0
    for seed in range(10):
        settings = {PORTS: {"shift_defect_ns": 100, "cb1_resynchronised": resynchronised}}
        m = bench(SHIFT_IN, extra, seed=seed, settings=settings)
        m.run(cycles=400)
        lost = m.findings.count("shift-clock-lost")
        assert bool(m.card(PORTS).peek(0xD) & 0x04) is (lost == 0), "all 8 clocks taken, or the flag is not set"
        slipped += lost > 0
    assert (slipped == 0) is resynchronised
