"""How well the runs of a candidate explain a capture, wherever in the run it was taken.

What counts is which different sequences of the capture a candidate's runs show, and not how often: how many rounds a
waiting loop makes is chance. Noise makes sequences that nobody's runs show, so it counts alike against all. Two
candidates differ when one explains more than the other beyond what chance does: where both are as good, chance gives
now the one and now the other a sequence more, as in a test on matched pairs (Q. McNemar, Psychometrika 12, 1947). What
a candidate shows under every power-up, and the other under none, is no chance.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from simkit.capture.captured import Captured
from simkit.compare.rows import full
from simkit.contract.errors import SimkitError, near
from simkit.suspect.begun import LEFT, ONE_MORE, ROWS, Begun, Rows, begun
from simkit.suspect.grams import Wanted, Words, grams, length_of, one_bit_wrong
from simkit.suspect.library import Library
from simkit.suspect.long_sequences import LENGTH, LongSequences
from simkit.suspect.outcomes import SOUND, Outcomes
from simkit.suspect.steadiness import FEW, LONG, most_by_noise, reach_of, strange_places
from simkit.suspect.trails import Trails
from simkit.suspect.walked import MOST_LINES, MOST_SEQUENCES, Walked, walked

ROUNDS = 5
"""How often a better one than the best is looked for."""
CHANCES = 2.2
"""How many times what chance does on average still counts as chance."""
UNSTEADY = 2.0
"""How many times as many places may be strange in a capture as other power-ups of the same fault make."""
STRANGE = 2
"""Places of a capture that may be strange by chance: two bits wrong at once."""
EARLY = 0.5
"""Part of the way which the runs of a fault go together, at least, that the real machine goes with them."""

IN_ORDER = 0.75
"""Part of the sequences in which a capture shows what a sound machine does that come in order from power-on, at least,
where it begins with RESET: about 1 in 10 is spoilt by noise."""
LONGER = 2
"""Times the bus cycles after which the CPU halts with a fault that it may go on for at another power-up."""


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
        self._shelf = library.shelf(mask, length)
        self._library, self._mask = library, mask
        self._levels, self._whole, self._lost = levels & np.uint64(mask), whole, captured.lost
        self._beginning = Rows.of(self._levels, whole, captured.lost)
        self._begun: Begun | None = None
        self._walked: Walked | None = None
        every = grams(self._shelf.settled(levels), mask, length)
        n = len(every)
        broken = np.zeros(n, bool)
        for step in range(length if n else 0):
            broken |= ~whole[step : step + n]
            if step:
                broken |= captured.lost[step : step + n]
        begins = np.flatnonzero(~broken)
        every = every[begins]
        if not len(every):
            raise SimkitError(
                "The capture is too short, or nothing in it is certain.", remedy="Capture a few hundred bus cycles."
            )
        self._different, at, self._number, self._counts = np.unique(
            every, return_index=True, return_inverse=True, return_counts=True
        )
        self._wanted = Wanted(self._different)
        self._windows = self._levels[begins[at][:, None] + np.arange(length)]
        self._bits = [names.index(name) for name in there]
        self._first = [one.first_of(self._different) for one in self._shelf.sound]
        self._known: dict[str, NDArray[np.bool_]] = {}
        self._sure: dict[str, NDArray[np.bool_]] = {}
        self._noise: NDArray[np.float64] | None = None
        self._wrong: dict[int, Words] = {}
        self._shown: dict[str, int] = {}
        self._sound_reach = self.reach(SOUND)
        self._rows = len(every)
        self._is_full = full(captured)  # of such the CPU model tells more than what runs do not show of one another

    def compare(self, names: Sequence[str]) -> None:
        """Say between which classes it is to be decided, and leave away what none of them foretells.

        A CPU that runs astray executes what the power-up left in memory: from there on nothing can be foretold. What
        it does before that decides where few lines are seen and the capture begins with it.
        """
        if not self._is_full:
            found = begun(self._beginning, self._mask, self._library.beginnings, names)
            self._begun = found if self._begins_with_reset(found) else None
        if self._begun is None and not self._walk(names):
            self._cut(names)

    def _walk(self, names: Sequence[str]) -> bool:
        """Go along the capture with each class, where it is of few lines and long sequences are in it."""
        if self.lines > MOST_LINES or not LENGTH <= len(self._levels) <= MOST_SEQUENCES // self.lines:
            return False
        long = LongSequences(self._levels, self._whole, self._lost, self._bits)
        if long.count < LONG * LENGTH:
            return False
        likely = sorted(names, key=lambda name: -int(self._counts[self.explained(name)].sum()))
        found = walked(long, Trails(self._shelf.stock, self._mask), likely)
        if not found.is_astray:
            self._walked = found
        return self._walked is not None

    @property
    def is_in_order(self) -> bool:
        """Whether it is judged by the order of its cycles, at its beginning or along long sequences."""
        return self._begun is not None or self._walked is not None

    def _begins_with_reset(self, found: Begun) -> bool:
        """Whether a capture begins with RESET and soon leaves what a sound machine does."""
        along = self._sound_reach  # or such a machine at another place
        if found.best > float(self._beginning.worth[:along].sum()) + LEFT:
            return True
        leaves = along < min(ROWS, self._rows) - LONG * self._length
        return leaves and along >= LONG * self._length and found.come[found.first] >= IN_ORDER * along

    def _cut(self, names: Iterable[str]) -> None:
        """Leave away what lies behind the place up to which any of some classes reaches."""
        self._shown = {name: int(self.explained(name).sum()) for name in names}
        end = max((self.reach(name) for name in self._shown), default=0)
        if end < LONG * self._length or end >= len(self._number):
            return
        kept, self._number, self._counts = np.unique(self._number[:end], return_inverse=True, return_counts=True)
        self._different, self._windows = self._different[kept], self._windows[kept]
        self._wanted = Wanted(self._different)
        self._first = [first[kept] for first in self._first]
        self._noise, self._wrong = None, {}
        self._known = {name: known[kept] for name, known in self._known.items()}
        self._sure = {name: sure[kept] for name, sure in self._sure.items()}

    def shown(self, name: str) -> int:
        """How many different sequences of the capture a class shows, of all of it wherever it was cut."""
        return self._shown.get(name, 0)

    def reach(self, name: str) -> int:
        """Up to which place of the capture a class explains it, but for noise: behind it most is unexplained."""
        if self._walked is not None:
            walk = self._walked.walks.get(name)
            return 0 if walk is None else self._rows - walk.rows
        return reach_of(self.explained(name)[self._number])

    def is_foretold(self, name: str) -> bool:
        """Whether a class explains more of the capture than a few cycles, in which chance may have it."""
        return self.is_in_order or self.reach(name) >= LONG * self._length

    def explained(self, name: str) -> NDArray[np.bool_]:
        """Which of the different sequences of the capture the runs of a class show."""
        if name not in self._known:
            self._hold(name)
        return self._known[name]

    def sure(self, name: str) -> NDArray[np.bool_]:
        """Which of them they show under every power-up, behind where they part."""
        if name not in self._sure:
            self._hold(name)
        return self._sure[name]

    def _hold(self, name: str) -> None:
        self._known[name], self._sure[name] = self._shelf.held(name, self._wanted, self._first)

    def part(self, name: str) -> str:
        """How much of the capture a class explains, in words."""
        if self._begun is not None:
            return f"{self._begun.come[name]} of its first cycles are as all its runs foretell them"
        if self._walked is not None:
            return self._walked.part(name)
        return f"{self._counts[self.explained(name)].sum() / self._counts.sum():.0%} of it in runs"

    def best(self, names: Iterable[str]) -> str:
        """The class that explains most; what a fault shows under every power-up weighs more than what chance adds."""
        names = list(names)
        if self._begun is not None:
            return self._begun.first
        if self._walked is not None:
            return self._walked.first
        found = max(names, key=lambda name: int(self.explained(name).sum()))
        for _ in range(ROUNDS):
            better = min(names, key=lambda name: self.behind(name, found))
            if self.behind(better, found) >= 0:
                break
            found = better
        return found

    def behind(self, name: str, best: str) -> float:
        """How far a class is behind another, in units of what chance does: up to 1 they cannot be told apart."""
        if self._begun is not None:
            return (self._begun.likely[best] - self._begun.likely[name]) / ONE_MORE
        if self._walked is not None:
            return self._walked.behind(name, best)
        mine, its = self.explained(name), self.explained(best)
        return self._behind(its & ~mine, mine & ~its, name, best)

    def behind_but_for_noise(self, name: str, best: str) -> float:
        """The same without sequences that noise may make of what the other shows: one wrong bit may be its own."""
        if self.is_in_order:
            return self.behind(name, best)
        mine, its = self.explained(name), self.explained(best)
        less, more = self._without_noise(its & ~mine, name), self._without_noise(mine & ~its, best)
        return self._behind(less, more, name, best)

    def _behind(self, less: NDArray[np.bool_], more: NDArray[np.bool_], name: str, best: str) -> float:
        surely_less, surely_more = less & self.sure(best), more & self.sure(name)
        sure = (int(surely_less.sum()) - int(surely_more.sum())) / max(1, self._length - 1)
        odd_less, odd_more = int((less & ~surely_less).sum()), int((more & ~surely_more).sum())
        chance = CHANCES * (self._length + math.sqrt(self._length * (odd_less + odd_more)))
        if sure <= 1.0 < sure + (odd_less - odd_more) / chance and not self._is_full:
            chance = max(chance, self._by_power_up(name, best))
        return sure + (odd_less - odd_more) / chance

    def _by_power_up(self, name: str, best: str) -> float:
        """Sequences of the capture that may be shown or not as another power-up has it, by two classes alike.

        A CPU that runs astray executes noise, and all of what it shows then hangs on one chance. Where the runs of one
        class foretell one another it is held to them, and what they show is no chance resemblance.
        """
        return min(self._shelf.unsteady(one, self._rows) for one in (name, best)) * len(self._different)

    def _without_noise(self, unexplained: NDArray[np.bool_], name: str) -> NDArray[np.bool_]:
        """Sequences that a class does not show, but for those that noise may make of what it shows."""
        kinds = np.flatnonzero(unexplained)
        if not 0 < len(kinds) <= FEW:  # where there are many, noise decides nothing
            return unexplained
        found = unexplained.copy()
        found[kinds[self._near(kinds, name) & (self._counts[kinds] <= self._most_by_noise[kinds])]] = False
        return found

    def _near(self, kinds: NDArray[np.intp], name: str) -> NDArray[np.bool_]:
        """Which of some sequences are one bit from what a class shows."""
        missing = [kind for kind in kinds.tolist() if kind not in self._wrong]  # many classes leave the same ones
        if missing:
            made = one_bit_wrong(self._windows[missing], self._bits, self._shelf.settled)
            self._wrong |= dict(zip(missing, made, strict=True))
        if not len(kinds):
            return np.zeros(0, bool)
        wrong = np.stack([self._wrong[kind] for kind in kinds.tolist()])
        return np.asarray(self._shelf.shows(name, wrong.reshape(-1)).reshape(wrong.shape).any(axis=1))

    @property
    def _most_by_noise(self) -> NDArray[np.float64]:
        if self._noise is None:
            self._noise = most_by_noise(self._number, self._counts, self._length, self.lines)
        return self._noise

    def strange(self, name: str) -> int:
        """At how many places the capture shows what a class does not, and what is no noise."""
        unexplained = ~self.explained(name)
        kinds = np.flatnonzero(unexplained)[:FEW]
        near = np.zeros(len(unexplained), bool)  # one bit from what it shows
        near[kinds] = self._near(kinds, name)
        return strange_places(unexplained, near, self._number, self._counts, self._length, self.lines)

    def misfit(self, name: str) -> str:
        """What speaks against a class, in words; "" where noise and other power-ups of the same fault do as much."""
        if self._begun is not None:
            left = name in self._begun.left
            return (
                "the capture begins as its runs do and leaves what all of them show, by more than noise" if left else ""
            )
        if self._walked is not None:
            return self._walked.misfit(name)
        if not self.is_misfit(name):
            return ""
        return f"the capture shows at {self.strange(name)} places what its runs do not, and what is no noise"

    def is_misfit(self, name: str) -> bool:
        """Whether it leaves more unexplained, by the sequences of its runs, than noise and other power-ups of it do."""
        if self._walked is not None:
            return bool(self._walked.misfit(name))
        reach, leeway = self.reach(name), LONG * self._length
        strange = self.strange(name)
        if strange <= STRANGE and reach >= self._rows - leeway:
            return False
        if self._goes_on_behind(name):
            return True
        if strange <= STRANGE and reach - self._sound_reach >= EARLY * (self._rows - self._sound_reach) - leeway:
            return False  # whatever its runs are to one another, which takes long to find out
        own = self._shelf.steadiness(name)
        together = min(own.reach, self._rows - self._sound_reach)
        if reach - self._sound_reach < max(0.0, EARLY * together) - leeway:
            return True
        if max(reach, own.reach) < leeway:
            return False  # it runs astray at once, and so does the real machine
        return strange > STRANGE + UNSTEADY * own.strange

    def _goes_on_behind(self, name: str) -> bool:
        """Whether the capture goes on where the CPU has long halted in all runs of a class."""
        runs = self._outcomes.runs[name]
        if not all(run.halted and len(run.stretches) == 1 and run.parted is not None for run in runs):
            return False
        longest = max(run.stretches[0].cycles for run in runs)
        return self._rows - self._sound_reach > LONGER * longest + LONG * self._length
