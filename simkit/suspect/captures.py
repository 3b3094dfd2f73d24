"""How well the runs of a candidate explain a capture, wherever in the run it was taken.

Two questions: how much of what the capture shows do the candidate's runs show; and, where the two stand side by side
best, how much of what its runs show does the capture show. A run that goes on as before fails the second where the real
machine stopped, and a run that stopped fails the first.
"""

from __future__ import annotations

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.capture.captured import Captured
from simkit.contract.errors import SimkitError, near
from simkit.suspect.grams import Words, among, grams, length_of
from simkit.suspect.library import Library, SoundGrams
from simkit.suspect.outcome import Outcome
from simkit.suspect.outcomes import Outcomes

HALF = 2
"""A stretch that is shorter than one part in so many of the capture is not laid beside it."""
NEAR_ENOUGH = 0.05
"""Candidates that explain so much less than the best are not laid beside the capture."""


@attrs.frozen
class Fit:
    """How well a candidate explains a capture.

    Attributes:
        explained: part of the capture's sequences that its runs show.
        shown: part of its own sequences, where they lie beside the capture best, that the capture shows; of the mean
            run. 0 where it explains too little to be looked at.
        strange: part of the capture that it does not explain and noise does not, either: what it does not show comes
            again and again, or lasts.
    """

    explained: float
    shown: float
    strange: float

    @property
    def score(self) -> float:
        """0 is the best there is."""
        return self.explained + self.shown - 2


@attrs.define(eq=False)
class _Beside:
    """The run without a fault under one power-up beside the capture.

    Attributes:
        hits: for each place of the run whether the capture shows what stands there.
        best: for each place the most that any window up to there shows.
        first: for each different sequence of the capture where the run shows it for the first time.
    """

    hits: NDArray[np.bool_]
    best: NDArray[np.float32]
    first: NDArray[np.int64]


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
        self._size = len(every)
        self._different, self._number, counts = np.unique(every, return_inverse=True, return_counts=True)
        self._counts = counts
        self._shelf = library.shelf(mask, length)
        self._sound = [self._beside(one) for one in self._shelf.sound]

    def _beside(self, sound: SoundGrams) -> _Beside:
        hits = among(sound.different, self._different)[sound.number]
        window = min(self._size, len(hits)) or 1
        sums = np.concatenate(([0], np.cumsum(hits, dtype=np.int64)))
        best = np.maximum.accumulate((sums[window:] - sums[:-window]) / window).astype(np.float32)
        if len(sound.different):
            at = np.minimum(np.searchsorted(sound.different, self._different), len(sound.different) - 1)
            found = sound.different[at] == self._different
            first = np.where(found, sound.first[at], np.iinfo(np.int64).max)
        else:
            first = np.full(len(self._different), np.iinfo(np.int64).max)
        return _Beside(hits, best, first)

    def fits(self) -> dict[str, Fit]:
        """How well each class explains it; those alike in all that is kept have the same."""
        groups = [group for group in self._outcomes.shown_alike() if not self._outcomes.runs[group[0]][0].trouble]
        known = {group[0]: self._explained(group[0]) for group in groups}
        parts = {name: float(self._counts[own].sum() / self._size) for name, own in known.items()}
        least = max(parts.values()) - NEAR_ENOUGH
        found: dict[str, Fit] = {}
        for group in groups:
            name = group[0]
            shown = self.shown(name) if parts[name] >= least else 0.0
            fit = Fit(parts[name], shown, self._strange(known[name]) if parts[name] >= least else 1.0)
            found |= dict.fromkeys(group, fit)
        return found

    def _explained(self, name: str) -> NDArray[np.bool_]:
        """Which of the different sequences of the capture runs of a class show."""
        found = among(self._different, self._shelf.own(name))
        for beside, run in zip(self._sound, self._outcomes.runs[name], strict=True):
            parted = len(beside.hits) if run.parted is None else run.parted
            found |= beside.first < parted
        return found

    def shown(self, name: str) -> float:
        """Part of its own sequences that the capture shows, of the mean run."""
        runs = self._outcomes.runs[name]
        return float(np.mean([self._best_window(*one)[0] for one in zip(self._sound, runs, strict=True)]))

    def _best_window(self, beside: _Beside, run: Outcome) -> tuple[float, Words]:
        """The window of a run that the capture shows most of: how much, and what stands there behind the parting."""
        size = self._size
        parted = len(beside.hits) if run.parted is None else max(0, run.parted - self._length + 1)
        at = min(parted - size, len(beside.best) - 1)
        best, where = (float(beside.best[at]) if at >= 0 else 0.0), np.zeros(0, np.uint64)
        for stretch in run.stretches if run.parted is not None else ():
            own = grams(stretch.levels, self._shelf.mask, self._length)
            hits = among(own, self._different)
            behind = stretch.since == run.parted
            before = beside.hits[max(0, parted - size) : parted] if behind else np.zeros(0, bool)
            row = np.concatenate((before, hits))
            window = min(size, len(row))
            if not window or (window * HALF < size and not run.halted):
                continue
            sums = np.concatenate(([0], np.cumsum(row)))
            parts = (sums[window:] - sums[:-window]) / window
            begin = int(parts.argmax())
            if parts[begin] > best:
                best, where = float(parts[begin]), own[max(0, begin - len(before)) : begin + window - len(before)]
        return best, where

    def spread(self, name: str) -> float:
        """What power-ups alone do to the score of one fault: its runs, where the capture was, against the others."""
        runs = self._outcomes.runs[name]
        windows = [self._best_window(*one)[1] for one in zip(self._sound, runs, strict=True)]
        windows = [window for window in windows if len(window)]
        found = []
        for number, own in enumerate(windows):
            others = [window for at, window in enumerate(windows) if at != number]
            if others:
                explained = among(own, np.unique(np.concatenate(others))).mean()
                shown = np.mean([among(window, np.unique(own)).mean() for window in others])
                found.append(2 - float(explained) - float(shown))
        return float(np.mean(found)) if found else 0.0

    def _strange(self, explained: NDArray[np.bool_]) -> float:
        """Part that is neither explained nor noise."""
        again = ~explained & (self._counts > 1)
        odd = (~explained)[self._number]
        long = _long_stretches(odd, 3 * self._length)
        return float((again[self._number] | long).sum() / self._size)


def _long_stretches(odd: NDArray[np.bool_], least: int) -> NDArray[np.bool_]:
    """Of a row of flags those that stand in a stretch of at least so many."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], odd, [False])).astype(np.int8)))
    found = np.zeros(len(odd), bool)
    for begin, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if end - begin >= least:
            found[begin:end] = True
    return found
