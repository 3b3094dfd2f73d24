"""Which candidates explain what was seen: in order, those that cannot be told apart together, or none of them.

Scores of one kind of symptom are put on one scale: how far a candidate is behind the best, in units of what noise and
another power-up do to one and the same fault. Several symptoms add up.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence

import attrs

from simkit.suspect.captures import STRANGE, UNSTEADY, Capture
from simkit.suspect.library import Library
from simkit.suspect.outcome import Outcome
from simkit.suspect.outcomes import Outcomes
from simkit.suspect.seen import Seen, SeenCapture, SeenHang, SeenMemory, SeenNothing, SeenPicture, SeenText
from simkit.suspect.shown import (
    hang_likeness,
    memory_likeness,
    nothing_likeness,
    picture_likeness,
    text_likeness,
)

SHOWN_TOLERANCE = 0.02
"""By how much pictures, texts and memory may be less alike and still be the same."""
WHOLE = 1.0
"""Of symptoms that are there or not: half of the power-ups that do not show it are too many."""
UNLIKE = 0.4
"""Likeness of pictures and texts below which no single fault is the cause."""

Places = Callable[[int, int], Sequence[tuple[int, int] | None]]
"""Of a start and a length: slot and offset of the memory behind each address."""


@attrs.frozen
class Ranked:
    """A class of candidates and how it fits.

    Attributes:
        name: its first candidate's sentence; SOUND: no fault.
        behind: how far it is behind the best one, in units of what chance does; 0 for the best.
        fits: for each symptom how it fits, in words.
    """

    name: str
    behind: float
    fits: tuple[str, ...]


@attrs.frozen
class Ranking:
    """Candidates in the order in which they explain what was seen.

    Attributes:
        order: classes, the best first.
        first: names of those that cannot be told apart from the best by what was seen.
        misfit: why no single fault explains it, in a sentence; "" where one does.
    """

    order: tuple[Ranked, ...]
    first: tuple[str, ...]
    misfit: str

    @property
    def none(self) -> bool:
        """Whether no single fault explains what was seen."""
        return bool(self.misfit)


@attrs.frozen
class _Judged:
    """One symptom held against all candidates."""

    values: Mapping[str, float]
    tolerance: float
    words: Mapping[str, str]
    misfit: str


def rank(
    outcomes: Outcomes, seen: Sequence[Seen], places: Places | None = None, library: Library | None = None
) -> Ranking:
    """Hold symptoms against outcomes.

    Args:
        outcomes: of the candidates.
        seen: symptoms; at least one.
        places: for what was seen of memory.
        library: of these outcomes, where many captures are to be held against them.

    Raises:
        SimkitError: a symptom cannot be held against anything.
    """
    alike = [group for group in outcomes.shown_alike() if not outcomes.runs[group[0]][0].trouble]
    runs = {group[0]: outcomes.runs[group[0]] for group in alike}
    library = Library(outcomes) if library is None else library
    judged = [_judge(one, outcomes, runs, places, library) for one in seen]
    behind = {
        name: sum((max(one.values.values()) - one.values[name]) / one.tolerance for one in judged) for name in runs
    }
    least = min(behind.values(), default=0.0)
    order: list[Ranked] = []
    for group in sorted(alike, key=lambda group: behind[group[0]]):
        words = tuple(one.words[group[0]] for one in judged)
        order += [Ranked(name, behind[group[0]] - least, words) for name in group]
    first = tuple(one.name for one in order if one.behind <= 1.0)
    misfit = next((one.misfit for one in judged if one.misfit), "")
    return Ranking(tuple(order), first, misfit)


def _judge(
    seen: Seen,
    outcomes: Outcomes,
    runs: Mapping[str, tuple[Outcome, ...]],
    places: Places | None,
    library: Library,
) -> _Judged:
    if isinstance(seen, SeenCapture):
        return _judge_capture(Capture(seen.captured, outcomes, library), runs)
    if isinstance(seen, SeenText):
        return _shown(runs, lambda own: text_likeness(seen, own), "text", SHOWN_TOLERANCE)
    if isinstance(seen, SeenPicture):
        return _shown(runs, lambda own: picture_likeness(seen, own), "picture", SHOWN_TOLERANCE)
    if isinstance(seen, SeenMemory):
        assert places is not None
        at = places(seen.start, len(seen.content))
        return _shown(runs, lambda own: memory_likeness(seen, at, own), "memory", SHOWN_TOLERANCE)
    if isinstance(seen, SeenHang):
        return _there(runs, lambda own: hang_likeness(seen, own), f"hangs at ${seen.address:04X}")
    assert isinstance(seen, SeenNothing)
    return _there(runs, nothing_likeness, "shows nothing")


def _shown(
    runs: Mapping[str, tuple[Outcome, ...]],
    likeness: Callable[[Sequence[Outcome]], float],
    what: str,
    tolerance: float,
) -> _Judged:
    values = {name: likeness(own) for name, own in runs.items()}
    best = max(values.values(), default=0.0)
    misfit = f"the {what} is like that of no candidate: {best:.0%} of it at best" if best < UNLIKE else ""
    return _Judged(values, tolerance, {name: f"{what} {value:.0%} alike" for name, value in values.items()}, misfit)


def _there(
    runs: Mapping[str, tuple[Outcome, ...]], likeness: Callable[[Sequence[Outcome]], float], what: str
) -> _Judged:
    values = {name: likeness(own) for name, own in runs.items()}
    best = max(values.values(), default=0.0)
    misfit = f"no candidate {what}" if best == 0 else ""
    return _Judged(
        values, WHOLE, {name: f"{what} in {value:.0%} of the runs" for name, value in values.items()}, misfit
    )


def _judge_capture(capture: Capture, runs: Iterable[str]) -> _Judged:
    names = list(runs)
    best = capture.best(names)
    strange, unsteady = capture.strange(best), capture.unsteady(best)
    misfit = ""
    if strange > STRANGE + UNSTEADY * unsteady:
        misfit = f"the best candidate leaves {strange:.1%} of the capture unexplained, which is more than noise"
    words = {name: f"{capture.part(name):.1%} of the capture explained" for name in names}
    return _Judged({name: -capture.behind(name, best) for name in names}, 1.0, words, misfit)
