"""What was shown on a screen, stood in memory, or hung, held against all candidates."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from simkit.suspect.blocks import FEW_WRONG, NOTHING, UNSTEADY, WRONG, Fit, Fitted, Slack, fitted
from simkit.suspect.judged import NOT_FIRST, Judged
from simkit.suspect.more import More
from simkit.suspect.outcome import Outcome
from simkit.suspect.shown import View

NOISE = 0.15
"""Part of what noise costs that is chance: noise is as good as other noise."""
WHOLE = 0.6
"""Of symptoms that are there or not: of how many power-ups more that do not show them may be chance."""
RUN_AGAIN = 8
"""Classes near the best that are run under further power-ups."""

Runs = Mapping[str, Sequence[Outcome]]
"""What runs left, by the name of a class."""


def judge_shown(runs: Runs, views: Callable[[Sequence[Outcome]], list[View]], what: str, more: More | None) -> Judged:
    """Hold what was shown against all candidates.

    Args:
        runs: of the candidates.
        views: what was seen, and what runs show at several moments.
        what: it is, in words.
        more: runs of those near the best; None: there are no more.
    """
    found = {name: fitted(views(own)) or NOTHING for name, own in runs.items()}
    if more is not None:
        near = sorted(found, key=lambda name: found[name].fit.cost)[:RUN_AGAIN]
        further = more.of(near)
        if len(further) == len(near):  # else somebody has ended it, and what was there before counts
            found |= {name: fitted(views([*runs[name], *further[name]])) or NOTHING for name in near}
    return _judged(found, what)


def _judged(found: Mapping[str, Fitted], what: str) -> Judged:
    order = sorted(found, key=lambda name: found[name].fit.cost)
    least = found[order[0]].fit.cost
    chance = WRONG * FEW_WRONG + NOISE * least
    behind = {name: (found[name].fit.cost - least) / chance for name in order}
    near = [name for name in order if behind[name] <= 1.0]
    fitting = [name for name in near if not _is_misfit(found[name].fit, found[name].slack)]
    misfit = ""
    if fitting:
        behind |= {name: 1.0 + NOT_FIRST + behind[name] for name in {*near} - {*fitting}}
    else:
        right = found[order[0]].fit.right
        misfit = f"the {what} is that of no candidate: {right:.0%} of it is right at best, and more than chance differs"
    return Judged(behind, {name: f"{what} {one.fit.right:.0%} alike" for name, one in found.items()}, misfit)


def _is_misfit(fit: Fit, slack: Slack) -> bool:
    """Whether more differs from a candidate than does among its own runs."""
    base = WRONG * FEW_WRONG
    return fit.wrong > FEW_WRONG + UNSTEADY * slack.wrong or fit.cost > base + UNSTEADY * slack.cost


def judge_there(runs: Runs, likeness: Callable[[Sequence[Outcome]], float], what: str) -> Judged:
    """Hold what is there or not against all candidates.

    Args:
        runs: of the candidates.
        likeness: part of some runs in which it is there.
        what: they do, in words.
    """
    values = {name: likeness(own) for name, own in runs.items()}
    best = max(values.values(), default=0.0)
    misfit = f"no candidate {what}" if best == 0 else ""
    behind = {name: (best - value) / WHOLE for name, value in values.items()}
    return Judged(behind, {name: f"{what} in {value:.0%} of the runs" for name, value in values.items()}, misfit)
