"""How much noise may do."""

from __future__ import annotations

import math

from simkit.suspect.steadiness import WRONG_BITS

SELDOM = 1e-3
"""How often noise may have so many cycles wrong as are. Ours."""


def is_more_than_chance(count: int, mean: float, tries: int = 1) -> bool:
    """Whether chance has so many seldom or never, where it has `mean` on average; in none of so many tries.

    Source: H. Chernoff, A measure of asymptotic efficiency for tests of a hypothesis, Annals of Mathematical Statistics
    23, 1952: the bound; for a Poisson number exp(count - mean) * (mean / count) ** count (arithmetic).
    """
    if count <= mean:
        return False
    return mean == 0 or count - mean + count * math.log(mean / count) < math.log(SELDOM / tries)


def is_more_than_noise(wrong: int, cycles: int) -> bool:
    """Whether more of some cycles have a line wrong than an analyser has."""
    return is_more_than_chance(wrong, WRONG_BITS * cycles)
