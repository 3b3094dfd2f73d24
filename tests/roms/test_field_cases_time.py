"""Faults that builders met and reported, tried on the bench machine: time, speed and storage.

Each test names the public report it follows; the byte programs are our own. "From memory" and "common practice" mark
cases without one published report.
"""

from __future__ import annotations

import itertools

import pytest
from field_bench import GUEST, PORTS, VECTORS, card


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
    """MOS Technology, MCS6500 Hardware Manual, 1976, A.5.8: a taken branch into another page costs a cycle more."""
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
    """Seneca CDOT wiki, page 6502: the stack is one page, and wraps within it without a sign."""
    listing = f"""8000: A2 FF 9A A0 {calls:02X} 20 10 80 A9 01 8D 00 02 4C 0D 80
8010: 88 F0 03 20 10 80 60
{VECTORS}"""
    m = bench(listing)
    m.run(cycles=20_000)
    assert m.peek(0x200) == returned


# The kit has no character display; a card of one's own beside the machine file says what this case needs.
DISPLAY = """
from typing import ClassVar
import attrs
from simkit.contract.card import Card
from simkit.contract.lines import Drive, PinSpec
from simkit.contract.registers import Register

SLOW_S, QUICK_S = 1.52e-3, 37e-6

@attrs.frozen(kw_only=True)
class Settings:
    pass

class Display(Card):
    kind: ClassVar[str] = "character-display"
    Settings: ClassVar[type] = Settings

    @classmethod
    def pins(cls, settings):
        return (
            PinSpec(name="E", drive=Drive.INPUT, listens=True),
            *(PinSpec(name=f"DB{n}", drive=Drive.INPUT) for n in range(8)),
            PinSpec(name="RS", drive=Drive.INPUT),
            PinSpec(name="RW", drive=Drive.INPUT),
        )

    def power_on(self, cycle):
        self.ready = self.at = 0
        self.cells = bytearray(b" " * 80)
        self.falls = []

    def pin_changed(self, name, level, cycle):
        if level:
            return
        self.falls.append(cycle)
        byte = sum(self.slot.pin(f"DB{n}").level(cycle) << n for n in range(8))
        if cycle < self.ready:
            self.slot.report("display-busy", cycle, f"${byte:02X} was written while busy.")
            return
        seconds = QUICK_S
        if self.slot.pin("RS").level(cycle):
            self.cells[self.at] = byte
            self.at = (self.at + 1) % 80
        elif byte == 1:
            self.cells[:] = b" " * 80
            self.at, seconds = 0, SLOW_S
        self.ready = cycle + int(seconds * self.slot.clock_hz)

    def words(self, cycle):
        steps = {later - earlier for earlier, later in zip(self.falls, self.falls[1:])}
        return [f"${self.cells[0]:02X} at 0", f"cycles between falls: {sorted(steps)}"]

    def save(self, cycle):
        return {"ready": self.ready, "at": self.at, "cells": bytes(self.cells)}
"""


@pytest.mark.parametrize(("clock", "first", "busy"), [("1 MHz", 0x20, 1), ("20 kHz", 0x48, 0)])
def test_a_display_that_nobody_waits_for_takes_its_letter_on_the_slow_clock_alone(bench, tmp_path, clock, first, busy):
    """ "LCD not printing H", a builders' forum, 2024; "6502 not working how it should", a builders' forum, 2026.

    Hitachi, HD44780U data sheet, Table 6, pages 24-25: a command takes 37 us, clear 1.52 ms. Falls of E: 43 cycles.
    """
    listing = (
        """8000: A9 FF 8D 02 60 A9 E0 8D 03 60 A2 00 BD 40 80 8D
8010: 00 60 BD 50 80 8D 01 60 09 80 8D 01 60 29 7F 8D
8020: 01 60 EA EA EA EA E8 E0 05 D0 E1 4C 2B 80
8040: 38 0E 06 01 48
8050: 00 00 00 00 20
"""
        + VECTORS
    )
    (tmp_path / "display.py").write_text(DISPLAY)
    data = [(f"PB{n}", f"DB{n}", f"LCD{n}") for n in range(8)]
    joined = [*data, ("PA7", "E", "LCD_E"), ("PA6", "RW", "LCD_RW"), ("PA5", "RS", "LCD_RS")]
    extra = card(GUEST, kind='"file:display.py:Display"')
    wiring = [
        f"slot {slot}: {pin} joined to {line}"
        for port, own, line in joined
        for slot, pin in ((PORTS, port), (GUEST, own))
    ]
    pulled = "LCD_E pulled down"  # else the port's pin, an input until then, lets E fall once more
    m = bench(listing, extra, wiring=[*wiring, pulled], clock=clock)
    m.run(cycles=400)
    assert m.card(GUEST).words() == [f"${first:02X} at 0", "cycles between falls: [43]"]
    assert m.findings.counts().get(("display-busy", GUEST), 0) == busy
