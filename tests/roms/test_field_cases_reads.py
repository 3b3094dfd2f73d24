"""Faults that builders met and reported, tried on the bench machine: the video chip, and reads that do something.

Each test names the public report it follows; the byte programs are our own. "From memory" and "common practice" mark
cases without one published report.
"""

from __future__ import annotations

import pytest
from field_bench import GUEST, PORTS, VECTORS, card

GRAPHICS_1, TEXT, DARK = "C0", "D0", "80"  # register 1: 16K, display on or off, M1


@pytest.mark.parametrize(
    ("register_1", "clock", "clean"),
    [
        (GRAPHICS_1, "1 MHz", True),
        (GRAPHICS_1, "2 MHz", False),
        (GRAPHICS_1, "4 MHz", False),
        (TEXT, "1 MHz", True),
        (TEXT, "2 MHz", True),
        (TEXT, "4 MHz", False),
        (DARK, "1 MHz", True),
        (DARK, "2 MHz", True),
        (DARK, "4 MHz", True),
    ],
)
def test_video_memory_written_too_fast_while_the_picture_is_on(bench, register_1, clock, clean):
    """Two hardware projects' issue trackers, 2020 and 2024: a store every 9 cycles, 9, 4.5 or 2.25 us.

    TMS9918A data manual, Texas Instruments, 1982, access times: up to 8 us in graphics 1, 3.1 us in text mode (from
    memory), 2 us with the display off.
    """
    listing = "8000: A2 00 8E 00 70 E8 D0 FA 4C 08 80\n" + VECTORS
    m = bench(listing, clock=clock)
    for value, register in ((register_1, 0x81), ("00", 0x40)):  # as a start-up leaves it: register 1, then an address
        set_up = bytes.fromhex(f"A9{value}8D0170A9{register:02X}8D017060")
        m.call(0x0300, memory={0x0300: set_up})
    m.run(cycles=3_000)
    assert (m.findings.count("video-access-too-soon") == 0) is clean


# Reads that do something ----------------------------------------------------------------------------------------------

MODE_CARD = """
from typing import ClassVar
import attrs
from simkit.contract.card import Card
from simkit.contract.registers import Register

@attrs.frozen(kw_only=True)
class Settings:
    pass

class ModeCard(Card):
    kind: ClassVar[str] = "mode-card"
    Settings: ClassVar[type] = Settings

    @classmethod
    def registers(cls, settings):
        return (Register(0, "mode", "rw", read_effect="steps from MR1 to MR2", write_effect="steps from MR1 to MR2"),)

    def power_on(self, cycle):
        self.modes = [0, 0]
        self.at = 0
        self.trail = []

    def peek(self, offset, cycle):
        return self.modes[self.at]

    def read(self, offset, cycle):
        value = self.modes[self.at]
        self.trail.append(f"r{self.at + 1}")
        self.at = 1
        return value

    def write(self, offset, value, cycle):
        self.modes[self.at] = value
        self.trail.append(f"w{self.at + 1}")
        self.at = 1

    def words(self, cycle):
        return [" ".join(self.trail), f"{self.modes}"]

    def save(self, cycle):
        return {"modes": self.modes, "at": self.at}
"""


@pytest.mark.parametrize("cpu", ["6502", "65C02"])
@pytest.mark.parametrize(
    ("listing", "trail"),
    [
        ("8000: A2 00 A9 13 9D 00 78 A9 07 9D 00 78 4C 0C 80", ["r1 w2 r2 w2", "[0, 7]"]),
        ("8000: A2 01 A9 13 9D FF 77 A9 07 9D FF 77 4C 0C 80", ["w1 w2", "[19, 7]"]),
    ],
)
def test_an_indexed_store_reads_its_target_first_unless_a_page_is_crossed(bench, tmp_path, cpu, listing, trail):
    """Forum 6502.org topic 4992 and post 57508, 2017: a UART whose register pointer steps on any access."""
    (tmp_path / "mode_card.py").write_text(MODE_CARD)
    extra = card(GUEST, kind='"file:mode_card.py:ModeCard"', select='"0111 1xxx xxxx xxxx"')
    m = bench(listing + "\n" + VECTORS, extra, cpu=cpu)
    reads = []
    m.add_probe(lambda c: reads.append(c.address) if c.kind == "dummy" else None)
    m.run(cycles=30)
    assert m.card(GUEST).words() == trail
    crossed = trail[0] == "w1 w2"
    assert (0x7700 in reads) is (crossed and cpu == "6502"), "NMOS reads the video card on the way"


@pytest.mark.parametrize(("register", "flag"), [(0x01, 0x00), (0x0F, 0x02)])
def test_looking_at_port_a_eats_the_key_strobe(bench, register, flag):
    """6522 data sheet, port A handshake (from memory): register 1 clears the CA1 flag, register 15 does not."""
    listing = f"8000: AD {register:02X} 60 AD 0D 60 8D 00 02 4C 09 80\n" + VECTORS
    extra = card(PORTS, lines='{ INT = "IRQ", CA1 = "STROBE" }')
    keys = card(GUEST, kind='"button-row"', lines='{ B0 = "STROBE" }') + '[card.settings]\njoined = "pins"\ncount = 1\n'
    m = bench(listing, extra + keys)
    m.buttons.press("B0", at=5)
    m.run(cycles=30)
    assert m.peek(0x200) == flag


SIZING = (
    """8000: A9 00 85 10 A9 3F 85 11 A0 00 A9 55 91 10 D1 10
8010: D0 0F 0A 91 10 D1 10 D0 08 E6 10 D0 ED E6 11 D0
8020: E9 4C 21 80
"""
    + VECTORS
)


@pytest.mark.parametrize("ports_at_4000", [False, True])
def test_memory_sizing_pokes_the_first_card_behind_ram(bench, ports_at_4000):
    """From memory, common practice; a start-up prompt of this kind is seen in forum 6502.org post 3409."""
    m = bench(SIZING, card(PORTS, select='"0100 0000 0000 xxxx"') if ports_at_4000 else "")
    m.run(cycles=20_000)
    assert m.peek(0x10, 2) == b"\x00\x40"
    assert m.card(PORTS).peek(0) == 0xFF, "no output: the pins read 1"
    assert ("output register $55" in m.card(PORTS).words()[1]) is ports_at_4000


def test_with_outputs_left_from_a_warm_start_sizing_runs_on_into_the_registers(bench):
    """As before, DDRB still $FF because only the program, not RESET, was started again."""
    warm = "9000: A9 FF 8D 02 40 4C 00 80\n"
    m = bench(
        warm + SIZING.replace("00 80 00 80 00 80", "00 80 00 90 00 80"), card(PORTS, select='"0100 0000 0000 xxxx"')
    )
    m.run(cycles=20_000)
    assert int.from_bytes(m.peek(0x10, 2), "little") > 0x4000
    assert "output register $AA" in m.card(PORTS).words()[1]
