"""Which candidates explain what was seen: in order, those that cannot be told apart together, or none of them.

Scores of one kind of symptom are put on one scale: how far a candidate is behind the best, in units of what noise and
another power-up do to one and the same fault. Several symptoms add up.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from operator import attrgetter

import attrs

from simkit.suspect.explained import judge_capture
from simkit.suspect.judged import Judged
from simkit.suspect.library import Library
from simkit.suspect.more import More
from simkit.suspect.outcome import Outcome
from simkit.suspect.outcomes import Outcomes
from simkit.suspect.screens import judge_shown, judge_there
from simkit.suspect.seen import Seen, SeenCapture, SeenHang, SeenMemory, SeenNothing, SeenPicture, SeenText
from simkit.suspect.shown import hang_likeness, memory_shown, nothing_likeness, once, picture_shown, text_shown

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


def rank(
    outcomes: Outcomes,
    seen: Sequence[Seen],
    places: Places | None = None,
    library: Library | None = None,
    more: More | None = None,
) -> Ranking:
    """Hold symptoms against outcomes.

    Args:
        outcomes: of the candidates.
        seen: symptoms; at least one.
        places: for what was seen of memory.
        library: of these outcomes, where many captures are to be held against them.
        more: runs those that are near the best again, under further power-ups; None: what was run must do.

    Raises:
        SimkitError: a symptom cannot be held against anything.
    """
    alike = [group for group in outcomes.shown_alike if not outcomes.runs[group[0]][0].trouble]
    runs = {group[0]: outcomes.runs[group[0]] for group in alike}
    library = Library(outcomes) if library is None else library
    judged = [_judge(one, outcomes, alike, runs, places, library, more) for one in seen]
    found = []
    for group in alike:
        for name in group:
            its = [(one, name if name in one.behind else group[0]) for one in judged]
            words = tuple(one.words[key] for one, key in its)
            found.append(Ranked(name, sum(one.behind[key] for one, key in its), words))
    least = min((one.behind for one in found), default=0.0)
    order = [attrs.evolve(one, behind=one.behind - least) for one in sorted(found, key=attrgetter("behind"))]
    first = tuple(one.name for one in order if one.behind <= 1.0)
    misfit = next((one.misfit for one in judged if one.misfit), "")
    return Ranking(tuple(order), first, misfit)


def _judge(
    seen: Seen,
    outcomes: Outcomes,
    alike: Sequence[Sequence[str]],
    runs: Mapping[str, tuple[Outcome, ...]],
    places: Places | None,
    library: Library,
    more: More | None,
) -> Judged:
    if isinstance(seen, SeenCapture):
        return judge_capture(seen, outcomes, alike, library, more)
    if isinstance(seen, SeenText | SeenPicture):
        since = 0 if more is None or seen.early else more.hands_done
        if isinstance(seen, SeenText):
            texts = once(partial(text_shown, seen, since), since, attrgetter("texts"))
            return judge_shown(runs, texts, "text", more)
        pictures = once(partial(picture_shown, seen, since), since, attrgetter("pictures"))
        return judge_shown(runs, pictures, "picture", more)
    if isinstance(seen, SeenMemory):
        assert places is not None
        at = places(seen.start, len(seen.content))
        return judge_shown(runs, partial(memory_shown, seen, at), "memory", more)
    if isinstance(seen, SeenHang):
        return judge_there(runs, lambda own: hang_likeness(seen, own), f"hangs at ${seen.address:04X}", more)
    assert isinstance(seen, SeenNothing)
    return judge_there(runs, nothing_likeness, "leaves screen and terminal blank", more)
