"""JMP through a pointer at a page's end, on the part without the carry: in the image, and with the cells it reads."""

import pytest

JUMP = """8000: A9 40 8D FF 02 A9 81 8D 00 03 A9 82 8D 00 02 6C
8010: {} 02
8140: A9 01 4C 42 81
8240: A9 02 4C 42 82
FFFA: 00 80 00 80 00 80"""


def test_the_pointer_of_the_field_case(found):
    """Rockwell, R65C00 technical data, October 1984: list of differences."""
    assert "JMP ($02FF)" in found(JUMP.format("FF"))["jump-over-page-end"].message
    assert "jump-over-page-end" not in found(JUMP.format("FF"), "65C02")


def test_a_jump_that_never_runs_is_told_from_the_image(found):
    rules = found("8000: A2 FF 9A F0 03 4C 05 80 6C FF 03\nFFFA: 00 80 00 80 00 80")
    assert rules["jump-over-page-end"].pc == 0x8008
    assert rules["jump-over-page-end"].cycle is None


def test_a_jump_that_a_program_makes_in_memory(found):
    """A vector call through RAM: the opcode is stored by the program, so nothing of it is in the image."""
    stores = "A9 6C 85 20 A9 FF 85 21 A9 03 85 22 A9 12 8D FF 03 A9 80 8D 00 04 A9 90 8D 00 03 4C 20 00"
    rules = found(f"8000: {stores}\n9012: 4C 12 90\nFFFA: 00 80 00 80 00 80")
    assert "it goes to $9012 and not to $8012" in rules["jump-over-page-end"].message


@pytest.mark.parametrize("low", ["FE", "00", "80"])
def test_pointers_within_a_page_are_sound(found, low):
    assert "jump-over-page-end" not in found(JUMP.format(low))
