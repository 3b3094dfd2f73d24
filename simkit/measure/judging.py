"""One fault put in, seen as a builder sees it, and searched for; what a process of a measurement does.

The search knows neither power-up nor hands nor noise of the symptom. Besides it is found out whether anybody could
tell: a candidate that the search puts at the top is run under the very power-up and hands of the symptom, and where it
shows the same (pixel by pixel, letter by letter; a capture by no more different than noise makes it), no search can say
that it is not the cause.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from functools import lru_cache
from pathlib import Path

import attrs
import numpy as np

from simkit.contract.errors import SimkitError
from simkit.machine.machine import Machine
from simkit.measure.could_be import could_be
from simkit.measure.further import SharedMore
from simkit.measure.played import PLAYED
from simkit.measure.symptoms import CAPTURE, KINDS, Hands, Symptom, Truth, exact, symptom, truth
from simkit.suspect.ask import Asking, answer_of
from simkit.suspect.followed import Following
from simkit.suspect.library import Library
from simkit.suspect.outcomes import SOUND, Outcomes
from simkit.suspect.rank import Ranking, rank
from simkit.suspect.runs import observed_lines
from simkit.suspect.session import read_session
from simkit.suspect.trial import Trial

SEARCH_HANDS = 0
"""Seed of the hands that the search assumes; those of the truth come from elsewhere."""
TRUTHS = 5
"""Different power-ups and hands of a program among all pairs."""
MOST_QUESTIONS = 40
MOST_NAMED = 6
"""Candidates at the top, of those that runs tell apart, that are run to see whether one shows the same."""
SINGLE = "single fault"
FURTHER = ".further"
"""Ending of the folder beside the runs of a search where further runs are kept."""


@attrs.frozen
class Case:
    """A fault that is put in.

    Attributes:
        program: that is played.
        source: SINGLE, or the kind of a fault from outside.
        number: in the order of its source and program, from 0.
        words: what it is.
        faults: in sentences.
        parts: of what it is made, where each alone would be a single fault.
    """

    program: str
    source: str
    number: int
    words: str
    faults: tuple[str, ...]
    parts: tuple[str, ...] = ()


@attrs.frozen
class Judged:
    """What the search said to one symptom.

    Attributes:
        kind: of the symptom, of KINDS.
        program: that was played.
        fault: what was in the machine.
        source: SINGLE, or the kind of a fault from outside.
        none: whether it said that no single fault explains it.
        found: whether the true fault is in the first group; False for one from outside.
        alike: another single fault, named at the top, that shows the same symptom; "" where none does, and where
            the true one was found.
        possible: of a fault from outside: a single one at the top of which each cycle of the whole bus could be
            (`simkit.measure.could_be`), whatever the search said; "" where there is none, where one is alike, and where
            noise hides it.
        classes: classes of electrically equal faults in the first group.
        apart: of these so many as some run of the search tells apart: the others did the same in all of them, cycle by
            cycle, such as all that keep a card from being selected.
        asked: measurements until one class was left, the truth giving the answers; None where it was not found, or
            the way was lost.
        left: whether the class that was left is the true one.
        seconds: that the ranking took, further runs of those that come near among it.
        best: the class that came first.
        misfit: why no single fault explains it, as the search says; "" where one does.
        hidden: whether noise hides it: a capture that is not unlike the one without a fault (`simkit.measure.unlike`).
        behind: how far the true one is behind the best, in units of chance; None for one from outside, or not run.
    """

    kind: str
    program: str
    fault: str
    source: str
    none: bool
    found: bool
    alike: str
    possible: str
    classes: int
    apart: int
    asked: int | None
    left: bool
    seconds: float
    best: str
    misfit: str
    hidden: bool
    behind: float | None

    @property
    def counts(self) -> bool:
        """Whether anybody could tell: of a fault from outside that no single one can show, and no noise hides."""
        return self.source == SINGLE or not (self.alike or self.possible or self.hidden)

    @property
    def is_missed(self) -> bool:
        """Whether the search should have said something else."""
        return self.counts and not (self.found if self.source == SINGLE else self.none) and not self.alike


def trial_of(program: str) -> Trial:
    """What the search puts candidates through."""
    played = PLAYED[program]
    machine = Machine.load(played.machine)
    return Trial.of(machine, played.cycles(machine), Hands(program, SEARCH_HANDS))


class Real:
    """The real machine of a program, under power-ups and hands of a seed.

    Args:
        program: that is played.
        seed: of the measurement.
    """

    def __init__(self, program: str, seed: int) -> None:
        self.program, self.seed = program, seed
        self.trial = trial_of(program)
        self.names = observed_lines(self.trial.machine(self.trial.seeds[0]))
        self._sound: dict[int, Truth] = {}

    def run(self, case: Case, faults: Sequence[str]) -> Truth:
        """With faults, under the power-up and hands of a case."""
        return truth(self.trial, self.program, self._seed_of(case), faults, self.names)

    def symptoms(self, case: Case, kinds: Sequence[str]) -> Iterator[Symptom]:
        """What is seen of a case, of some kinds; nothing where there can be no such machine."""
        try:
            real = self.run(case, case.faults)
            parts = [self.run(case, (part,)) for part in case.parts]
        except SimkitError:
            return
        seed = self._seed_of(case)
        if seed not in self._sound:
            self._sound[seed] = self.run(case, ())
        for kind in kinds:
            chance = np.random.default_rng([self.seed, case.number, *kind.encode(), *case.source.encode()])
            shown = symptom(kind, real, self._sound[seed], chance, parts)
            if shown is not None:
                yield shown

    def _seed_of(self, case: Case) -> int:
        return 10_000 + 100 * self.seed + case.number % TRUTHS


class Judge:
    """Holds what is seen of the real machine against the search.

    Args:
        real: the machine.
        outcomes: of all candidates.
        further: folder where further runs of those that came near are kept.
    """

    def __init__(self, real: Real, outcomes: Outcomes, further: Path) -> None:
        self._real, self._outcomes = real, outcomes
        self._libraries = {
            kind: Library(outcomes) for kind in KINDS
        }  # full captures see the same lines again and again
        self._more = SharedMore(real.trial, outcomes.names, further)
        self._asking = Asking(outcomes, float(real.trial.description.clock_hz))
        self._class_of = {one.sentence: name for name, own in outcomes.classes.items() for one in own}
        self._alike = {name: group[0] for group in outcomes.shown_alike for name in group}

    def judged(self, case: Case, kinds: Sequence[str]) -> Iterator[Judged]:
        """What the search says to each symptom that a fault gives."""
        own = self._class_of.get(case.words) if case.source == SINGLE else None
        again: dict[str, Truth | None] = {}
        for shown in self._real.symptoms(case, kinds):
            began = time.perf_counter()
            ranking = rank(self._outcomes, [shown.seen], library=self._libraries[shown.kind], more=self._more)
            took = time.perf_counter() - began
            found = own is not None and own in ranking.first and not ranking.none
            asked, left = self._ask(ranking.first, shown.real, own) if found and own is not None else (None, False)
            may_be_alike = not found and (case.source != SINGLE or not ranking.none)
            alike = self._same(case, shown, ranking, own, again) if may_be_alike else ""
            is_asked = case.source != SINGLE and not (alike or shown.is_hidden)
            yield Judged(
                kind=shown.kind,
                program=case.program,
                fault=case.words,
                source=case.source,
                none=ranking.none,
                found=found,
                alike=alike,
                possible=self._possible(shown, ranking) if is_asked else "",
                classes=len(ranking.first),
                apart=len({self._alike[name] for name in ranking.first}),
                asked=asked,
                left=left,
                seconds=took,
                best=ranking.order[0].name if ranking.order else "",
                misfit=ranking.misfit,
                hidden=shown.is_hidden,
                behind=next((one.behind for one in ranking.order if one.name == own), None),
            )

    def _same(
        self, case: Case, shown: Symptom, ranking: Ranking, own: str | None, again: dict[str, Truth | None]
    ) -> str:
        """A single fault at the top that shows the same; of those that no run tells apart one is tried."""
        top = dict.fromkeys(self._alike[one.name] for one in ranking.order if one.name not in (SOUND, own))
        for name in list(top)[:MOST_NAMED]:
            if name not in again:
                try:
                    again[name] = self._real.run(case, (name,))
                except SimkitError:
                    again[name] = None
            run = again[name]
            if run is not None and shown.is_shown_by(run):
                return name
        return ""

    def _possible(self, shown: Symptom, ranking: Ranking) -> str:
        """A single fault at the top of which each cycle of a capture of the whole bus could be."""
        if shown.kind != CAPTURE:
            return ""
        levels = shown.real.levels[shown.begin : shown.begin + shown.cycles]
        captured = exact(levels, shown.real.names, shown.lines)
        top = [one.name for one in ranking.order if one.name != SOUND][:MOST_NAMED]
        following = Following(captured, self._real.trial)
        return next((name for name in top if could_be(self._real.trial, name, captured, following)), "")

    def _ask(self, group: Sequence[str], real: Truth, own: str) -> tuple[int | None, bool]:
        """Measurements until one class is left, answered by the real machine."""
        for asked in range(MOST_QUESTIONS):
            if len(group) < 2:
                return asked, list(group) == [own]
            question = self._asking.question(group)
            if question is None:
                return None, False
            answer = answer_of(question, real.names, real.levels, own)
            after = question.left(answer)
            if not after or (len(after) == len(group) and set(after) == set(group)):
                return None, False
            group = after
        return None, False


# in the processes --------------------------------------------------------------------------------------------------


def judged(seed: int, runs: str, case: Case, kinds: Sequence[str]) -> tuple[Judged, ...]:
    """What the search says to each symptom of a fault; `runs` is the file of its outcomes."""
    return tuple(_judge(case.program, seed, runs).judged(case, kinds))


@lru_cache(maxsize=1)
def _real(program: str, seed: int) -> Real:
    return Real(program, seed)


@lru_cache(maxsize=1)
def _judge(program: str, seed: int, runs: str) -> Judge:
    return Judge(_real(program, seed), read_session(Path(runs)), Path(runs).with_suffix(FURTHER))
