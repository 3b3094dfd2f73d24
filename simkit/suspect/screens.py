"""What was shown on a screen, stood in memory, or hung, held against all candidates.

What the runs of a candidate do to one another is the measure: each is held against the others as if it were what was
seen. What was seen is one run more of the same candidate, if that is the cause, so it costs no more than those do.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from functools import cached_property
from math import log
from statistics import median

import attrs

from simkit.suspect.amounts import distances
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
STEPS = (2, 4, None)
"""Further power-ups under which they are run before it is looked who is refuted; None: all."""
ENOUGH_RUNS = 4
"""With which it is known that what was seen is none of a candidate. Of 7,400 pairs of a picture or text and a candidate
that were refuted so, 1 in 100 would have fitted after all power-ups, and never the fault that was in the machine."""
HALF = 0.5
"""Of what was seen: where less is right, and yet no more differs than among own runs, it is not told in percent."""
MANY_RUNS = 8
"""Of which the one that differs most is left out, and which show how much they differ at least."""
FEWEST_RUNS = 3
"""Of which one can be held against others that differ from one another."""
DEVIATIONS = 2.0
"""Of counts, by which what was seen may be farther from the nearest run than these are from one another; farther where
they are so much spread."""
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
        ended: how many runs came to their end; of one that went wild it is not known what it shows then.
        wild: how many did not.
    """

    fit: Fit
    shown: Shown | None
    ended: int
    wild: int

    @classmethod
    def of(cls, views: Views, runs: Sequence[Outcome]) -> _Held:
        wild = sum(run.is_wild for run in runs)
        ended = len(runs) - wild
        found = [cls(one.best, one, ended, wild) for one in views(runs)]
        return min(found, key=lambda one: one.fit.cost, default=cls(NO_FIT, None, ended, wild))

    @property
    def is_settled(self) -> bool:
        """Whether it was seen just so under all power-ups: what more of them show could not refute it."""
        return self.fit.cost == 0 and not self.wild

    @cached_property
    def is_misfit(self) -> bool:
        """Whether more differs from the candidate than does among its own runs, by more than those differ in that."""
        if self.shown is None:
            return True
        among = self.shown.among
        costs = [[one.cost for one in run] for run in among] or [[0.0]]
        wrong = [[one.wrong for one in run] for run in among] or [[0]]
        return self.fit.cost > WRONG * self._few + _most(costs) or self.fit.wrong > self._few + _most(wrong)

    @property
    def fits(self) -> bool:
        """Whether what was seen may be one more run of it."""
        return not self.is_misfit and not self.is_unlike

    @cached_property
    def is_unlike(self) -> bool:
        """Whether how much is drawn, and how much of it is new, is not as in one more run of the candidate.

        Noise that it foretells is missing, or there is other noise. Such a one fits anything a little, and so tells
        nothing of what fits better. What is just that of one of its runs is no less for that.
        """
        if self.shown is None or len(self.shown.own) < FEWEST_RUNS or not self.fit.off:
            return False
        return any(
            one.its > max(_most(one.among, leave_out=True), DEVIATIONS + max(_counted(one.among, leave_out=True)))
            for one in distances(self.shown)
        )

    @property
    def is_known(self) -> bool:
        """Whether there are runs enough to say what is one more of them."""
        return self.shown is not None and len(self.shown.own) >= MANY_RUNS

    @property
    def _few(self) -> float:
        """Steady blocks that may be wrong; where few runs came to their end, as where it is not known how many."""
        runs = 0 if self.shown is None else len(self.shown.own)
        return FEW_RUNS / self.ended if self.ended > runs / 2 else FEW_WRONG


def _most(values: Sequence[Sequence[float]], *, leave_out: bool = False) -> float:
    """The most that may still be one more of these; a row for each run, of its moments.

    Where they are spread evenly about their middle, the second of twelve is one standard deviation above it, and this
    three.
    """
    counted = _counted(values, leave_out=leave_out)
    return max(counted) + 2 * (max(counted) - median(counted))


