"""Rates and lengths of the frames of a 6551. Sources are listed in card.py."""

from __future__ import annotations

CRYSTAL_HZ = 1_843_200
"""The part's own crystal. [SY] features."""

CRYSTALS_PER_BIT = (
    (0, 36_864, 24_576, 16_769, 13_696, 12_288, 6_144, 3_072, 1_536, 1_024, 768, 512, 384, 256, 192, 96)
)  # fmt: skip
"""By control bits 3 to 0; 0: outside clock. Arithmetic: the crystal over the rates that [SY] prints."""

OUTSIDE_CLOCKS_PER_BIT = 16
"""[SY] control register: the outside clock is 16 times the rate; a W65C51N takes its crystal there: 115 200 baud."""


def _half_bits(data_bits: int, *, parity: bool, second_stop_bit: bool) -> int:
    """Length of a frame in half bits: start, data, parity, stop. [SY] control register, stop bit number."""
    stop = 2
    if second_stop_bit and not (data_bits == 8 and parity):
        stop = 3 if data_bits == 5 and not parity else 4
    return 2 + 2 * data_bits + 2 * parity + stop


HALF_BITS = tuple(
    _half_bits(8 - (number & 3), parity=bool(number & 8), second_stop_bit=bool(number & 4)) for number in range(16)
)
"""By control bits 7 to 5, and whether there is a parity bit above them."""
