"""Bits that nothing drives, decided by: right behind the read, or further down when the byte was kept meanwhile."""

import pytest

WIRED = '[[card]]\nslot = 6\nkind = "keyboard"\nselect = "0100 0000 0000 000x"\n'
"""Status at $4000: bits 0 to 2 are driven."""
VECTORS = "\nFFFA: 00 80 00 80 00 80"


@pytest.mark.parametrize(
    "code",
    [
        "AD 00 40 29 80 F0 00",  # LDA, AND #$80, BEQ
        "AD 00 40 AA 29 02 85 30 8A 29 80 F0 00",  # kept in X
        "AD 00 40 85 30 29 01 85 31 A5 30 29 40 D0 00",  # kept in a cell
        "AE 00 40 8A 29 20 D0 00",  # read into X
        "AD 00 40 A8 29 01 F0 00 98 29 80 F0 00",  # behind a branch
    ],
)
def test_a_decision_by_an_open_bit_is_told(found, code):
    one = found(f"8000: D8 {code} 4C 00 80{VECTORS}", extra=WIRED)["open-bit-tested"]
    assert one.address == 0x4000
    assert "which nothing drives" in one.message


@pytest.mark.parametrize(
    "code",
    [
        "AD 00 40 AA 29 02 85 30 8A 29 01 F0 00",  # a bit that is driven
        "AD 00 40 AA 29 02 85 30 8A 29 81 F0 00",  # one of them is
        "AD 00 40 85 30 A9 80 29 80 F0 00",  # another byte is masked
        "AD 00 40 AA A2 80 8A 29 80 F0 00",  # X was loaded anew
        "AD 00 40 85 30 A9 00 85 30 A5 30 29 80 F0 00",  # so was the cell
    ],
)
def test_what_decides_by_something_else_is_not_told(found, code):
    assert "open-bit-tested" not in found(f"8000: D8 {code} 4C 00 80{VECTORS}", extra=WIRED)
