"""Faults that builders reported, of registers and timing: which finding names the cause, or why none can.

Programs in bytes as reported, and variants of them. The machine is the bench machine; unlisted bytes are $FF.
"""

import pytest

BUSY_FLAG = """8000: A9 00 8D 02 60 {} 30 FB A9 01 8D 00 02 4C
8010: 0F 80
FFFA: 00 80 00 80 00 80"""


@pytest.mark.parametrize("look", ["AD 00 60", "2C 00 60", "AE 00 60"])
def test_the_busy_flag_of_a_display_that_is_not_there(found, look):
    """A ROM project's issue tracker, issues 6 and 7, 2023: polling loops read port pins that nothing drives."""
    assert "PB7" in found(BUSY_FLAG.format(look))["open-input-read"].message


def test_pins_that_a_wire_holds_are_no_open_inputs(found):
    lines = "".join(f', PB{n} = "TIED"' for n in range(8))
    wired = f'[[card]]\nslot = 4\nlines = {{ INT = "IRQ"{lines} }}\n[backplane]\nwiring = ["TIED low"]\n'
    assert "open-input-read" not in found(BUSY_FLAG.format("AD 00 60"), extra=wired)


TEXTBOOK = """8000: A2 FF 9A 8D 01 50 A9 0B 8D 02 50 A9 1F 8D 03 50
8010: A9 41 20 27 80 A9 42 20 27 80 A9 43 20 27 80 A9
8020: 01 8D 00 02 4C 24 80 48 AD 01 50 29 10 F0 F9 68
8030: 8D 00 50 60
FFFA: 00 80 00 80 00 80"""


def test_a_ready_bit_that_is_always_one(found):
    """Forum 6502.org posts p=29784 and p=52022: the W65C51N shows the ready bit always set."""
    newer = '[[card]]\nslot = 3\nsettings = { part = "W65C51N" }\n'
    assert "status bit 4 is always 1" in found(TEXTBOOK, extra=newer)["serial-store-while-shifting"].message
    assert "serial-store-while-shifting" not in found(TEXTBOOK)


FILL = """8000: A9 {:02X} 8D 01 70 A9 81 8D 01 70 A2 00 8E 00 70 E8 D0 FA 4C 12 80
FFFA: 00 80 00 80 00 80"""


@pytest.mark.parametrize(("clock", "mode", "too_soon"), [(1, 0xC0, False), (2, 0xC0, True), (2, 0x80, False)])
def test_video_memory_written_too_fast(found, clock, mode, too_soon):
    """Two hardware projects' issue trackers, 2020 and 2024; TI, TMS9918A data manual, 1982: 8 us while it draws."""
    rules = found(FILL.format(mode), extra=f'clock = "{clock} MHz"\n')
    assert ("video-access-too-soon" in rules) is too_soon


WINDOWS = """8000: A9 00 8D 01 60 A9 00 8D 03 60 A2 20 CA D0 FD A9
8010: 01 8D 03 60 A0 0D A2 00 CA D0 FD 88 D0 F8 4C 05
8020: 80
FFFA: 00 80 00 80 00 80"""
KEYBOARD = """[[card]]
slot = 4
lines = {{ INT = "IRQ", PA0 = "KEY_CLOCK" }}
[[card]]
slot = 6
kind = "ps2-keyboard"
lines = {{ CLOCK = "KEY_CLOCK" }}
settings = {{ self_test_ms = 1, start_delay_us = {} }}
"""


def test_a_listening_window_too_short_for_some_keyboards(found):
    """A ROM project's issue tracker, "Reliable PS/2 Keyboard", 2022: CLOCK is let go 0.2 ms in 16.7 ms."""

    def types(machine):
        machine.keys.type("seeds and beds", at=4000)

    slow = found(WINDOWS, seconds=1, extra=KEYBOARD.format(500), before=types)
    assert "nobody let it send" in slow["keyboard-overran"].message


def test_a_line_end_without_a_line_feed_is_no_fault_of_the_machine(found):
    """A builders' forum thread on a small monitor, 2024. No finding can name it: both settings of the terminal are
    sound, and what the screen should show is known to its reader alone."""
    rules = found(
        """8000: A9 0B 8D 02 50 A9 1F 8D 03 50 A2 00 BD 40 80 F0
8010: 0C 8D 00 50 A0 80 88 EA D0 FC E8 D0 EF 4C 1D 80
8040: 41 42 43 0D 44 00
FFFA: 00 80 00 80 00 80"""
    )
    assert not rules


def test_a_read_of_the_port_that_clears_a_flag_is_what_handlers_do(found):
    """6522 data sheet, port A handshake. No finding can name it in this listing: a read of port A before the first
    look at the flags is also how a sound program clears what RESET and power-up have left."""
    rules = found("8000: AD 01 60 AD 0D 60 8D 00 02 4C 09 80\nFFFA: 00 80 00 80 00 80")
    assert set(rules) == {"open-input-read"}
