"""How well the runs of a candidate explain a capture, wherever in the run it was taken.

What counts is which different sequences of the capture a candidate's runs show, and not how often: how many rounds a
waiting loop makes is chance. Noise makes sequences that nobody's runs show, so it counts alike against all. Two
candidates differ when one explains more than the other beyond what chance does: where both are as good, chance gives
now the one and now the other a sequence more, as in a test on matched pairs (Q. McNemar, Psychometrika 12, 1947). What
a candidate shows under every power-up, and the other under none, is no chance.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from simkit.capture.captured import Captured
from simkit.contract.errors import SimkitError, near
from simkit.suspect.grams import among, grams, length_of
from simkit.suspect.library import Library
from simkit.suspect.outcomes import Outcomes

ROUNDS = 5
"""How often a better one than the best is looked for."""
CHANCES = 2.2
"""How many times what chance does on average still counts as chance."""
UNSTEADY = 3.0
"""How many times what other power-ups of the same fault leave unexplained may be unexplained in a capture."""
STRANGE = 0.015
"""Part of a capture that the best candidate may leave unexplained where noise does not account for it."""
SELDOM = 0.05
"""What comes in so small a part of the rounds of a loop may be noise, though it come again."""
LONG = 3
"""Unexplained stretches of so many sequences' length are no noise."""


class Capture:
    """A capture made ready to be held against many runs.

    Args:
        captured: the capture.
        outcomes: of the candidates.
        library: of these outcomes.

    Attributes:
        lines: how many lines it has that runs have.

    Raises:
        SimkitError: no line of it is one of the machine's, or it is too short.
    """

    def __init__(self, captured: Captured, outcomes: Outcomes, library: Library) -> None:
        names = outcomes.names
        there = [name for name in captured.names if name in names]
        if not there:
            remedy = near(captured.names[0], names) if captured.names else "Give a table of channels."
            raise SimkitError("No channel of the capture is a line of the machine.", remedy=remedy)
        self._outcomes = outcomes
        mask = sum(1 << names.index(name) for name in there)
        self.lines = len(there)
        length = self._length = length_of(self.lines)
        levels, known = captured.gathered(names)
        whole = (known & np.uint64(mask)) == np.uint64(mask)
        every = grams(levels, mask, length)
        n = len(every)
        broken = np.zeros(n, bool)
        for step in range(length if n else 0):
            broken |= ~whole[step : step + n]
            if step:
                broken |= captured.lost[step : step + n]
        every = every[~broken]
        if not len(every):
            raise SimkitError(
                "The capture is too short, or nothing in it is certain.", remedy="Capture a few hundred bus cycles."
            )
        self._different, self._number, self._counts = np.unique(every, return_inverse=True, return_counts=True)
        self._shelf = library.shelf(mask, length)
        self._first = [one.first_of(self._different) for one in self._shelf.sound]
        self._known: dict[str, NDArray[np.bool_]] = {}
        self._sure: dict[str, NDArray[np.bool_]] = {}

    def explained(self, name: str) -> NDArray[np.bool_]:
        """Which of the different sequences of the capture the runs of a class show."""
        if name not in self._known:
            found = among(self._different, self._shelf.own(name)[0])
            for first, run in zip(self._first, self._outcomes.runs[name], strict=True):
                parted = np.iinfo(np.int64).max if run.parted is None else run.parted
                found |= first < parted
            self._known[name] = found
        return self._known[name]

    def sure(self, name: str) -> NDArray[np.bool_]:
        """Which of them they show under every power-up, behind where they part."""
        if name not in self._sure:
            self._sure[name] = among(self._different, self._shelf.own(name)[1])
        return self._sure[name]

    def part(self, name: str) -> float:
        """Part of the capture that a class explains."""
        return float(self._counts[self.explained(name)].sum() / self._counts.sum())

    def best(self, names: Iterable[str]) -> str:
        """The class that explains most; what a fault shows under every power-up weighs more than what chance adds."""
        names = list(names)
        found = max(names, key=lambda name: int(self.explained(name).sum()))
        for _ in range(ROUNDS):
            better = min(names, key=lambda name: self.behind(name, found))
            if self.behind(better, found) >= 0:
                break
            found = better
        return found

    def behind(self, name: str, best: str) -> float:
        """How far a class is behind another, in units of what chance does: up to 1 they cannot be told apart."""
        mine, its = self.explained(name), self.explained(best)
        less, more = its & ~mine, mine & ~its
        surely_less, surely_more = less & self.sure(best), more & self.sure(name)
        sure = int(surely_less.sum()) - int(surely_more.sum())
        odd_less, odd_more = int((less & ~surely_less).sum()), int((more & ~surely_more).sum())
        chance = CHANCES * (self._length + math.sqrt(self._length * (odd_less + odd_more)))
        return sure / max(1, self._length - 1) + (odd_less - odd_more) / chance

    def strange(self, name: str) -> float:
        """Part of the capture that a class does not explain, and noise does not: it comes again and again, or lasts."""
        return self._no_noise(~self.explained(name), self._number, self._counts)

    def _no_noise(self, unexplained: NDArray[np.bool_], number: NDArray[np.intp], counts: NDArray[np.intp]) -> float:
        """Part of a row of sequences that is unexplained and no noise.

        Args:
            unexplained: of the different sequences in it.
            number: of each of its places which of them stands there.
            counts: how often each comes.
        """
        first = np.zeros(len(counts), np.intp)
        first[number[::-1]] = np.arange(len(number) - 1, -1, -1)
        before = counts[number[np.maximum(0, first - self._length)]]  # how often it comes to where this stands
        again = (unexplained & (counts > 1) & (counts > SELDOM * before))[number]
        long = _long_stretches(unexplained[number], LONG * self._length)
        return float((again | long).mean())

    def is_misfit(self, name: str) -> bool:
        """Whether a class leaves more unexplained than noise and other power-ups of the same fault do."""
        strange = self.strange(name)
        return strange > STRANGE and strange > STRANGE + UNSTEADY * self.unsteady(name)

    def unsteady(self, name: str) -> float:
        """The same of its own runs: what other power-ups of the fault leave unexplained, of the run it is most of."""
        each = self._shelf.each(name)
        worst = 0.0
        for at, row in enumerate(each):
            own = row[: len(self._number)]
            others = [one for other, one in enumerate(each) if other != at and len(one)]
            if not (len(own) and others):
                continue
            different, number, counts = np.unique(own, return_inverse=True, return_counts=True)
            found = among(different, np.unique(np.concatenate(others)))
            for sound, run in zip(self._shelf.sound, self._outcomes.runs[name], strict=True):
                found |= sound.first_of(different) < (np.iinfo(np.int64).max if run.parted is None else run.parted)
            worst = max(worst, self._no_noise(~found, number, counts))
        return worst


def _long_stretches(odd: NDArray[np.bool_], least: int) -> NDArray[np.bool_]:
    """Of a row of flags those that stand in a stretch of at least so many."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], odd, [False])).astype(np.int8)))
    found = np.zeros(len(odd), bool)
    for begin, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if end - begin >= least:
            found[begin:end] = True
    return found
