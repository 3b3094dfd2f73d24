"""Sequences of bus cycles of all runs, for the lines that one capture sees; kept for the next capture of the same."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cached_property

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.select import ADDRESS_LINES
from simkit.suspect.begun import Beginnings
from simkit.suspect.condensed import ALL_LINES, Condensed, first_alike
from simkit.suspect.grams import Wanted, Words, among, grams, numbers, one_bit_wrong
from simkit.suspect.outcomes import SOUND, Outcomes
from simkit.suspect.registers import Registers
from simkit.suspect.steadiness import FAR, FEW, MOST, Steadiness, reach_of, strange_places
from simkit.suspect.trial import Trial
from simkit.suspect.unset import unset, without_unset

NEVER = np.iinfo(np.int64).max
"""Where a sequence comes that does not."""
MASKS_KEPT = 2
"""For how many choices of lines sequences are kept."""
LAST = 2000
"""Sequences at the end of what is kept of a run behind where it parts, by which it is where a sound one is. Ours."""


@attrs.frozen(eq=False)
class SoundGrams:
    """Sequences of the run without a fault under one power-up.

    Attributes:
        different: those that come.
        first: where each of them, in order, comes for the first time.
    """

    different: Wanted
    first: NDArray[np.intp]

    @classmethod
    def of(cls, numbers: Words, at: NDArray[np.intp]) -> SoundGrams:
        """Of sequences in the order in which they come, and where each comes."""
        different, first = np.unique(numbers, return_index=True)
        return cls(Wanted(different), at[first])

    def first_of(self, some: Words) -> NDArray[np.int64]:
        """Where each of some sequences comes for the first time; NEVER where it does not."""
        found = np.full(len(some), NEVER)
        which, at = self.different.met(some)
        found[which] = self.first[at]
        return found


@attrs.define(eq=False, slots=False)
class Stock:
    """All runs without what they show again, for sequences of one length.

    Attributes:
        outcomes: whose runs.
        length: cycles of a sequence.
    """

    outcomes: Outcomes
    length: int
    _condensed: dict[str, Condensed] = attrs.field(factory=dict)
    _begins: dict[int, list[NDArray[np.intp]]] = attrs.field(factory=dict)
    _back: dict[str, tuple[int, ...]] = attrs.field(factory=dict)

    @cached_property
    def sound_levels(self) -> list[Words]:
        """Levels of the runs without a fault, from power-on."""
        return [run.stretches[0].levels for run in self.outcomes.runs[SOUND]]

    @cached_property
    def sound(self) -> list[tuple[Words, NDArray[np.intp]]]:
        """Different sequences of each run without a fault, (n, length), and where each comes first, in that order."""
        begins = self.sound_begins(self.length)
        return [
            (levels[at[:, None] + np.arange(self.length)], at)
            for levels, at in zip(self.sound_levels, begins, strict=True)
        ]

    def sound_begins(self, length: int) -> list[NDArray[np.intp]]:
        """Where each different sequence of so many cycles comes first in each run without a fault, in order."""
        if length not in self._begins:
            first = [first_alike(grams(levels, ALL_LINES, length)) for levels in self.sound_levels]
            self._begins[length] = [np.flatnonzero(one == np.arange(len(one))) for one in first]
        return self._begins[length]

    @cached_property
    def _of_sound(self) -> list[Wanted]:
        """Sequences of all lines of each run without a fault."""
        return [Wanted(np.unique(numbers(windows))) for windows, _ in self.sound]

    def parts(self, name: str, at: int, length: int | None = None) -> list[Words]:
        """What is kept of a run; the first with the cycles before that belong to sequences which end behind.

        Args:
            name: of the class.
            at: number of the run.
            length: cycles of such a sequence; None: of those of the stock.
        """
        length = self.length if length is None else length
        run = self.outcomes.runs[name][at]
        found = [one.levels for one in run.stretches[name == SOUND :]]
        if found and run.parted is not None:
            sound = self.sound_levels[at]
            found[0] = np.concatenate((sound[max(0, run.parted - length + 1) : run.parted], found[0]))
        return found

    def condensed(self, name: str) -> Condensed:
        """The runs of a class, behind where they part."""
        if name not in self._condensed:
            runs = [self.parts(name, at) for at in range(len(self.outcomes.runs[name]))]
            self._condensed[name] = Condensed.of(runs, self.length)
            self._back[name] = tuple(self._back_of(name, at, parts) for at, parts in enumerate(runs))
        return self._condensed[name]

    def back(self, name: str) -> tuple[int, ...]:
        """Of each run the cycle from which on nothing of it is kept, where it did there what a sound one does.

        It may have gone on so, though nobody saw it: a card that is seldom asked, or noise in memory that is soon
        written over, parts a run early from the one without a fault. NEVER where it did something else.
        """
        self.condensed(name)
        return self._back[name]

    def _back_of(self, name: str, at: int, parts: Sequence[Words]) -> int:
        run = self.outcomes.runs[name][at]
        if run.parted is None or run.halted or not parts:
            return NEVER
        last = grams(parts[0][-LAST:], ALL_LINES, self.length)
        is_back = len(last) > 0 and len(self._of_sound[at].met(last)[0]) >= MOST * len(last)
        return run.stretches[0].since + run.stretches[0].cycles if is_back else NEVER


@attrs.define(eq=False, slots=False)
class Shelf:
    """Sequences for one choice of lines.

    Attributes:
        stock: the runs.
        mask: of the lines.
        captures: that were held against it.
    """

    stock: Stock
    mask: int
    captures: int = 0
    _kept: dict[str, tuple[Words, NDArray[np.uint8]]] = attrs.field(factory=dict)
    _own: dict[str, Words] = attrs.field(factory=dict)
    _steadiness: dict[str, Steadiness] = attrs.field(factory=dict)
    _unsteady: dict[str, float] = attrs.field(factory=dict)

    @property
    def outcomes(self) -> Outcomes:
        """Whose runs."""
        return self.stock.outcomes

    @property
    def length(self) -> int:
        """Cycles of a sequence."""
        return self.stock.length

    @cached_property
    def sound(self) -> list[SoundGrams]:
        """Of the run without a fault, a power-up each."""
        return [SoundGrams.of(self._numbers_of(windows), at) for windows, at in self.stock.sound]

    def _numbers_of(self, windows: Words) -> Words:
        settled = self.settled(windows.reshape(-1)).reshape(windows.shape)
        return numbers(settled & np.uint64(self.mask))

    @cached_property
    def _unset(self) -> NDArray[np.bool_]:
        """Addresses of memory that the run without a fault reads before it sets it, where all of that is seen."""
        names = self.outcomes.names
        told = (*ADDRESS_LINES, "RW")
        if not all(name in names and self.mask >> names.index(name) & 1 for name in told):
            return np.zeros(0x1_0000, bool)
        return unset(self.stock.sound_levels, names)

    def settled(self, levels: Words) -> Words:
        """Levels without what memory shows that nobody set."""
        return without_unset(levels, self.outcomes.names, self._unset)

    def own(self, name: str) -> Words:
        """Sequences that runs of a class show behind where they part, under any power-up; each once, in order."""
        if name not in self._own:
            self._own[name] = np.unique(self._shown(name)[0])
        return self._own[name]

    def _shown(self, name: str) -> tuple[Words, NDArray[np.uint8]]:
        """The same as they come, and which runs show each, a bit a run; some twice.

        From the second capture of the same lines on they are kept.
        """
        if name in self._kept:
            return self._kept[name]
        condensed = self.stock.condensed(name)
        begins = condensed.begins
        found = grams(self.settled(condensed.levels), self.mask, self.length)[begins], condensed.shown[begins]
        if self.captures > 1:
            self._kept[name] = found
        return found

    def held(
        self, name: str, wanted: Wanted, first: Sequence[NDArray[np.int64]]
    ) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """Which sequences of a capture the runs of a class show, and which under every power-up behind where they part.

        Args:
            name: of the class.
            wanted: the sequences of the capture.
            first: for each power-up where they come first in the run without a fault.
        """
        runs = wanted.shown_by(*self._shown(name))
        every = (1 << len(self.outcomes.runs[name])) - 1
        return (runs != 0) | self._before_parting(name, wanted.ordered, first), runs == every

    def shows(self, name: str, some: Words, first: Sequence[NDArray[np.int64]] | None = None) -> NDArray[np.bool_]:
        """Which of some sequences the runs of a class show.

        Args:
            name: of the class.
            some: the sequences.
            first: for each power-up where they come first in the run without a fault, where that is known.
        """
        return self._shows(name, some, self.own(name), first)

    def _shows(
        self, name: str, some: Words, own: Words, first: Sequence[NDArray[np.int64]] | None = None
    ) -> NDArray[np.bool_]:
        """The same with the sequences, in order, that are shown behind where runs part."""
        return among(some, own) | self._before_parting(name, some, first)

    def _before_parting(self, name: str, some: Words, first: Sequence[NDArray[np.int64]] | None) -> NDArray[np.bool_]:
        """Which sequences come before a run of a class parts from the one without a fault, or once it may be back."""
        found = np.zeros(len(some), bool)
        runs, back = self.outcomes.runs[name], self.stock.back(name)
        for at, (sound, run) in enumerate(zip(self.sound, runs, strict=True)):
            since = sound.first_of(some) if first is None else first[at]
            found |= since < (NEVER if run.parted is None else run.parted)
            if back[at] < NEVER:
                found |= (since >= back[at]) & (since < NEVER)
        return found

    def unsteady(self, name: str, rows: int) -> float:
        """Part of what a run of a class shows behind where it parts that its other runs do not: the most.

        Args:
            name: of the class.
            rows: sequences that are looked into; asked with about the same number each time.
        """
        if name not in self._unsteady:
            most = 0.0
            for at, others in enumerate(self._of_others(name)):
                own = self.row(name, at, rows)
                if len(own) and len(self.outcomes.runs[name]) > 1:
                    shown = self._shows(name, np.unique(own), others)
                    most = max(most, 1.0 - float(shown.mean()))
            self._unsteady[name] = most
        return self._unsteady[name]

    def steadiness(self, name: str) -> Steadiness:
        """What the runs of a class show of one another."""
        if name not in self._steadiness:
            self._steadiness[name] = self._steadiness_of(name)
        return self._steadiness[name]

    def _steadiness_of(self, name: str) -> Steadiness:
        strange, least = 0, len(self.stock.sound_levels[0])
        for at, shown in enumerate(self._of_others(name)):
            own = self.row(name, at, FAR)
            if not (len(own) and len(shown)):
                continue
            different, begins, number = np.unique(own, return_index=True, return_inverse=True)
            found = self._shows(name, different, shown)
            reach = reach_of(found[number])
            if reach < len(own):
                least = min(least, reach - reach_of(self.shows(SOUND, different)[number]))
            kinds, number, counts = np.unique(number[: max(1, reach)], return_inverse=True, return_counts=True)
            odd = ~found[kinds]
            near = np.zeros(len(odd), bool)
            some = np.flatnonzero(odd)[:FEW]
            first = self.stock.parts(name, at)[0]  # what is kept from where they part on is longer than FAR
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

    def row(self, name: str, at: int, most: int) -> Words:
        """The first sequences of a run behind where it parts, as they come."""
        found = [np.zeros(0, np.uint64)]
        for levels in self.stock.parts(name, at):
            left = most - sum(map(len, found))
            if left <= 0:
                break
            found.append(grams(self.settled(levels[: left + self.length - 1]), self.mask, self.length))
        return np.concatenate(found)

    def _of_others(self, name: str) -> Iterator[Words]:
        """For each run of a class the sequences that its others show behind where they part, in order."""
        own, runs = self._shown(name)
        for at in range(len(self.outcomes.runs[name])):
            yield np.sort(own[runs & ~np.uint8(1 << at) != 0])


@attrs.define(eq=False)
class Library:
    """Shelves for the last few choices of lines, and what registers answer."""

    outcomes: Outcomes
    _stocks: dict[int, Stock] = attrs.field(factory=dict)
    _shelves: dict[tuple[int, int], Shelf] = attrs.field(factory=dict)
    _registers: Registers | None = None
    _beginnings: Beginnings | None = None

    @property
    def beginnings(self) -> Beginnings:
        """First cycles of all runs."""
        if self._beginnings is None:
            self._beginnings = Beginnings.of(self.outcomes)
        return self._beginnings

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
            stock = self._stocks.setdefault(length, Stock(self.outcomes, length))
            self._shelves[key] = Shelf(stock, mask)
        self._shelves[key].captures += 1
        return self._shelves[key]
