"""What was shown on a screen, stood in memory, or hung, held against all candidates.

What the runs of a candidate do to one another is the measure: each is held against the others as if it were what was
seen. What was seen is one run more of the same candidate, if that is the cause, so it costs no more than those do.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import cached_property
from math import log
from statistics import median

import attrs

from simkit.suspect.blocks import FEW_WRONG, NO_FIT, WRONG, Fit, Shown
from simkit.suspect.judged import NOT_FIRST, Judged
from simkit.suspect.more import More
from simkit.suspect.outcome import Outcome

NOISE = 0.15
"""Part of what noise costs that is chance: noise is as good as other noise."""
RARE = 20.0
"""Of symptoms that are there or not: how many times as often a candidate must show it to rule out another."""
NEVER = 2.0
"""How far one is behind that never shows it."""
AGAIN_AT_ONCE = 8
"""Classes near the best that are run under further power-ups at once."""
ROUNDS = 3
"""How often that is done while none of them fits."""
HALF = 0.5
"""Of what was seen: where less is right, and yet no more differs than among own runs, it is not told in percent."""
MANY_RUNS = 8
"""Of which the one that differs most is left out, and which show how much they differ at least."""
FEW_RUNS = 6
"""Runs with which one steady block may be wrong still; with half of them two, with twice as many none."""

Runs = Mapping[str, Sequence[Outcome]]
"""What runs left, by the name of a class."""
Views = Callable[[Sequence[Outcome]], list[Shown]]
"""What was seen with what runs show, in each way in which it can be held against them."""


@attrs.define(eq=False, slots=False)
class _Held:
    """What was seen, held against a candidate.

    Attributes:
        fit: how it fits.
        shown: where it fits best; None: the candidate shows nothing of the kind.
        ends: whether all runs came to their end; of one that went wild it is not known what it shows then.
    """

    fit: Fit
    shown: Shown | None
    ends: bool

    @classmethod
    def of(cls, views: Views, runs: Sequence[Outcome]) -> _Held:
        ends = not any(run.is_wild for run in runs)
        found = [cls(one.best, one, ends) for one in views(runs)]
        return min(found, key=lambda one: one.fit.cost, default=cls(NO_FIT, None, ends))

    @cached_property
    def is_misfit(self) -> bool:
        """Whether more differs from the candidate than does among its own runs, by more than those differ in that."""
        if self.shown is None:
            return True
        among = self.shown.among
        costs = [[one.cost for one in run] for run in among] or [[0.0]]
        wrong = [[one.wrong for one in run] for run in among] or [[0]]
        return self.fit.cost > WRONG * self._few + _most(costs) or self.fit.wrong > self._few + _most(wrong)

    @cached_property
    def foretells_more(self) -> bool:
        """Whether less differs from the candidate than does among its own runs: noise that it foretells is missing.

        Such a one fits anything a little, and so tells nothing of what fits better. What is just that of one of its
        runs is no less for that.
        """
        if self.shown is None or len(self.shown.own) < MANY_RUNS or self.fit.off <= self._few:
            return False
        together = self.shown.together
        return -self.fit.cost > WRONG * self._few + _most([[-one.cost] for one in together])

    @property
    def _few(self) -> float:
        """Steady blocks that may be wrong."""
        return FEW_RUNS / len(self.shown.own) if self.ends and self.shown is not None else FEW_WRONG


def _most(values: Sequence[Sequence[float]]) -> float:
    """The most that may still be one more of these; a row for each run, of its moments.

    Where they are spread evenly about their middle, the second of twelve is one standard deviation above it, and this
    three. The run that goes farthest does not count where there are many: that one went quite another way says that the
    next may do so, too, but one in so many times only.
    """
    by_run = sorted(values, key=max)
    counted = [value for run in (by_run[:-1] if len(by_run) >= MANY_RUNS else by_run) for value in run]
    return max(counted) + 2 * (max(counted) - median(counted))


def judge_shown(runs: Runs, views: Views, what: str, more: More | None) -> Judged:
    """Hold what was shown against all candidates.

    Args:
        runs: of the candidates.
        views: what was seen, and what runs show.
        what: it is, in words.
        more: runs of those near the best; None: there are no more.
    """
    found = {name: _Held.of(views, own) for name, own in runs.items()}
    again: set[str] = set()
    for _ in range(ROUNDS if more is not None else 0):
        assert more is not None
        todo = [name for name in _in_order(found) if name not in again][:AGAIN_AT_ONCE]
        further = more.of(todo)
        if len(further) < len(todo):  # somebody has ended it: what was there before counts
            break
        found |= {name: _Held.of(views, _best_known(runs[name], own)) for name, own in further.items()}
        again |= set(further)
        if any(not found[name].is_misfit and not found[name].foretells_more for name in again):
            break
    return _judged(found, what)


def _best_known(runs: Sequence[Outcome], further: Sequence[Outcome]) -> Sequence[Outcome]:
    """All runs of a candidate, but for those that the search ended before their end, where further ones went on."""
    return further if any(run.is_wild for run in runs) else [*runs, *further]


def _in_order(found: Mapping[str, _Held]) -> list[str]:
    return sorted(found, key=lambda name: found[name].fit.cost)


def _judged(found: Mapping[str, _Held], what: str) -> Judged:
    """How far each is behind the best, in units of what chance does; who foretells more than came is none of these."""
    order = _in_order(found)
    loud = {name for name in order if found[name].foretells_more}
    left = [name for name in order if name not in loud]
    least = found[(left or order)[0]].fit.cost
    chance = WRONG * FEW_WRONG + NOISE * least
    behind = {name: (found[name].fit.cost - least) / chance for name in order}
    near = [name for name in left if behind[name] <= 1.0]
    fitting = [name for name in near if not found[name].is_misfit]
    misfit = ""
    if fitting:
        behind |= {name: 1.0 + NOT_FIRST + abs(behind[name]) for name in ({*near} - {*fitting}) | loud}
    else:
        right = found[(left or order)[0]].fit.right
        misfit = f"the {what} is that of no candidate: {right:.0%} of it is right at best, and more than chance differs"
    words = {name: f"{what} {one.fit.right:.0%} alike" for name, one in found.items()}
    noise = [name for name in fitting if found[name].fit.right < HALF]
    return Judged(behind, words | dict.fromkeys(noise, f"{what}: chance, as its own power-ups show it"), misfit)


def judge_there(runs: Runs, likeness: Callable[[Sequence[Outcome]], float], what: str, more: More | None) -> Judged:
    """Hold what is there or not against all candidates.

    One that shows it in half of its runs explains it half as well as one that always does: that rules nothing out.

    Args:
        runs: of the candidates.
        likeness: part of some runs in which it is there.
        what: they do, in words.
        more: runs of those that show it now and then; None: there are no more.
    """
    values = {name: likeness(own) for name, own in runs.items()}
    now_and_then = sorted((name for name in values if 0 < values[name] < 1), key=lambda name: -values[name])
    if more is not None and now_and_then:
        further = more.of(now_and_then[:AGAIN_AT_ONCE])
        values |= {name: likeness([*runs[name], *own]) for name, own in further.items()}
    best = max(values.values(), default=0.0)
    misfit = f"no candidate {what}" if best == 0 else ""
    behind = {name: log(best / value) / log(RARE) if value else NEVER for name, value in values.items()}
    return Judged(behind, {name: f"{what} in {value:.0%} of the runs" for name, value in values.items()}, misfit)
