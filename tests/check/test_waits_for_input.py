"""A small loop at the end of the run: nothing is said of it where a key, a button or a byte would end it."""

from fractions import Fraction
from pathlib import Path

import pytest

from simkit import Machine
from simkit.check.run import check

DEMO = Path(__file__).resolve().parents[2] / "demo"
ROM = 2
SERIAL = "A2FF9AD8 A91E8D0350 A90B8D0250"  # stack; control: 9600 baud; command: receiver on, interrupts off


@pytest.fixture
def waits():
    """Whether the check tells of a wait, with `code` at $8000 and a handler at $8080."""

    def run(code, handler="40", machine="bench"):
        content = bytearray(b"\xff" * 0x8000)
        for at, text in ((0, code), (0x80, handler)):
            data = bytes.fromhex(text)
            content[at : at + len(data)] = data
        content[-6:] = bytes.fromhex("808000808080")
        loaded = Machine.load(DEMO / machine, images={ROM: bytes(content)})
        found = check(loaded, seconds=Fraction(1, 50))
        assert loaded.cycle == found.cycles
        return "wait-without-end" in {one.rule.name for one in found.findings}

    return run


def test_a_loop_that_a_serial_byte_ends_is_no_finding(waits):
    """LDA $5001, AND #$08 (RDRF), BEQ; then LDA $5000 and back."""
    assert not waits(f"{SERIAL} AD0150 2908 F0F9 AD0050 4C0E80")


def test_a_loop_with_the_wrong_mask_is_told_though_it_reads_the_serial_card(waits):
    """Status bit 5 is DCD; nothing that a person does to this machine moves it."""
    assert waits(f"{SERIAL} AD0150 2920 F0F9 AD0050 4C0E80")


HANDLED = "A2FF9AD8 A91E8D0350 A9098D0250 A9008510 58"
"""As above with the receiver's interrupt on; $10 is zero."""


def test_a_loop_that_a_handler_ends_on_a_byte_is_no_finding(waits):
    """The handler stores the byte in $10, for which the main program waits."""
    assert not waits(f"{HANDLED} A510 F0FC A9008510 4C1380", handler="48 AD0150 AD0050 8510 68 40")


def test_a_loop_that_a_handler_only_interrupts_is_told(waits):
    """The handler stores the byte in $11; the main program waits for $10."""
    assert waits(f"{HANDLED} A510 F0FC A9008510 4C1380", handler="48 AD0150 AD0050 8511 68 40")


def test_a_wait_for_a_cell_that_nobody_writes_is_told(waits):
    """$0200 is RAM."""
    assert waits("A2FF9AD8 A9008D0002 AD0002 F0FB 4C0980")


@pytest.mark.parametrize(("mask", "told"), [("01", False), ("04", True)])
def test_a_loop_that_a_pad_ends_is_no_finding(waits, mask, told):
    """Marlpit's pads: $7F22 is pad 1 with every button's bit low while it is held; $7F21 bit 2 is nothing's."""
    address = "227F" if not told else "217F"
    assert waits(f"A2FF9AD8 AD{address} 29{mask} {'D0' if not told else 'F0'}F9 4C0480", machine="marlpit") is told
