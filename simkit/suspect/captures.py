"""How well the runs of a candidate explain a capture."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.capture.captured import Captured
from simkit.contract.errors import SimkitError, near
from simkit.suspect.grams import Words, among, grams, length_of
from simkit.suspect.outcome import Outcome

SLACK_CYCLES = 256
"""Cycles by which runs may be ahead of the capture, or behind it."""
FROM_POWER_ON = 0.5
"""Part of a capture that must be explained by the beginning of some run, for it to begin there."""


@attrs.frozen
class Fit:
    """How well a candidate explains a capture.

    Attributes:
        explained: part of the capture's sequences that its runs show.
        shown: part of its own sequences, of the same time, that the capture shows; of the mean run.
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


class Capture:
    """A capture made ready to be held against many runs.

    Args:
        captured: the capture.
        names: lines that runs were observed by.

    Attributes:
        lines: how many lines it has that runs have.
        from_power_on: whether it begins where runs begin; None while that is not known.

    Raises:
        SimkitError: no line of it is one of the machine's, or it is too short.
    """

    def __init__(self, captured: Captured, names: Sequence[str]) -> None:
        there = [name for name in captured.names if name in names]
        if not there:
            remedy = near(captured.names[0], names) if captured.names else "Give a table of channels."
            raise SimkitError("No channel of the capture is a line of the machine.", remedy=remedy)
        self.mask = sum(1 << names.index(name) for name in there)
        self.lines = len(there)
        self.length = length_of(self.lines)
        levels, known = captured.gathered(names)
        whole = (known & np.uint64(self.mask)) == np.uint64(self.mask)
        self._all = grams(levels, self.mask, self.length)
        n = len(self._all)
        broken = np.zeros(n, bool)
        for step in range(self.length):
            broken |= ~whole[step : step + n]
            if step:
                broken |= captured.lost[step : step + n]
        self.kept: NDArray[np.bool_] = ~broken
        if not self.kept.any():
            raise SimkitError(
                "The capture is too short, or nothing in it is certain.", remedy="Capture a few hundred bus cycles."
            )
        self.cycles = len(captured)
        self.ordered: Words = np.unique(self._all[self.kept])
        counts: Mapping[int, int] = dict(
            zip(*(a.tolist() for a in np.unique(self._all, return_counts=True)), strict=True)
        )
        self._again = np.array([counts[one] > 1 for one in self._all.tolist()], bool)
        self.from_power_on: bool | None = None

    def runs_of(self, outcomes: Sequence[Outcome], *, whole: bool) -> list[Words]:
        """Sequences of runs: of their beginnings, as long as the capture, or of all that is kept of them."""
        found = []
        for outcome in outcomes:
            stretches = [outcome.head] if not whole else [outcome.head, outcome.tail]
            parts = [one.levels for one in stretches if one is not None]
            if not whole:
                parts = [part[: self.cycles + SLACK_CYCLES] for part in parts]
            own = [grams(part, self.mask, self.length) for part in parts]
            found.append(np.concatenate(own) if own else np.zeros(0, np.uint64))
        return found

    def fit(self, outcomes: Sequence[Outcome], *, whole: bool = False) -> Fit:
        """How well a candidate with these runs explains the capture."""
        runs = self.runs_of(outcomes, whole=whole)
        known = np.unique(np.concatenate(runs))
        explained = among(self._all, known)
        part = float(explained[self.kept].mean())
        if whole:
            return Fit(part, part, self._strange(explained))
        shown = [float(among(run[: self.cycles], self.ordered).mean()) if len(run) else 0.0 for run in runs]
        # A run that stands still early shows little, where the capture goes on.
        return Fit(part, float(np.mean(shown)), self._strange(explained))

    def spread(self, outcomes: Sequence[Outcome]) -> float:
        """What power-ups alone do to the score of one fault: the mean of each of its runs against the rest."""
        runs = [run[: self.cycles] for run in self.runs_of(outcomes, whole=False)]
        found = []
        for number, own in enumerate(runs):
            others = [run for at, run in enumerate(runs) if at != number and len(run)]
            if not (others and len(own)):
                continue
            explained = among(own, np.unique(np.concatenate(others))).mean()
            shown = np.mean([among(run, np.unique(own)).mean() for run in others])
            found.append(2 - float(explained) - float(shown))
        return float(np.mean(found)) if found else 0.0

    def _strange(self, explained: NDArray[np.bool_]) -> float:
        """Part that is neither explained nor noise."""
        odd = ~explained & self.kept
        again = odd & self._again
        long = _long_stretches(odd, 3 * self.length)
        return float((again | long).sum() / max(1, self.kept.sum()))


def _long_stretches(odd: NDArray[np.bool_], least: int) -> NDArray[np.bool_]:
    """Of a row of flags those that stand in a stretch of at least so many."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], odd, [False])).astype(np.int8)))
    found = np.zeros(len(odd), bool)
    for begin, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if end - begin >= least:
            found[begin:end] = True
    return found
