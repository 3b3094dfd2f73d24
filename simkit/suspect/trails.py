"""Long sequences of cycles that runs show, for the lines of one capture, and how far runs of a class differ in them."""

from __future__ import annotations

from collections.abc import Sequence

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.suspect.grams import Wanted, Words, grams
from simkit.suspect.library import NEVER, SoundGrams, Stock
from simkit.suspect.long_sequences import LENGTH, LongSequences, walk_along
from simkit.suspect.steadiness import MOST

MOST_THERE = 0.9
"""Part of the sequences of a capture that a run without a fault shows first before the place of it. Ours."""
HELD_OUT = 2000
"""First sequences of each run, behind where it parts, that are held against the others: a short capture. Ours."""
STRAY = 60
"""Sequences astray that say as much against a class as a place: where what runs do hangs on the power-up, of a few runs
none need go where the real machine goes, but then it is there for long. Ours."""
PLACES_MORE, SEQUENCES_MORE = 0.5, 1000
"""What is added to the places in which a few runs differ: none in few is not none in all. Half a place is what the rule
of H. Jeffreys for the rate of seldom things adds (from memory), the sequences are ours."""


@attrs.frozen
class Apart:
    """How far runs of one class differ from one another.

    Attributes:
        sequences: that were looked at.
        places, astray: as in a `Walk`, of all of them.
    """

    sequences: int = 0
    places: int = 0
    astray: int = 0

    def __add__(self, other: Apart) -> Apart:
        return Apart(self.sequences + other.sequences, self.places + other.places, self.astray + other.astray)

    @property
    def seldom(self) -> float:
        """Places a sequence that are to be expected of a further run."""
        return (self.places + PLACES_MORE) / (self.sequences + SEQUENCES_MORE)

    def astray_in(self, sequences: int) -> float:
        """What is to be expected astray in so many sequences of a further run, counted as places."""
        return (self.astray / STRAY + 1) / (self.sequences + 2 * SEQUENCES_MORE) * sequences


def _apart(sequences: NDArray[np.intp], unshown: NDArray[np.bool_]) -> Apart:
    """Of a row in which nothing is wrong by noise."""
    nothing = np.zeros((1, LENGTH, len(sequences)), np.int8)
    walk = walk_along(sequences, unshown, np.ones(len(sequences), bool), nothing)
    return Apart(len(sequences), walk.places, walk.astray)


@attrs.frozen(eq=False)
class Trail:
    """Long sequences that the runs of a class show.

    Attributes:
        behind: of each run, behind where it parts from the one without a fault, as they come.
        parted: of each run, where it parts; None where it does not.
        back: of each run, the bus cycle from which on nothing is kept for a while, where it did there what a run
            without a fault does: it may have gone on so. None where it did not.
    """

    behind: tuple[Words, ...]
    parted: tuple[int | None, ...]
    back: tuple[int | None, ...]

    def is_sound_up_to(self, places: Sequence[int]) -> bool:
        """Whether half of its runs or more do up to such places, one of each run, what a run without a fault does."""
        late = [parted is None or parted > place for parted, place in zip(self.parted, places, strict=True)]
        return 2 * sum(late) >= len(late)


class Trails:
    """Long sequences of runs, for one choice of lines.

    Args:
        stock: the runs.
        mask: of the lines.
    """

    def __init__(self, stock: Stock, mask: int) -> None:
        self._stock, self._mask = stock, mask
        self._sound = [
            SoundGrams.of(grams(levels, mask, LENGTH)[at], at)
            for levels, at in zip(stock.sound_levels, stock.sound_begins(LENGTH), strict=True)
        ]

    def of(self, name: str) -> Trail:
        """What the runs of a class show."""
        runs = self._stock.outcomes.runs[name]
        behind: list[Words] = []
        back: list[int | None] = []
        for at, run in enumerate(runs):
            parts = [grams(one, self._mask, LENGTH) for one in self._stock.parts(name, at, LENGTH)]
            behind.append(np.concatenate([np.zeros(0, np.uint64), *parts]))
            is_back = bool(parts) and run.parted is not None and not run.halted
            is_back = is_back and self._is_sound(at, parts[0][-HELD_OUT:])
            back.append(run.stretches[0].since + run.stretches[0].cycles if is_back else None)
        return Trail(tuple(behind), tuple(run.parted for run in runs), tuple(back))

    def _is_sound(self, at: int, some: Words) -> bool:
        """Whether most of some sequences are such as the run without a fault shows under a power-up."""
        return len(some) > 0 and float((self._sound[at].first_of(some) < NEVER).mean()) >= MOST

    def first_of(self, wanted: Wanted) -> list[NDArray[np.int64]]:
        """For each power-up where sequences come first in the run without a fault; NEVER where they do not."""
        return [sound.first_of(wanted.ordered) for sound in self._sound]

    def shown(self, trail: Trail, wanted: Wanted, first: Sequence[NDArray[np.int64]]) -> NDArray[np.uint8]:
        """Which runs show each of some sequences, a bit a run.

        Args:
            trail: of a class.
            wanted: the sequences.
            first: what `first_of` says of them.
        """
        found = np.zeros(len(wanted.ordered), np.uint8)
        for at, (behind, parted, back) in enumerate(zip(trail.behind, trail.parted, trail.back, strict=True)):
            bit = np.uint8(1 << at)
            found[wanted.met(behind)[1]] |= bit
            there = np.flatnonzero(first[at] < NEVER)
            since = first[at][there]
            as_sound = since < (NEVER if parted is None else parted - LENGTH + 1)
            if back is not None:
                as_sound |= since >= back
            found[there[as_sound]] |= bit
        return found

    def of_one_another(self, trail: Trail) -> Apart:
        """How the runs of a class go along what its others show, for a while behind where they part."""
        firsts = [behind[:HELD_OUT] for behind in trail.behind]
        wanted = Wanted(np.unique(np.concatenate(firsts)))
        shown = self.shown(trail, wanted, self.first_of(wanted))
        found = Apart()
        for at, own in enumerate(firsts):
            sequences = np.searchsorted(wanted.ordered, own)
            found += _apart(sequences, (shown[sequences] & ~np.uint8(1 << at)) == 0)
        return found

    def place(self, long: LongSequences, first: Sequence[NDArray[np.int64]]) -> list[int]:
        """Where in the run without a fault a capture may have been taken, of each power-up."""
        found = []
        for one in first:
            there = np.sort(one[long.own])
            there = there[: np.searchsorted(there, NEVER)]
            found.append(int(there[int(MOST_THERE * len(there))]) if len(there) else 0)
        return found

    def sound_of_one_another(self, places: Sequence[int]) -> Apart:
        """How runs without a fault go along what others of them show, round such places."""
        found = Apart()
        for at, (place, levels) in enumerate(zip(places, self._stock.sound_levels, strict=True)):
            own = grams(levels[max(0, place - HELD_OUT // 2) : place + HELD_OUT // 2], self._mask, LENGTH)
            different, sequences = np.unique(own, return_inverse=True)
            others = [sound.first_of(different) for other, sound in enumerate(self._sound) if other != at]
            shown = np.any([first < NEVER for first in others], axis=0) if others else np.ones(len(different), bool)
            found += _apart(sequences, ~shown[sequences])
        return found
