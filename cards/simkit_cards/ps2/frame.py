"""Frames of the PS/2 line: eleven bits, and the receiver that puts them together again.

Sources:
    [AT] IBM, Technical Reference, Personal Computer AT (5170), 1984, pp. 4-12, 4-13: frame, odd parity, line states.
    The AT manual's bit table prints "always 1" for the start bit, its own text "the 0 start bit"; 0 it is.
    [SMSC] SMSC, LPC47M102S data sheet, figure 33: data 5 to 25 us before the falling clock.
    [HP] Hewlett-Packard, Technical Reference Guide (dx7300), C.2.1: clock period 60 to 100 us, typically 80.
"""

from __future__ import annotations

import attrs

FRAME_BITS = 11  # start, d0 .. d7, parity, stop. [AT] p. 4-12
BIT_US = 80  # [HP] C.2.1, typical
BIT_US_LIMITS = (60, 100)
DATA_SETUP_US = 15  # data before the falling clock, the middle of [SMSC] t1


def odd_parity(byte: int) -> int:
    """Parity bit that makes the number of ones odd. [AT] p. 4-12."""
    return 1 - byte.bit_count() % 2


def frame_of(byte: int, *, wrong_parity: bool = False) -> tuple[int, ...]:
    """The eleven bits in the order of the line."""
    data = tuple(byte >> bit & 1 for bit in range(8))
    return (0, *data, odd_parity(byte) ^ wrong_parity, 1)


def fall_us(start: int, bit: int, bit_us: int) -> int:
    """Moment at which the clock falls for a bit of a frame that starts at `start`, in microseconds."""
    return start + DATA_SETUP_US + bit * bit_us


def frame_us(bit_us: int) -> int:
    """Length of a frame in microseconds."""
    return FRAME_BITS * bit_us


@attrs.define(eq=False)
class FrameReceiver:
    """Counts eleven bits to a frame, whatever they are; it has no other way to know where a frame begins.

    Attributes:
        bits: bits taken of the frame under way.
    """

    bits: list[int] = attrs.Factory(list)

    def take(self, bit: int) -> tuple[int, bool] | None:
        """Take a bit.

        Returns:
            None inside a frame; after the eleventh bit (byte, whether start, parity and stop were right).
        """
        self.bits.append(bit)
        if len(self.bits) < FRAME_BITS:
            return None
        start, *data, parity, stop = self.bits
        self.bits = []
        byte = sum(level << place for place, level in enumerate(data))
        return byte, start == 0 and stop == 1 and parity == odd_parity(byte)
