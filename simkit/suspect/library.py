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


@attrs.define(eq=False)
class SoundGrams:
    """Sequences of the run without a fault under one power-up.

    Attributes:
        different: each that comes, once, in order.
        first: where it comes for the first time.
        number: for each place of the run which of them stands there.
    """

    different: Words
    first: NDArray[np.intp]
    number: NDArray[np.int32]

    @classmethod
    def of(cls, outcome: Outcome, mask: int, length: int) -> SoundGrams:
        """Of such a run."""
        levels = outcome.stretches[0].levels if outcome.stretches else np.zeros(0, np.uint64)
        different, first, number = np.unique(grams(levels, mask, length), return_index=True, return_inverse=True)
        return cls(different, first, number.astype(np.int32))


@attrs.define(eq=False, slots=False)
class Shelf:
    """Sequences for one choice of lines.

    Attributes:
        mask: of the lines.
        length: cycles of a sequence.
    """

    outcomes: Outcomes
    mask: int
    length: int
    _own: dict[str, Words] = attrs.field(factory=dict)

    @cached_property
    def sound(self) -> list[SoundGrams]:
        """Of the run without a fault, a power-up each."""
        return [SoundGrams.of(outcome, self.mask, self.length) for outcome in self.outcomes.runs[SOUND]]

    def own(self, name: str) -> Words:
        """Sequences that runs of a class show behind where they part, each once, in order."""
        if name not in self._own:
            runs = self.outcomes.runs[name]
            stretches = [one for run in runs for one in run.stretches[name == SOUND :]]
            parts = [grams(one.levels, self.mask, self.length) for one in stretches]
            self._own[name] = np.unique(np.concatenate([np.zeros(0, np.uint64), *parts]))
        return self._own[name]


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
