"""What runs show, without what they show again: each short sequence of bus cycles of all lines once.

Which sequences runs show of a few lines follows from those of all lines. Programs wait in loops, so these are a sixth
of the cycles; to hold captures of ever other lines against them is so much less work.
"""

from __future__ import annotations

from collections.abc import Sequence

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.suspect.grams import Words, grams

ALL_LINES = (1 << 64) - 1
MOST_RUNS = 8
"""Runs that are condensed together."""
_SHIFTS = (46, 23, 0)
_BUCKETS = np.uint64((1 << 18) - 1)


@attrs.frozen(eq=False)
class Condensed:
    """Sequences of some runs.

    Attributes:
        levels: of the lines, in pieces behind one another, a word a cycle.
        shown: of each cycle which runs show the sequence that begins there, a bit a run; 0: none begins there. A few
            sequences may be there twice.
        length: cycles of a sequence.
    """

    levels: Words
    shown: NDArray[np.uint8]
    length: int

    @classmethod
    def of(cls, runs: Sequence[Sequence[Words]], length: int) -> Condensed:
        """Of runs, each in pieces: bus cycles that follow one another."""
        assert len(runs) <= MOST_RUNS
        pieces = [(levels, 1 << at) for at, run in enumerate(runs) for levels in run if len(levels) >= length]
        if not pieces:
            return cls(np.zeros(0, np.uint64), np.zeros(0, np.uint8), length)
        numbers = [grams(levels, ALL_LINES, length) for levels, _ in pieces]
        bits = np.concatenate([np.full(len(one), bit, np.uint8) for one, (_, bit) in zip(numbers, pieces, strict=True)])
        first = first_alike(np.concatenate(numbers))
        shown = np.zeros(len(first), np.uint8)
        np.bitwise_or.at(shown, first, bits)
        behind = np.zeros(length - 1, np.uint8)  # no sequence begins in the last cycles of a piece
        ends = np.cumsum([len(one) for one in numbers])[:-1]
        flags = np.concatenate([part for one in np.split(shown, ends) for part in (one, behind)])
        there = flags != 0
        kept = there.copy()
        for step in range(1, length):
            kept[step:] |= there[:-step]
        return cls(np.concatenate([levels for levels, _ in pieces])[kept], flags[kept], length)

    @property
    def begins(self) -> NDArray[np.intp]:
        """Cycles in which sequences begin."""
        return np.flatnonzero(self.shown)


def first_alike(numbers: Words) -> NDArray[np.intp]:
    """For each number the place of an equal one, of most the first; for that, its own."""
    found, left = np.arange(len(numbers)), np.arange(len(numbers))
    for shift in _SHIFTS:
        key = (numbers[left] >> np.uint64(shift) & _BUCKETS).astype(np.intp)
        owner = np.empty(int(_BUCKETS) + 1, np.intp)
        owner[key[::-1]] = left[::-1]  # the first of each bucket stays
        own = owner[key]
        alike = numbers[own] == numbers[left]
        found[left[alike]] = own[alike]
        left = left[~alike]
        if not len(left):
            break
    return found
