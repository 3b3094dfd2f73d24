"""Whether a stretch of a run is so unlike another run that nobody could take the difference for noise of a capture.

Runs are held against each other by sequences of LENGTH cycles, wherever they stand near that place: a fault that makes
a loop go one round more moves all that follows and shows nothing new. Noise spoils a share of the rows of a capture,
and each of them the LENGTH sequences that hold it. Two things it cannot make:

- so many sequences that are not there: of n rows it spoils about SPOILT * n, scattering by the square root of that.
  More than SCATTER times the scatter, in sequences, is seen by whoever only counts what is strange: 372 sequences (47
  rows that lie apart) of 20,000, 118 (15 rows) of 2,000;
- so many in a row: for IN_A_ROW of them four spoilt rows in the right distances are needed, or five and more closer
  together, which is so in fewer than one capture of 100.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from simkit.suspect.grams import Words, among, grams

LENGTH = 8
"""Cycles of a sequence."""
SPOILT = 0.012
"""Share of the rows of a capture that are spoilt: a wrong bit in 1 in 100, rows missing at 1 in 500."""
SCATTER = 3
IN_A_ROW = 4 * LENGTH


def is_unlike(levels: Words, other: Words, mask: int, begin: int, count: int) -> bool:
    """Whether some cycles of a run are so unlike another that noise is no reason.

    Args:
        levels: of the one run, a word a bus cycle.
        other: of the other, under the same power-up and with the same hands.
        mask: lines that count.
        begin: first cycle of the one that counts.
        count: how many.
    """
    own = grams(levels[begin : begin + count], mask, LENGTH)
    near = grams(other[max(0, begin - count) : begin + 2 * count], mask, LENGTH)
    if not len(own):
        return False
    if _longest(~among(own, np.unique(near))) >= IN_A_ROW:
        return True
    return len(own) - _most_alike(own, near) >= SCATTER * LENGTH * math.sqrt(SPOILT * len(own))


def _longest(flags: NDArray[np.bool_]) -> int:
    """Length of the longest row of True."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], flags.astype(np.int8), [0]))))
    return int((edges[1::2] - edges[::2]).max(initial=0))


def _most_alike(own: Words, near: Words) -> int:
    """How many sequences of the one are in a stretch of the other as long, each as often: of the best stretch."""
    kinds, wanted = np.unique(own, return_counts=True)
    at = np.minimum(np.searchsorted(kinds, near), len(kinds) - 1)
    numbers = np.where(kinds[at] == near, at, -1).tolist()
    left = wanted.tolist()  # how many of a kind are still missing in the stretch; below 0: too many of them
    alike = best = 0
    for end, number in enumerate(numbers):
        if number >= 0:
            alike += left[number] > 0
            left[number] -= 1
        gone = numbers[end - len(own)] if end >= len(own) else -1
        if gone >= 0:
            left[gone] += 1
            alike -= left[gone] > 0
        best = max(best, alike)
    return int(best)
