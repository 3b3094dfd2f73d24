"""Machine time: one integer, the cycle; crystals of cards convert with integer ratios, so nothing drifts."""

from __future__ import annotations

import re
from fractions import Fraction

from simkit.contract.errors import SimkitError

_UNITS = {"hz": 1, "khz": 1_000, "mhz": 1_000_000}
_NUMBER = r"([0-9]{1,12}(?:\.[0-9]{1,12})?)"
_CLOCK = re.compile(rf"\s*{_NUMBER}\s*([kM]?Hz)\s*(?:/\s*([0-9]{{1,12}})\s*)?", re.IGNORECASE)

MAX_HZ = 1_000_000_000
"""Highest clock accepted, in Hz; no part of the family comes near it."""
MIN_HZ = 1
"""Lowest clock accepted, in Hz. Slower is stepping by hand; a card's crystal would tick millions of times a cycle."""


def parse_hz(text: str) -> Fraction:
    """Frequency in Hz written as "2 MHz" or "10.738635 MHz / 3".

    Raises:
        SimkitError: not a frequency, zero, below MIN_HZ, or above MAX_HZ.
    """
    match = _CLOCK.fullmatch(text)
    if match is None:
        raise SimkitError(f"{text!r} is not a clock.", remedy='Write e.g. "2 MHz" or "10.738635 MHz / 3".')
    divisor = int(match[3]) if match[3] else 1
    if divisor == 0:
        raise SimkitError(f"{text!r} divides by zero.", remedy="Divide by 1 or more.")
    hz = Fraction(match[1]) * _UNITS[match[2].lower()] / divisor
    if hz <= 0:
        raise SimkitError(f"{text!r} is a clock that stands still.", remedy='Write a clock above zero, e.g. "1 MHz".')
    if hz < MIN_HZ:
        raise SimkitError(f"{text!r} is below the lowest clock accepted, {MIN_HZ} Hz.", remedy="Check the unit.")
    if hz > MAX_HZ:
        raise SimkitError(f"{text!r} is above the highest clock accepted, 1000 MHz.", remedy="Check the unit.")
    return hz


class Crystal:
    """A card's own crystal against the machine clock, in exact integer ratios.

    Tick n of the crystal is a moment; `ticks_at(cycle)` is how many have passed when the cycle starts, and
    `first_cycle_at(tick)` is the first cycle that starts at or after it.

    Args:
        hz: frequency of the crystal.
        clock_hz: frequency of the machine clock.
        phase: how far into its period the crystal is at cycle 0, 0 up to 1.
    """

    __slots__ = ("_den", "_num", "_offset", "hz")

    def __init__(self, hz: Fraction, clock_hz: Fraction, phase: Fraction = Fraction(0)) -> None:
        ratio = hz / clock_hz  # crystal ticks a machine cycle
        common = ratio.denominator * phase.denominator
        self.hz = hz
        self._num = ratio.numerator * phase.denominator
        self._den = common
        self._offset = phase.numerator * ratio.denominator

    def ticks_at(self, cycle: int) -> int:
        """Crystal ticks that have passed when `cycle` starts."""
        return (cycle * self._num + self._offset) // self._den

    def first_tick_at(self, cycle: int) -> int:
        """First tick of the crystal that falls at or after the start of `cycle`."""
        return -(-(cycle * self._num + self._offset) // self._den)

    def moment_of(self, tick: int) -> Fraction:
        """Exact moment of the tick in machine cycles, for what happens inside a cycle."""
        return Fraction(tick * self._den - self._offset, self._num)

    def first_cycle_at(self, tick: int) -> int:
        """First cycle that starts at or after the crystal's tick number `tick`."""
        return -((self._offset - tick * self._den) // self._num)
