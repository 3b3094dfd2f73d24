"""A capture of few lines that begins with RESET, held in order against what all runs of a candidate show from there.

A CPU that runs astray shows nearly every short sequence of few lines some time, so which of them a candidate shows
tells nothing. What tells is the order: from power-on up to where what they do hangs on the power-up, all runs of a
candidate do the same, cycle by cycle, and so must the real machine. Each cycle that is as foretold speaks for a
candidate, by as much as its levels are seldom in the capture; each that is not speaks against it, by as much as a wrong
bit is seldom. A few runs that are alike do not prove that all are, so the real machine may leave what they show, at a
price. This is the logarithm of the likelihood that each candidate gives to the capture (natural logarithm; E. T.
Jaynes, Probability Theory, Cambridge 2003, chapter 4: evidence adds up).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import pairwise

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.suspect.outcome import Outcome
from simkit.suspect.outcomes import SOUND, Outcomes
from simkit.suspect.steadiness import WRONG_BITS, reach_of

Words = NDArray[np.uint64]

NOTHING = np.uint64(2**64 - 1)
"""Levels of a cycle in which nothing is foretold; no few lines can have them."""
VECTOR = 5
"""Cycles of RESET before its vector is read: what they show is of the power-up (W65C02S data sheet, section 3: RESB
takes seven cycles, of which the last two read the vector)."""
LATEST = 200
"""Cycle after power-on at which such a capture begins at the latest: a trigger on RESET. Ours."""
ROWS = 256
"""Rows of it that are looked at. Ours."""
CYCLES = LATEST + ROWS
"""Bus cycles from power-on that are kept of each run."""
MOST_LOST = 5
"""Bus cycles that may be missing at a place where some are."""
WRONG = -math.log(WRONG_BITS)
"""What a cycle that is not as foretold costs."""
MOST_WORTH = 5.0
"""What a cycle that is as foretold is worth at most: levels that are there once in 2,000 cycles may be so by chance."""
LEFT = 8.0
"""What it costs to leave what all runs show alike. By the rule of succession one run in six does so where four do not
(P. S. Laplace, Essai philosophique sur les probabilites, 1814), at one of some hundred places: log(6 * 500)."""
ONE_MORE = 6.0
"""How far behind the best one a candidate may be by chance: a wrong bit of the capture (`WRONG`) where the best one
foretells nothing, and a little more. Ours."""


@attrs.frozen(eq=False)
class Beginnings:
    """First bus cycles of all runs.

    Attributes:
        numbers: which row of the arrays belongs to a class, by its name.
        levels: of the lines, (classes, power-ups, CYCLES) uint64.
        there: whether there is such a cycle; the CPU may halt before.
    """

    numbers: Mapping[str, int]
    levels: Words
    there: NDArray[np.bool_]

    @classmethod
    def of(cls, outcomes: Outcomes) -> Beginnings:
        """Of all classes that could be run."""
        sound = [run.stretches[0].levels for run in outcomes.runs[SOUND]]
        names = [name for name, runs in outcomes.runs.items() if not runs[0].trouble]
        levels = np.zeros((len(names), len(sound), CYCLES), np.uint64)
        there = np.zeros(levels.shape, bool)
        for number, name in enumerate(names):
            for power_up, run in enumerate(outcomes.runs[name]):
                first = _first(run, sound[power_up])
                levels[number, power_up, : len(first)] = first
                there[number, power_up, : len(first)] = True
        return cls({name: number for number, name in enumerate(names)}, levels, there)


def _first(run: Outcome, sound: Words) -> Words:
    """What is known of the first cycles of a run."""
    if run.parted is None or run.parted >= CYCLES:
        return sound[:CYCLES]
    own = run.stretches[0].levels if run.stretches else np.zeros(0, np.uint64)
    return np.concatenate((sound[: run.parted], own))[:CYCLES]


@attrs.frozen(eq=False)
class Rows:
    """The beginning of a capture.

    Attributes:
        levels: of the lines that it sees, ROWS words at most.
        whole: rows in which all of them are known.
        lost: rows before which some are missing, in order.
        worth: of each row, if it is as foretold; of all rows of the capture.
    """

    levels: Words
    whole: NDArray[np.bool_]
    lost: tuple[int, ...]
    worth: NDArray[np.float64]

    @classmethod
    def of(cls, levels: Words, whole: NDArray[np.bool_], lost: NDArray[np.bool_]) -> Rows:
        """Of a whole capture, a word a row of the lines that it sees alone."""
        _, number, counts = np.unique(levels, return_inverse=True, return_counts=True)
        worth: NDArray[np.float64] = np.minimum(MOST_WORTH, -np.log((counts[number] + 1) / (len(levels) + 1)))
        gaps = tuple(int(row) for row in np.flatnonzero(lost[:ROWS]) if row)
        return cls(levels[:ROWS], whole[:ROWS], gaps, worth)

    def stretches(self) -> list[slice]:
        """Rows between which none are missing."""
        edges = [0, *self.lost, len(self.levels)]
        return [slice(one, other) for one, other in pairwise(edges)]


@attrs.frozen(eq=False)
class Begun:
    """How well candidates foretell the beginning of a capture.

    Attributes:
        likely: by name of the class the logarithm of the likelihood, against that of chance.
        come: by name how many cycles come as all runs of the class foretell them.
        left: classes whose runs show something else, all alike, from some place on, by more than wrong bits.
    """

    likely: dict[str, float]
    come: dict[str, int]
    left: frozenset[str]

    @property
    def first(self) -> str:
        """The class that foretells it best."""
        return max(self.likely, key=self.likely.__getitem__)

    @property
    def best(self) -> float:
        """How likely that one makes it."""
        return self.likely[self.first]


def begun(rows: Rows, mask: int, beginnings: Beginnings, names: Sequence[str]) -> Begun:
    """Hold the beginning of a capture against what runs show from power-on.

    Args:
        rows: the capture's.
        mask: lines that it sees.
        beginnings: of all runs.
        names: of the classes in question.
    """
    chosen = [beginnings.numbers[name] for name in names]
    foretold = _foretold(beginnings.levels[chosen] & np.uint64(mask), beginnings.there[chosen])
    kinds, which = np.unique(foretold, axis=0, return_inverse=True)  # many foretell the same
    best, left = np.full(len(kinds), -np.inf), np.zeros(len(kinds), bool)
    come = np.zeros(len(kinds), int)
    for late in range(LATEST + 1):
        each = _worth(rows, kinds, late)
        gained = np.cumsum(each, axis=1)
        whole, up_to = gained[:, -1], np.maximum(0.0, gained.max(axis=1))
        here = np.maximum(whole, up_to - LEFT)
        better = here > best
        best[better], left[better] = here[better], (up_to - whole > 2 * LEFT)[better]
        come[better] = (each > 0).sum(axis=1)[better]
    own = dict(zip(names, which.reshape(-1).tolist(), strict=True))
    return Begun(
        {name: float(best[kind]) for name, kind in own.items()},
        {name: int(come[kind]) for name, kind in own.items()},
        frozenset(name for name, kind in own.items() if left[kind]),
    )


def _foretold(levels: Words, there: NDArray[np.bool_]) -> Words:
    """What all runs of a class show, cycle by cycle, up to where most is of the power-up; else NOTHING.

    Args:
        levels: (classes, power-ups, cycles).
        there: the same shape.
    """
    alike = (levels == levels[:, :1]).all(axis=1) & there.all(axis=1)
    for row in alike:
        row[VECTOR + reach_of(row[VECTOR:]) :] = False
    found: Words = np.where(alike, levels[:, 0], NOTHING)
    return found


def _worth(rows: Rows, foretold: Words, late: int) -> NDArray[np.float64]:
    """What each row of a capture is worth for each class, (classes, rows), where it begins so many cycles late."""
    found = np.zeros((len(foretold), len(rows.levels)))
    behind = np.full(len(foretold), late)
    for number, stretch in enumerate(rows.stretches()):
        tried = np.stack(
            [_worth_of(rows, stretch, foretold, behind + lost) for lost in range(1, MOST_LOST + 1)]
            if number
            else [_worth_of(rows, stretch, foretold, behind)]
        )
        lost = tried.sum(axis=2).argmax(axis=0)
        found[:, stretch] = tried[lost, np.arange(len(foretold))]
        behind += lost + (number > 0)
    return found


def _worth_of(rows: Rows, stretch: slice, foretold: Words, behind: NDArray[np.intp]) -> NDArray[np.float64]:
    """The same for rows between which none are missing; `behind`: of each class, by how many cycles they are later."""
    at = np.arange(stretch.start, stretch.stop) + behind[:, None]
    said = np.take_along_axis(foretold, np.minimum(at, CYCLES - 1), axis=1)
    counts = (said != NOTHING) & (at < CYCLES) & rows.whole[stretch]
    found: NDArray[np.float64] = np.where(said == rows.levels[stretch], rows.worth[stretch], -WRONG) * counts
    return found
