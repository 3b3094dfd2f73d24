"""A card that asks for an interrupt on a pin joined to nothing: named where the program waits for it, else not."""

import pytest

NOWHERE = "[[card]]\nslot = {}\nlines = {{}}\n"
TIMER = """8000: A2 FF 9A A9 00 85 10 A9 40 8D 0B 60 A9 F3 8D 04
8010: 60 A9 01 8D 05 60 A9 C0 8D 0E 60 {} E8 4C 1C 80
8040: 48 AD 04 60 E6 10 68 40
FFFA: 40 80 00 80 40 80"""
HANDLER_WITHOUT_CARD = "\n8040: E6 10 40"
POLLED = """8000: A2 FF 9A A9 40 8D 0B 60 A9 F3 8D 04 60 A9 01 8D
8010: 05 60 A9 C0 8D 0E 60 2C 0D 60 50 FB AD 04 60 E6
8020: 10 4C 17 80
8040: 48 AD 04 60 E6 10 68 40
FFFA: 40 80 00 80 40 80"""
FRAMES = """8000: A2 FF 9A A9 D0 8D 01 70 A9 81 8D 01 70 A9 E0 8D 01 70 A9 81 8D 01 70 58 4C 18 80
8040: 48 AD 01 70 E6 10 68 40
FFFA: 40 80 00 80 40 80"""
RECEIVER = """8000: A2 FF 9A A9 1F 8D 03 50 A9 09 8D 02 50 58 4C 0E 80
8040: 48 AD 01 50 AD 00 50 68 40
FFFA: 40 80 00 80 40 80"""


def sends(machine):
    machine.serial.send(b"A", at=2000)


@pytest.mark.parametrize("how", ["lines = {}", 'wiring = ["INT open"]'])
@pytest.mark.parametrize("masked", ["58", "EA"], ids=["CLI", "no CLI"])
def test_a_timer_whose_request_goes_nowhere(found, how, masked):
    rules = found(TIMER.format(masked), extra=f"[[card]]\nslot = 4\n{how}\n")
    assert "the IRQ handler at $8040 is written for it" in rules["request-unheard"].message
    assert "Port card (slot 4) pulls INT low" in rules["request-unheard"].message


def test_a_handler_that_only_counts_is_waited_for_too(found):
    program = TIMER.format("58") + HANDLER_WITHOUT_CARD
    assert "none ever came" in found(program, extra=NOWHERE.format(4))["request-unheard"].message


def test_frames_of_a_video_card_that_is_not_joined(found):
    assert (
        "Tile video" in found(FRAMES)["request-unheard"].message or "slot 5" in found(FRAMES)["request-unheard"].message
    )


def test_received_bytes_on_an_open_pin(found):
    assert "request-unheard" in found(RECEIVER, extra=NOWHERE.format(3), before=sends)
    assert "request-unheard" not in found(RECEIVER, before=sends)
    assert "request-unheard" not in found(RECEIVER, extra=NOWHERE.format(3))  # nothing came, nothing asks


def test_who_polls_needs_no_line(found):
    """A flag enabled for nothing, and looked at: sound, and common practice."""
    assert "request-unheard" not in found(POLLED, extra=NOWHERE.format(4))


def test_a_pin_that_is_joined_to_a_port_is_heard(found):
    joined = '[[card]]\nslot = 3\nlines = { INT = "ASKS" }\n[[card]]\nslot = 4\nlines = { CA1 = "ASKS" }\n'
    assert "request-unheard" not in found(RECEIVER, extra=joined, before=sends)