def _counted(values: Sequence[Sequence[float]], *, leave_out: bool) -> list[float]:
    """Those of the runs that count.

    The run that goes farthest does not count where there are many: that one went quite another way says that the next
    may do so, too, but one in so many times only. Where it is to be left out it never counts: how far the only run of
    its kind is from the others says nothing of how far two of a kind are apart.
    """
    by_run = sorted(values, key=max)
    return [value for run in (by_run[:-1] if leave_out or len(by_run) >= MANY_RUNS else by_run) for value in run]


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
        todo = [name for name in _to_be_run(found) if name not in again][:AGAIN_AT_ONCE]
        if not todo:
            break
        open_ones = todo
        for step in STEPS:
            if not open_ones:
                break
            further = more.of(open_ones, step)
            if len(further) < len(open_ones):  # somebody has ended it: what was there before counts
                return _judged(found, what)
            known = {name: _best_known(runs[name], own) for name, own in further.items()}
            found |= {name: _Held.of(views, own) for name, own in known.items()}
            refuted = {name for name in open_ones if not found[name].fits and len(known[name]) >= ENOUGH_RUNS}
            open_ones = [name for name in open_ones if name not in refuted and not found[name].is_settled]
        again |= set(todo)
        if any(found[name].fits for name in todo):
            break
    else:
        if more is not None:  # so many were refuted: those that fit as nearly by fewer runs are not the cause either
            unasked = {name for name, one in found.items() if name not in again and not one.is_settled}
            return _judged(found, what, unasked)
    return _judged(found, what)


def _best_known(runs: Sequence[Outcome], further: Sequence[Outcome]) -> Sequence[Outcome]:
    """All runs of a candidate, but for those that the search ended before their end, where further ones went on."""
    return further if any(run.is_wild for run in runs) else [*runs, *further]


@attrs.frozen
class _Order:
    """Candidates in the order in which they fit.

    Attributes:
        best: the first of those that may be what was seen.
        behind: how far each is behind that, in units of what chance does.
        near: those that chance may have behind it, in order.
        other: those that foretell other noise, as enough runs say: how little differs from them tells nothing.
    """

    best: str
    behind: dict[str, float]
    near: list[str]
    other: set[str]

    @classmethod
    def of(cls, found: Mapping[str, _Held]) -> _Order:
        order = sorted(found, key=lambda name: found[name].fit.cost)
        other = {name for name in order if found[name].is_known and found[name].is_unlike}
        best = next((name for name in order if name not in other), order[0])
        least = found[best].fit.cost
        chance = WRONG * FEW_WRONG + NOISE * least
        behind = {name: (found[name].fit.cost - least) / chance for name in order}
        near = [name for name in order if behind[name] <= 1.0 and name not in other]
        return cls(best, behind, near, other)


def _to_be_run(found: Mapping[str, _Held]) -> list[str]:
    """Those near the best that fit, as far as is known, then the others, in order; none that is settled.

    Where one is settled, nobody else is asked.
    """
    order = _Order.of(found)
    fitting = [name for name in order.near if found[name].fits]
    others = [] if any(found[name].is_settled for name in fitting) else order.behind
    return [name for name in dict.fromkeys([*fitting, *others]) if not found[name].is_settled]


def _judged(found: Mapping[str, _Held], what: str, unasked: Collection[str] = ()) -> Judged:
    """How far each is behind the best; who is near and does not fit is farther behind than those who do.

    Args:
        found: how it fits each.
        what: was shown, in words.
        unasked: those of which nobody knows whether they would fit under more power-ups, and who are not believed.
    """
    order = _Order.of(found)
    behind = order.behind
    fitting = [name for name in order.near if found[name].fits and name not in unasked]
    misfit = ""
    if fitting:
        last = max(behind[name] for name in fitting) + NOT_FIRST
        out = ({*order.near} - {*fitting}) | order.other
        behind |= {name: 1.0 + last + abs(behind[name]) for name in out}
    else:
        right = found[order.best].fit.right
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
