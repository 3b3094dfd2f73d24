"""Which candidates explain what was seen: in order, those that cannot be told apart together, or none of them.

Scores of one kind of symptom are put on one scale: how far a candidate is behind the best, in units of what noise and
another power-up do to one and the same fault. Several symptoms add up.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import partial
from typing import Any

import attrs

from simkit.suspect.captures import Capture
from simkit.suspect.library import Library
from simkit.suspect.outcome import Outcome
from simkit.suspect.outcomes import Outcomes
from simkit.suspect.seen import Seen, SeenCapture, SeenHang, SeenMemory, SeenNothing, SeenPicture, SeenText
from simkit.suspect.shown import (
    hang_likeness,
    memory_likeness,
    nothing_likeness,
    picture_likeness,
    pictures_of,
    text_likeness,
    texts_of,
)

SHOWN_TOLERANCE = 0.02
"""By how much pictures, texts and memory may be less alike and still be the same."""
MOST_TRIED = 40
"""Candidates beside the best of which it is asked whether they leave too much unexplained."""
WHOLE = 0.6
"""Of symptoms that are there or not: of how many power-ups more that do not show them may be chance."""
UNLIKE = 0.2
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
        text = partial(text_likeness, seen)
        return _shown(runs, text, "text", partial(texts_of, slot=seen.slot), text_likeness)
    if isinstance(seen, SeenPicture):
        picture = partial(picture_likeness, seen)
        return _shown(runs, picture, "picture", partial(pictures_of, slot=seen.slot), picture_likeness)
    if isinstance(seen, SeenMemory):
        assert places is not None
        at = places(seen.start, len(seen.content))
        return _shown(runs, partial(memory_likeness, seen, at), "memory")
    if isinstance(seen, SeenHang):
        return _there(runs, lambda own: hang_likeness(seen, own), f"hangs at ${seen.address:04X}")
    assert isinstance(seen, SeenNothing)
    return _there(runs, nothing_likeness, "leaves screen and terminal blank")


def _shown(
    runs: Mapping[str, tuple[Outcome, ...]],
    likeness: Callable[[Sequence[Outcome]], float],
    what: str,
    shown_by: Callable[[Outcome], list[Any]] = lambda run: [],
    alike: Callable[[Any, Sequence[Outcome]], float] = lambda seen, own: 1.0,
) -> _Judged:
    """Hold what was shown against all candidates.

    Args:
        runs: of the candidates.
        likeness: of what runs show to what was seen.
        what: it is, in words.
        shown_by: what a run shows, as if it had been seen at its last moments.
        alike: likeness of what runs show to such.
    """
    values = {name: likeness(own) for name, own in runs.items()}
    best = max(values, key=lambda name: values[name])
    unlike = [
        1 - max((alike(one, [other for other in runs[best] if other is not run]) for one in shown_by(run)), default=1.0)
        for run in runs[best]
    ]
    tolerance = SHOWN_TOLERANCE + sum(unlike) / len(unlike)
    most = values[best]
    misfit = f"the {what} is like that of no candidate: {most:.0%} of it at best" if most < UNLIKE else ""
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
    values = {name: -capture.behind(name, best) for name in names}
    misfit = ""
    if capture.is_misfit(best):
        near = sorted((name for name in names if values[name] >= -1.0), key=lambda name: -values[name])
        if all(capture.is_misfit(name) for name in near[:MOST_TRIED]):  # one may run astray, and show what it will
            strange = f"{capture.strange(best):.1%}"
            misfit = f"the best candidate leaves {strange} of the capture unexplained, which is more than noise"
    words = {name: f"{capture.part(name):.1%} of the capture explained" for name in names}
    return _Judged(values, 1.0, words, misfit)
