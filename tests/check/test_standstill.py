"""Waits and interrupts that cannot come, by the word of the card: programs as builders wrote them, and sound ones.

[R] Rockwell, R6522 data sheet: IFR and IER, timer 1, shift register modes. [SY] Synertek, SY6551 data sheet: command
register. [PG] Texas Instruments, VDP Programmer's Guide, 1984, 5.1.2.
"""

import pytest

WRONG_MASK = """8000: A9 18 8D 0B 60 A9 A5 8D 0A 60 AD 0D 60 29 {} F0
8010: F9 A9 01 8D 00 02 4C 16 80
FFFA: 00 80 00 80 00 80"""
NOISE = '[[card]]\nslot = 4\nsettings = { open_inputs = "noise" }\n'


def test_the_mask_of_another_flag(found):
    """ "Do I have the NMOS 6502? Sudden instability issues", a builders' forum, 2025: $02 for $04."""
    message = found(WRONG_MASK.format("02"))["wait-in-vain"].message
    assert "waits for bit 1 (CA1) of IFR" in message
    assert "CA1 is joined to nothing" in message
    assert "Set, and not looked at: SR (bit 2, mask $04)." in message
    assert "wait-in-vain" not in found(WRONG_MASK.format("04"))


@pytest.mark.parametrize(
    ("set_up", "look", "why"),
    [
        ("A9 A5 8D 0A 60", "AD 0D 60 29 04 F0 F9", "the shift register is off"),
        ("A9 10 8D 0B 60 8D 0A 60", "AD 0D 60 29 04 F0 F9", "in mode 100"),
        ("A9 1C 8D 0B 60 8D 0A 60", "AD 0D 60 29 04 F0 F9", "CB1, the clock of the shift register"),
        ("A9 18 8D 0B 60", "A9 04 2C 0D 60 F0 F9", "a read or write of SR starts one"),
        ("A9 40 8D 04 60", "2C 0D 60 50 FB", "timer 1 is not under way"),
        ("A9 40 8D 06 60 8D 07 60", "AD 0D 60 29 40 F0 F9", "timer 1 is not under way"),
        ("A9 40 8D 08 60", "AD 0D 60 29 20 F0 F9", "timer 2 is not under way"),
        ("A9 20 8D 0B 60 8D 08 60 8D 09 60", "AD 0D 60 29 20 F0 F9", "counts falls of PB6"),
        ("A9 0A 8D 0C 60", "AD 0D 60 4A 90 FA", "CA2 is an output"),
        ("A9 40 8D 04 60 8D 05 60", "AD 0D 60 10 FB", "IER enables no flag"),
        ("A9 1E 8D 03 50", "AD 01 50 29 08 F0 F9", "bit 0 (DTR)"),
    ],
)
def test_what_never_comes(found, set_up, look, why):
    program = f"8000: {set_up} {look} 00 00 00\nFFFA: 00 80 00 80 00 80"
    assert why in found(program)["wait-in-vain"].message


@pytest.mark.parametrize(
    ("set_up", "look"),
    [
        ("A9 40 8D 04 60 8D 05 60", "2C 0D 60 50 FB"),
        ("A9 40 8D 0B 60", "2C 0D 60 50 FB"),
        ("A9 20 8D 08 60 8D 09 60", "AD 0D 60 29 20 F0 F9"),
        ("A9 0B 8D 02 50 A9 1E 8D 03 50", "AD 01 50 29 08 F0 F9"),
        ("A9 C0 8D 0E 60 78 A9 FF 8D 04 60 8D 05 60", "AD 0D 60 10 FB"),
    ],
    ids=["timer 1", "free run", "timer 2", "receiver", "enabled"],
)
def test_what_may_come(found, set_up, look):
    behind = 0x8000 + len(set_up.split()) + len(look.split())
    program = f"8000: {set_up} {look} 4C {behind & 0xFF:02X} 80\nFFFA: 00 80 00 80 00 80"
    assert "wait-in-vain" not in found(program)


def test_an_open_input_that_picks_up_noise_has_edges(found):
    assert "wait-in-vain" not in found(WRONG_MASK.format("02"), extra=NOISE)


