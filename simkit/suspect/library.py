"""Sequences of bus cycles of all runs, for the lines that one capture sees; kept for the next capture of the same."""

from __future__ import annotations

from functools import cached_property

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.suspect.grams import Words, grams
from simkit.suspect.outcome import Outcome
from simkit.suspect.outcomes import SOUND, Outcomes

MASKS_KEPT = 2
"""For how many choices of lines sequences are kept."""


@attrs.frozen(eq=False)
class SoundGrams:
    """Sequences of the run without a fault under one power-up.

    Attributes:
        different: each that comes, once, in order.
        first: where it comes for the first time.
    """

    different: Words
    first: NDArray[np.intp]

    @classmethod
    def of(cls, outcome: Outcome, mask: int, length: int) -> SoundGrams:
        """Of such a run."""
        levels = outcome.stretches[0].levels if outcome.stretches else np.zeros(0, np.uint64)
        return cls(*np.unique(grams(levels, mask, length), return_index=True))

    def first_of(self, some: Words) -> NDArray[np.int64]:
        """Where each of some sequences comes for the first time; farther than any run where it does not."""
        found = np.full(len(some), np.iinfo(np.int64).max)
        if len(self.different):
            at = np.minimum(np.searchsorted(self.different, some), len(self.different) - 1)
            there = self.different[at] == some
            found[there] = self.first[at[there]]
        return found


@attrs.define(eq=False, slots=False)
class Shelf:
    """Sequences for one choice of lines.

    Attributes:
        outcomes: whose runs.
        mask: of the lines.
        length: cycles of a sequence.
    """

    outcomes: Outcomes
    mask: int
    length: int
    _own: dict[str, tuple[Words, Words]] = attrs.field(factory=dict)

    @cached_property
    def sound(self) -> list[SoundGrams]:
        """Of the run without a fault, a power-up each."""
        return [SoundGrams.of(outcome, self.mask, self.length) for outcome in self.outcomes.runs[SOUND]]

    def own(self, name: str) -> tuple[Words, Words]:
        """Sequences that runs of a class show behind where they part: of any power-up, and of every one.

        Each once, in order.
        """
        if name not in self._own:
            different, runs = np.unique(np.concatenate([np.unique(one) for one in self.each(name)]), return_counts=True)
            self._own[name] = different, different[runs == len(self.outcomes.runs[name])]
        return self._own[name]

    def each(self, name: str) -> list[Words]:
        """The same, each run by itself, as they come."""
        found = []
        for run in self.outcomes.runs[name]:
            stretches = run.stretches[name == SOUND :]
            parts = [grams(one.levels, self.mask, self.length) for one in stretches]
            found.append(np.concatenate([np.zeros(0, np.uint64), *parts]))
        return found


@attrs.define(eq=False)
class Library:
    """Shelves for the last few choices of lines."""

    outcomes: Outcomes
    _shelves: dict[tuple[int, int], Shelf] = attrs.field(factory=dict)

    def shelf(self, mask: int, length: int) -> Shelf:
        """That of a choice."""
        key = mask, length
        if key not in self._shelves:
            while len(self._shelves) >= MASKS_KEPT:
                self._shelves.pop(next(iter(self._shelves)))
            self._shelves[key] = Shelf(self.outcomes, mask, length)
        return self._shelves[key]
