"""How fast machine time goes beside the host's, where a person sits at the machine."""

from __future__ import annotations

from enum import StrEnum
from fractions import Fraction


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
