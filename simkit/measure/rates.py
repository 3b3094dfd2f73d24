"""Rates with what chance leaves open, and what is in the middle of some numbers."""

from __future__ import annotations

import math
from collections.abc import Sequence

Z = 1.96
"""Of a normal distribution: within so many standard deviations lie 95 %."""


def wilson(hits: int, of: int) -> tuple[float, float]:
    """Between which rates the true one lies, 95 % sure.

    The score interval: E. B. Wilson, "Probable Inference, the Law of Succession, and Statistical Inference", Journal of
    the American Statistical Association 22 (1927), p. 209-212 (from memory).
    """
    if of == 0:
        return 0.0, 1.0
    rate = hits / of
    middle = (rate + Z * Z / (2 * of)) / (1 + Z * Z / of)
    half = Z / (1 + Z * Z / of) * math.sqrt(rate * (1 - rate) / of + Z * Z / (4 * of * of))
    return max(0.0, middle - half), min(1.0, middle + half)


def percentile(values: Sequence[int], part: float) -> int:
    """The smallest value that so great a part of them does not exceed (nearest rank); 0 for none."""
    ordered = sorted(values)
    return ordered[max(0, math.ceil(part * len(ordered)) - 1)] if ordered else 0