def test_a_loop_that_looks_at_two_flags_of_which_one_may_come(found):
    program = "8000: A9 40 8D 0B 60 AD 0D 60 29 42 F0 F9 4C 0C 80\nFFFA: 00 80 00 80 00 80"
    assert "wait-in-vain" not in found(program)


TICKS = """8000: A2 FF 9A A9 00 85 10 A9 {enable} 8D 0E 60 A9 F3 8D {low} 60 A9 01 8D {high} 60 58 E8 4C 17 80
8040: 48 AD 04 60 E6 10 68 40
FFFA: 40 80 00 80 40 80"""


@pytest.mark.parametrize(
    ("case", "why"),
    [
        ({"enable": "40"}, "T1 is set, and IER enables no flag"),
        ({"low": "06", "high": "07"}, "T1 is enabled, but timer 1 is not under way"),
        ({"enable": "A0"}, "T2 is enabled, but timer 2 is not under way"),
        ({"enable": "82"}, "CA1 is enabled, but CA1 is joined to nothing"),
    ],
)
def test_a_tick_that_never_comes(found, case, why):
    right = {"enable": "C0", "low": "04", "high": "05"}
    assert why in found(TICKS.format(**{**right, **case}))["request-not-made"].message
    assert "request-not-made" not in found(TICKS.format(**right))


def test_an_open_control_line_with_its_interrupt_enabled(found):
    """ "6522 weirdity", classiccmp cctalk list, 2002. With noise it storms, and the wiring is what tells."""
    program = "8000: A2 FF 9A A9 82 8D 0E 60 58 E8 4C 09 80\n8040: 48 AD 01 60 68 40\nFFFA: 40 80 00 80 40 80"
    assert "CA1 is joined to nothing" in found(program)["request-not-made"].message
    assert "request-not-made" not in found(program, extra=NOISE)


@pytest.mark.parametrize("command", ["0B", "03", "08"])
def test_a_receiver_that_may_not_ask(found, command):
    program = f"""8000: A2 FF 9A A9 1F 8D 03 50 A9 {command} 8D 02 50 58 E8 4C 0E 80
8040: 48 AD 01 50 AD 00 50 68 40
FFFA: 40 80 00 80 40 80"""
    assert "Serial card" in found(program)["request-not-made"].message
    assert "request-not-made" not in found(program.replace(f"A9 {command}", "A9 09"))


def test_frames_that_may_not_ask(found):
    program = """8000: A2 FF 9A A9 {} 8D 01 70 A9 81 8D 01 70 58 E8 4C 0E 80
8040: 48 AD 01 70 68 40
FFFA: 40 80 00 80 40 80"""
    joined = '[[card]]\nslot = 5\nlines = { INT = "IRQ" }\n'
    assert "bit 5 (IE) of register 1" in found(program.format("C0"), extra=joined)["request-not-made"].message
    assert "request-not-made" not in found(program.format("E0"), extra=joined)


@pytest.mark.parametrize(
    "changes",
    [
        {"58 E8 4C 17": "EA E8 4C 17"},
        {"58 E8 4C 17": "EA E8 4C 17", "A9 40 8D 0E": "A9 7F 8D 0E"},
        {"E8 4C 17 80": "2C 0D 60 4C 17 80"},
    ],
    ids=["interrupts not allowed", "all off", "polled"],
)
def test_programs_that_need_no_interrupt(found, changes):
    program = TICKS.format(enable="40", low="04", high="05")
    for before, after in changes.items():
        assert before in program
        program = program.replace(before, after)
    assert "request-not-made" not in found(program)


def test_another_card_of_the_same_handler_may_still_ask(found):
    """The serial card waits for its first byte; the timer is for later."""
    program = """8000: A2 FF 9A A9 1F 8D 03 50 A9 09 8D 02 50 A9 02 8D 0E 60 58 E8 4C 13 80
8040: 48 AD 01 50 AD 00 50 AD 04 60 68 40
FFFA: 40 80 00 80 40 80"""
    assert "request-not-made" not in found(program)
