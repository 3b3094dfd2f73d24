"""How fast machine time goes beside the host's, where a person sits at the machine."""

from __future__ import annotations

from enum import StrEnum
from fractions import Fraction

import attrs

from simkit.contract.errors import SimkitError

MOST_DIGITS = 20


class Speed(StrEnum):
    """A speed to choose; the values are those of `--speed`."""

    HALF = "half"
    REAL = "real"
    DOUBLE = "double"
    FAST = "fast"

    @property
    def factor(self) -> Fraction | None:
        """Machine seconds in a second of the host's; None: as many as it can."""
        return _FACTORS[self]

    @property
    def words(self) -> str:
        """What it is called in a sentence."""
        return _WORDS[self]

    @property
    def short_words(self) -> str:
        """The same behind the word speed."""
        return self.words.removesuffix(" speed")

    @property
    def next(self) -> Speed:
        """The next faster one; after the fastest the slowest."""
        speeds = list(Speed)
        return speeds[(speeds.index(self) + 1) % len(speeds)]


_FACTORS = {Speed.HALF: Fraction(1, 2), Speed.REAL: Fraction(1), Speed.DOUBLE: Fraction(2), Speed.FAST: None}
_WORDS = {
    Speed.HALF: "half speed",
    Speed.REAL: "real speed",
    Speed.DOUBLE: "double speed",
    Speed.FAST: "as fast as it goes",
}

SLOWEST, FASTEST = Fraction(1, 1000), Fraction(1000)


@attrs.frozen
class OtherSpeed:
    """A speed that somebody has written as a number.

    Attributes:
        factor: machine seconds in a second of the host's.
    """

    factor: Fraction

    @property
    def words(self) -> str:
        """What it is called in a sentence."""
        return f"{self.short_words} real speed"

    @property
    def short_words(self) -> str:
        """The same behind the word speed."""
        return f"{float(self.factor):g} times"

    @property
    def next(self) -> Speed:
        """The next one with a name that is faster; from the fastest on the slowest."""
        return next((speed for speed in Speed if speed.factor is None or speed.factor > self.factor), Speed.HALF)


AnySpeed = Speed | OtherSpeed


def read_speed(text: str) -> AnySpeed:
    """A speed as people write it: half, real, double, fast, or how many times real speed.

    Raises:
        SimkitError: neither.
    """
    if text in [speed.value for speed in Speed]:
        return Speed(text)
    try:
        factor = Fraction(text)
    except (ValueError, ZeroDivisionError):
        factor = Fraction(0)
    if len(text) > MOST_DIGITS or not SLOWEST <= factor <= FASTEST:
        raise SimkitError(
            f"{text[:40]!r} is no speed.",
            remedy=f"Write {', '.join(Speed)}, or a number from {float(SLOWEST):g} to {float(FASTEST):g}: 0.1, 10.",
        )
    named = [speed for speed in Speed if speed.factor == factor]
    return named[0] if named else OtherSpeed(factor)
