"""What a search found, as one builder tells another: what it may be, what speaks for it, and what to do next."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from simkit.suspect.ask import Question
from simkit.suspect.outcomes import SOUND, Outcomes
from simkit.suspect.rank import Ranking

CLASSES_TOLD = 12
"""Classes of a group that are told one by one."""
ALIKE_TOLD = 6
"""Faults of one class that are told."""
NEXT_TOLD = 3
"""Classes behind the first group that are told."""
NOTHING = "nothing is wrong with the machine as it is described"


def summary(outcomes: Outcomes) -> list[str]:
    """What was tried."""
    power_ups = len(next(iter(outcomes.runs.values()), ()))
    lines = [
        f"{outcomes.faults} single faults looked into, {len(outcomes.runs) - (SOUND in outcomes.runs)} machines run "
        f"under {power_ups} power-ups each."
    ]
    if outcomes.not_shown:
        lines.append(
            f"{len(outcomes.not_shown)} of them this program cannot show: it never uses what would be wrong. A program "
            "that does would, for instance a test ROM for that card."
        )
    if outcomes.troubles:
        lines.append(f"{len(outcomes.troubles)} cannot be, as the cards or their images forbid it.")
    if not outcomes.is_whole:
        left = outcomes.wanted - outcomes.faults
        lines.append(f"Interrupted: {left} faults were not looked into, so the cause may be among those.")
    return lines


def ranking_lines(outcomes: Outcomes, ranking: Ranking, group: Sequence[str]) -> list[str]:
    """What it may be.

    Args:
        outcomes: of the search.
        ranking: of the candidates.
        group: classes that are still in question.
    """
    if ranking.none:
        best = ranking.order[0]
        part = any(word.startswith("text ") for word in best.fits)
        return [
            f"No single fault{_where(outcomes)} {'' if outcomes.is_whole else 'of those looked into so far '}explains "
            f"this: {ranking.misfit}.",
            f"The nearest is {_said(outcomes, best.name)} ({'; '.join(best.fits)}).",
            *(["Is it all that stands there, from the first line to the last? Parts of a text are not found."] * part),
            *([] if outcomes.is_whole else ["Let the search come to its end first; --session FILE keeps what is run."]),
            *(["Search at all places first: leave out --slot."] if _where(outcomes) else []),
            "Next: look for two faults at once, for a program that is not the image of the machine file (read the ROM "
            "back and run simkit burn --verify), and for a fault that comes and goes; a capture led by the CPU model "
            "(simkit compare) says cycle by cycle who was wrong.",
        ]
    one = len(group) == 1
    group = sorted(group, key=lambda name: name != SOUND)
    lines = ["It is this, or nothing that the kit knows:" if one else f"{len(group)} causes show the same so far:"]
    if SOUND in group and not one:
        lines.append(
            "A sound machine is among them: what was seen shows no fault that is always there. It may come and go, or "
            "show elsewhere: capture the bus where it goes wrong, and compare (simkit compare)."
        )
    fits = {one.name: one.fits for one in ranking.order}
    for name in group[:CLASSES_TOLD]:
        lines += [f"  - {_said(outcomes, name)}{_why(fits.get(name, ()))}", *_alike(outcomes, name)]
    if len(group) > CLASSES_TOLD:
        lines.append(f"  and {len(group) - CLASSES_TOLD} more (--json has all).")
        lines.append(f"Where these causes are: {_places(outcomes, group)}.")
    behind = [one for one in ranking.order if one.name not in ranking.first][:NEXT_TOLD]
    if behind and len(group) == len(ranking.first):
        nearest = "; ".join(f"{_said(outcomes, one.name)} ({'; '.join(one.fits)})" for one in behind)
        lines.append(f"Less likely: {nearest}.")
    return lines


def question_lines(question: Question) -> list[str]:
    """What to measure next."""
    return ["Next measurement:", f"  {question.text}", *(f"    {line}" for line in question.words)]


def found_lines(outcomes: Outcomes, name: str) -> list[str]:
    """What to do when one class is left."""
    if name == SOUND:
        return ["What you saw is what a sound machine does. If it surprises you, it is the program."]
    own = outcomes.classes[name]
    places = ", ".join(dict.fromkeys(one.place for one in own))
    if len(own) == 1:
        return [f"Next: look at {places}, mend it, and capture once more.", f'Try it in the kit: --fault "{name}"']
    return [
        f"Next: look at {places}. These {len(own)} faults make one and the same machine, so no measurement on lines "
        "tells them apart: take the meter, with the power off, and follow the wires named above.",
        f'Try it in the kit: --fault "{name}"',
    ]


def _said(outcomes: Outcomes, name: str) -> str:
    return name or NOTHING


def _where(outcomes: Outcomes) -> str:
    """Where alone was looked, if it was at some cards."""
    own = [*outcomes.not_shown, *(one for members in outcomes.classes.values() for one in members)]
    places = sorted({one.place for one in own})
    return f" at {' and '.join(places)}" if own and all(place.startswith("slot ") for place in places) else ""


def _places(outcomes: Outcomes, group: Sequence[str]) -> str:
    """Places of the causes of a large group, most of them first: often one card is all there is to it."""
    counts = Counter(place for name in group for place in {one.place for one in outcomes.classes.get(name, ())})
    return ", ".join(f"{place} ({count})" for place, count in counts.most_common())


def _why(fits: Sequence[str]) -> str:
    return f" ({'; '.join(fits)})" if fits else ""


def _alike(outcomes: Outcomes, name: str) -> list[str]:
    others = [one.sentence for one in outcomes.classes.get(name, ())[1:]]
    if not others:
        return []
    more = f"; and {len(others) - ALIKE_TOLD} more" if len(others) > ALIKE_TOLD else ""
    return [f"    the same machine: {'; '.join(others[:ALIKE_TOLD])}{more}"]
