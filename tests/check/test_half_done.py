"""Set-ups that were never finished, told at the end of the run by the card; and programs that mean it so.

[R] Rockwell, R6522 data sheet: data direction registers, RESET. [SY] Synertek, SY6551 data sheet: control register.
"""

import pytest


def program(stores):
    return f"8000: {stores} 4C {len(stores.split()):02X} 80\nFFFA: 00 80 00 80 00 80"


@pytest.mark.parametrize(
    ("stores", "told"),
    [
        ("A9 55 8D 00 60", "ORB holds $55 and DDRB is $00"),
        ("A9 55 8D 01 60", "ORA holds $55 and DDRA is $00"),
        ("A9 55 8D 0F 60", "ORA holds $55 and DDRA is $00"),
        ("A9 FF 8D 03 60 8D 00 60", "ORB holds $FF and DDRB is $00"),  # the other port's directions
        ("A9 55 8D 00 60 8D 01 60", "port A"),
        ("A9 82 8D 0E 60", "IER enables CA1, and CA1 is joined to nothing"),
        ("A9 98 8D 0E 60", "IER enables CB1"),
        ("A9 0B 8D 02 50", "rate 0 in the control register"),
    ],
)
def test_what_a_program_left_undone(found, stores, told):
    assert told in found(program(stores))["set-up-half-done"].message


@pytest.mark.parametrize(
    "stores",
    [
        "A9 55 8D 00 60 A9 FF 8D 02 60",  # first the levels, then the directions
        "A9 FF 8D 02 60 A9 55 8D 00 60",
        "A9 01 8D 02 60 A9 FE 8D 00 60",  # one output among inputs
        "A9 00 8D 00 60 8D 01 60",
        "A9 08 8D 0C 60 A9 55 8D 01 60",  # a write that starts a handshake on CA2
        "A9 08 8D 0C 60 A9 81 8D 0E 60",  # CA2 is an output: its flag never comes, nor does noise set it
        "A9 C0 8D 0E 60",
        "A9 1E 8D 03 50 A9 0B 8D 02 50",
        "A9 00 8D 02 50",
    ],
)
def test_what_was_finished_or_meant(found, stores):
    assert "set-up-half-done" not in found(program(stores))


def test_a_clock_on_the_receivers_pin(found):
    clocked = "[[card]]\nslot = 3\nsettings = { outside_clock_hz = 153600 }\n"
    assert "set-up-half-done" not in found(program("A9 0B 8D 02 50"), extra=clocked)


@pytest.mark.parametrize("quiet", [True, False])
def test_an_open_control_line_that_may_interrupt(found, quiet):
    """ "6522 weirdity", classiccmp cctalk list, 2002: flags come again and again as long as CA1 is open."""
    storms = "8000: A2 FF 9A A9 82 8D 0E 60 58 E8 4C 09 80\n8040: 48 AD 01 60 68 40\nFFFA: 40 80 00 80 40 80"
    noise = '[[card]]\nslot = 4\nsettings = { open_inputs = "noise" }\n'
    assert "CA1 is joined to nothing" in found(storms, extra="" if quiet else noise)["set-up-half-done"].message
    joined = '[[card]]\nslot = 3\nlines = { INT = "ASKS" }\n[[card]]\nslot = 4\nlines = { INT = "IRQ", CA1 = "ASKS" }\n'
    assert "set-up-half-done" not in found(storms, extra=joined)
