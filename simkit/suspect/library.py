"""Sequences of bus cycles of all runs, for the lines that one capture sees; kept for the next capture of the same."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.select import ADDRESS_LINES
from simkit.suspect.grams import Wanted, Words, among, grams, one_bit_wrong
from simkit.suspect.outcomes import SOUND, Outcomes
from simkit.suspect.registers import Registers
from simkit.suspect.steadiness import FAR, FEW, Steadiness, reach_of, strange_places
from simkit.suspect.trial import Trial
from simkit.suspect.unset import unset, without_unset

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
    def of(cls, levels: Words, mask: int, length: int) -> SoundGrams:
        """Of the levels of such a run."""
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
        captures: that were held against it.
    """

    outcomes: Outcomes
    mask: int
    length: int
    captures: int = 0
    _own: dict[str, tuple[Words, Words]] = attrs.field(factory=dict)
    _steadiness: dict[str, Steadiness] = attrs.field(factory=dict)
    _unsteady: dict[str, float] = attrs.field(factory=dict)

    @cached_property
    def sound(self) -> list[SoundGrams]:
        """Of the run without a fault, a power-up each."""
        return [SoundGrams.of(self.settled(levels), self.mask, self.length) for levels in self._sound_levels]

    @cached_property
    def _sound_levels(self) -> list[Words]:
        return [run.stretches[0].levels for run in self.outcomes.runs[SOUND]]

    @cached_property
    def _unset(self) -> NDArray[np.bool_]:
        """Addresses of memory that the run without a fault reads before it sets it, where all of that is seen."""
        names = self.outcomes.names
        told = (*ADDRESS_LINES, "RW")
        if not all(name in names and self.mask >> names.index(name) & 1 for name in told):
            return np.zeros(0x1_0000, bool)
        return unset(self._sound_levels, names)

    def settled(self, levels: Words) -> Words:
        """Levels without what memory shows that nobody set."""
        return without_unset(levels, self.outcomes.names, self._unset)

    def own(self, name: str) -> tuple[Words, Words]:
        """Sequences that runs of a class show behind where they part: of any power-up, and of every one.

        Each once, in order.
        """
        if name not in self._own:
            different, runs = np.unique(np.concatenate([np.unique(one) for one in self.each(name)]), return_counts=True)
            self._own[name] = different, different[runs == len(self.outcomes.runs[name])]
        return self._own[name]

    def held(
        self, name: str, wanted: Wanted, first: Sequence[NDArray[np.int64]]
    ) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """Which sequences of a capture the runs of a class show, and which under every power-up behind where they part.

        To put what runs show in order pays from the second capture of the same lines on.

        Args:
            name: of the class.
            wanted: the sequences of the capture.
            first: for each power-up where they come first in the run without a fault.
        """
        if self.captures > 1 or name in self._own:
            return self.shows(name, wanted.ordered, first), among(wanted.ordered, self.own(name)[1])
        each = np.stack([wanted.which_come(one) for one in self.each(name)])
        found = each.any(axis=0) | self._before_parting(name, wanted.ordered, first)
        return found, np.asarray(each.all(axis=0))

    def shows(self, name: str, some: Words, first: Sequence[NDArray[np.int64]] | None = None) -> NDArray[np.bool_]:
        """Which of some sequences the runs of a class show.

        Args:
            name: of the class.
            some: the sequences.
            first: for each power-up where they come first in the run without a fault, where that is known.
        """
        return self._shows(name, some, self.own(name)[0], first)

    def _shows(
        self, name: str, some: Words, own: Words, first: Sequence[NDArray[np.int64]] | None = None
    ) -> NDArray[np.bool_]:
        """The same with the sequences, in order, that are shown behind where runs part."""
        return among(some, own) | self._before_parting(name, some, first)

    def _before_parting(self, name: str, some: Words, first: Sequence[NDArray[np.int64]] | None) -> NDArray[np.bool_]:
        """Which sequences come before a run of a class parts from the one without a fault."""
        found = np.zeros(len(some), bool)
        for at, (sound, run) in enumerate(zip(self.sound, self.outcomes.runs[name], strict=True)):
            parted = np.iinfo(np.int64).max if run.parted is None else run.parted
            found |= (sound.first_of(some) if first is None else first[at]) < parted
        return found

    def unsteady(self, name: str, rows: int) -> float:
        """Part of what a run of a class shows behind where it parts that its other runs do not: the most.

        Args:
            name: of the class.
            rows: sequences that are looked into; asked with about the same number each time.
        """
        if name not in self._unsteady:
            each, most = self.each(name), 0.0
            for at, own in enumerate(each):
                others = [one for other, one in enumerate(each) if other != at]
                if len(own) and others:
                    shown = self._shows(name, np.unique(own[:rows]), np.sort(np.concatenate(others)))
                    most = max(most, 1.0 - float(shown.mean()))
            self._unsteady[name] = most
        return self._unsteady[name]

    def steadiness(self, name: str) -> Steadiness:
        """What the runs of a class show of one another."""
        if name not in self._steadiness:
            self._steadiness[name] = self._steadiness_of(name)
        return self._steadiness[name]

    def _steadiness_of(self, name: str) -> Steadiness:
        each = self.each(name)
        strange, least = 0, len(self._sound_levels[0])
        for at, row in enumerate(each):
            own = row[:FAR]
            others = [one for other, one in enumerate(each) if other != at and len(one)]
            if not (len(own) and others):
                continue
            different, begins, number = np.unique(own, return_index=True, return_inverse=True)
            shown = np.sort(np.concatenate(others))
            found = self._shows(name, different, shown)
            reach = reach_of(found[number])
            if reach < len(own):
                least = min(least, reach - reach_of(self.shows(SOUND, different)[number]))
            kinds, number, counts = np.unique(number[: max(1, reach)], return_inverse=True, return_counts=True)
            odd = ~found[kinds]
            near = np.zeros(len(odd), bool)
            some = np.flatnonzero(odd)[:FEW]
            first = self._parts(name, at)[0]  # what is kept from where they part on is longer than FAR
            there = begins[kinds[some]] + self.length <= len(first)
            some = some[there]
            windows = first[begins[kinds[some]][:, None] + np.arange(self.length)]
            wrong = one_bit_wrong(windows & np.uint64(self.mask), self._bits, self.settled)
            near[some] = self._shows(name, wrong.reshape(-1), shown).reshape(wrong.shape).any(axis=1)
            strange = max(strange, strange_places(odd, near, number, counts, self.length, len(self._bits)))
        return Steadiness(strange, least)

    @property
    def _bits(self) -> list[int]:
        return [bit for bit in range(len(self.outcomes.names)) if self.mask >> bit & 1]

    def each(self, name: str) -> list[Words]:
        """Sequences behind where runs part, each run by itself, as they come."""
        found = []
        for at in range(len(self.outcomes.runs[name])):
            parts = [grams(self.settled(levels), self.mask, self.length) for levels in self._parts(name, at)]
            found.append(np.concatenate([np.zeros(0, np.uint64), *parts]))
        return found

    def _parts(self, name: str, at: int) -> list[Words]:
        """What is kept of a run; the first with the cycles before that belong to sequences which end behind."""
        run, sound = self.outcomes.runs[name][at], self._sound_levels[at]
        found = [one.levels for one in run.stretches[name == SOUND :]]
        if found and run.parted is not None:
            found[0] = np.concatenate((sound[max(0, run.parted - self.length + 1) : run.parted], found[0]))
        return found


@attrs.define(eq=False)
class Library:
    """Shelves for the last few choices of lines, and what registers answer."""

    outcomes: Outcomes
    _shelves: dict[tuple[int, int], Shelf] = attrs.field(factory=dict)
    _registers: Registers | None = None

    def read_registers(self, trial: Trial) -> Registers:
        """What registers answer in runs of candidates."""
        if self._registers is None:
            self._registers = Registers(trial)
        return self._registers

    def shelf(self, mask: int, length: int) -> Shelf:
        """That of a choice."""
        key = mask, length
        if key not in self._shelves:
            while len(self._shelves) >= MASKS_KEPT:
                self._shelves.pop(next(iter(self._shelves)))
            self._shelves[key] = Shelf(self.outcomes, mask, length)
        self._shelves[key].captures += 1
        return self._shelves[key]
