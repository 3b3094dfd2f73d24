"""How well the search finds a fault: the same faults put in, seen as a builder sees them, and searched for.

Pairs of a program and a single fault are drawn from the catalogue; each symptom that a pair gives is handed to the
search, which knows neither power-up nor hands nor noise of it. Then the same with faults from outside the catalogue,
for which the search should say that no single fault explains them.

The seed says which pairs, power-ups, hands and noise: a search that was made better with one seed is judged with
another.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from itertools import chain
from pathlib import Path

import attrs
import numpy as np

from simkit.contract.errors import SimkitError
from simkit.files.whole import write_whole
from simkit.machine.machine import Machine
from simkit.measure.outside import Outside, outside
from simkit.measure.played import PLAYED
from simkit.measure.symptoms import Hands, Truth, symptom, truth
from simkit.suspect.ask import Asking, answer_of
from simkit.suspect.catalogue import Candidate, catalogue
from simkit.suspect.library import Library
from simkit.suspect.more import More
from simkit.suspect.outcomes import Outcomes
from simkit.suspect.rank import rank
from simkit.suspect.runs import run_all
from simkit.suspect.seen import Seen
from simkit.suspect.session import SESSION, packed, read_session
from simkit.suspect.trial import Trial

SEARCH_HANDS = 0
"""Seed of the hands that the search assumes; those of the truth come from elsewhere."""
TRUTHS = 5
"""Different power-ups and hands of a program among all pairs."""
MOST_QUESTIONS = 40
MOST_TRIES = 5
"""Faults that are tried for each symptom wanted: a program that shows no text gives no texts."""
SINGLE, OUTSIDE = "single fault", "outside"

GoesOn = Callable[[float, str], bool]
"""Told the part that is done and what is going on; False ends the work."""


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
        classes: classes of electrically equal faults in the first group.
        asked: measurements until one class was left, the truth giving the answers; None where it was not found, or
            the way was lost.
        left: whether the class that was left is the true one.
        seconds: that the ranking took.
        best: the class that came first.
    """

    kind: str
    program: str
    fault: str
    source: str
    none: bool
    found: bool
    classes: int
    asked: int | None
    left: bool
    seconds: float
    best: str


@attrs.frozen(eq=False)
class Searched:
    """A program with the outcomes of all candidates.

    Attributes:
        program: its name.
        trial: what candidates were put through.
        outcomes: of all.
        candidates: of the catalogue.
    """

    program: str
    trial: Trial
    outcomes: Outcomes
    candidates: tuple[Candidate, ...]

    def class_of(self, sentence: str) -> str | None:
        """Name of the class that a fault is in; None where the search has not run it."""
        return self._class_by_sentence().get(sentence)

    def _class_by_sentence(self) -> Mapping[str, str]:
        return {one.sentence: name for name, own in self.outcomes.classes.items() for one in own}


def searched(
    program: str,
    goes_on: Callable[[float], bool],
    file: Path | None = None,
    executor: Executor | None = None,
) -> Searched:
    """Have the search run all candidates of a program, once for all symptoms.

    Args:
        program: its name.
        goes_on: asked now and then.
        file: where the runs are kept, and taken from; None: nowhere.
        executor: who runs them; None: processes of this host.
    """
    played = PLAYED[program]
    machine = Machine.load(played.machine)
    trial = Trial.of(machine, played.cycles(machine), Hands(program, SEARCH_HANDS))
    candidates = catalogue(machine.description)
    known = read_session(file) if file is not None and file.exists() else None
    outcomes = run_all(trial, candidates, executor=executor, goes_on=goes_on, known=known)
    if file is not None:
        write_whole(file, packed(outcomes), what="search", known=SESSION)
    return Searched(program, trial, outcomes, candidates)


@attrs.frozen
class Tried:
    """A fault that was put in, and what the search said to each symptom that it gave.

    Attributes:
        program: that was played.
        source: SINGLE or OUTSIDE.
        number: in the order of its source, from 0.
        judged: a symptom each; none where the program did not notice the fault.
    """

    program: str
    source: str
    number: int
    judged: tuple[Judged, ...]


class Measurement:
    """Judges faults of one program, one after another.

    Args:
        search: the program with the outcomes of all candidates.
        seed: of the choice, truths and noise.
        kinds: of symptoms.
        known: what was tried before, of any program.
    """

    def __init__(self, search: Searched, seed: int, kinds: Sequence[str], known: Sequence[Tried] = ()) -> None:
        self._search, self._seed, self._kinds = search, seed, list(kinds)
        self._known = [tried for tried in known if tried.program == search.program]
        self._sound: dict[int, Truth] = {}
        self._library = Library(search.outcomes)
        self._more = More(search.trial, search.outcomes.names)
        self._asking = Asking(search.outcomes, float(search.trial.description.clock_hz))

    def singles(self, wanted: int) -> Iterator[Tried]:
        """Single faults, until so many symptoms of each kind were judged, or enough faults were tried."""
        known = [tried for tried in self._known if tried.source == SINGLE]
        counts = Counter(judged.kind for tried in known for judged in tried.judged)
        drawn = np.random.default_rng([self._seed, *self._search.program.encode()])
        candidates = self._search.candidates
        order = drawn.permutation(len(candidates)).tolist()
        for number in range(len(known), min(len(order), MOST_TRIES * wanted)):
            todo = [kind for kind in self._kinds if counts[kind] < wanted]
            if not todo:
                return
            fault = candidates[order[number]].sentence
            judged = tuple(self._of((fault,), fault, SINGLE, number, todo))
            counts.update(one.kind for one in judged)
            yield Tried(self._search.program, SINGLE, number, judged)

    def from_outside(self, cases: Sequence[Outside]) -> Iterator[Tried]:
        """Faults from outside; of two at once only symptoms that are those of neither alone."""
        known = sum(tried.source == OUTSIDE for tried in self._known)
        for number in range(known, len(cases)):
            case = cases[number]
            judged = self._of(case.faults, case.words, case.kind, number, self._kinds, parts=case.parts)
            yield Tried(self._search.program, OUTSIDE, number, tuple(judged))

    def _truth_seed(self, number: int) -> int:
        return 10_000 + 100 * self._seed + number % TRUTHS

    def _run(self, seed: int, faults: Sequence[str]) -> Truth:
        return truth(self._search.trial, self._search.program, seed, faults, self._search.outcomes.names)

    def _of(
        self,
        faults: tuple[str, ...],
        words: str,
        source: str,
        number: int,
        kinds: Sequence[str],
        parts: Sequence[str] = (),
    ) -> Iterator[Judged]:
        seed = self._truth_seed(number)
        if seed not in self._sound:
            self._sound[seed] = self._run(seed, ())
        try:
            real = self._run(seed, faults)
        except SimkitError:
            return  # there can be no such machine, which needs no search
        alone = [self._run(seed, (part,)) for part in parts]
        for kind in kinds:
            chance = np.random.default_rng([self._seed, number, *kind.encode(), *source.encode()])
            seen = symptom(kind, real, self._sound[seed], chance)
            if seen is None or any(symptom(kind, real, one, chance) is None for one in alone):
                continue
            yield self._judge(kind, words, source, faults, seen, real)

    def _judge(self, kind: str, words: str, source: str, faults: Sequence[str], seen: Seen, real: Truth) -> Judged:
        began = time.perf_counter()
        ranking = rank(self._search.outcomes, [seen], library=self._library, more=self._more)
        took = time.perf_counter() - began
        own = self._search.class_of(faults[0]) if source == SINGLE else None
        found = own is not None and own in ranking.first and not ranking.none
        asked, left = self._ask(ranking.first, real, own) if found and own is not None else (None, False)
        best = ranking.order[0].name if ranking.order else ""
        return Judged(
            kind, self._search.program, words, source, ranking.none, found, len(ranking.first), asked, left, took, best
        )

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


def cases_of(program: str) -> list[Outside]:
    """Faults from outside that a program is to notice."""
    labels = {name: Machine.load(played.machine).labels for name, played in PLAYED.items()}
    return [case for case in outside(labels) if case.program == program]


def measured(
    programs: Sequence[str],
    pairs: int,
    seed: int,
    kinds: Sequence[str],
    goes_on: GoesOn,
    *,
    known: Sequence[Tried] = (),
    session: Path | None = None,
    most_outside: int | None = None,
) -> Iterator[Tried]:
    """Try so many pairs of each kind, spread over the programs, and the faults from outside.

    Args:
        programs: names.
        pairs: symptoms of each kind, all programs together.
        seed: of everything.
        kinds: of symptoms.
        goes_on: asked now and then.
        known: what was tried before, with the same programs, seed and kinds.
        session: folder where the runs of the searches are kept, and taken from; None: nowhere.
        most_outside: faults from outside for each program; None: all.
    """
    each = -(-pairs // len(programs))
    for number, program in enumerate(programs):

        def part(inside: float, number: int = number, program: str = program) -> bool:
            return goes_on((number + inside) / len(programs), program)

        file = None if session is None else session / f"{program}.search"
        search = searched(program, _first_half(part), file)
        if not search.outcomes.is_whole:
            return
        measurement = Measurement(search, seed, kinds, known)
        cases = cases_of(program)[:most_outside]
        expected = each * len(kinds) + len(cases)
        done = 0
        for tried in chain(measurement.singles(each), measurement.from_outside(cases)):
            yield tried
            done += max(1, len(tried.judged))
            if not part(0.5 + 0.5 * min(1.0, done / expected)):
                return


def _first_half(goes_on: Callable[[float], bool]) -> Callable[[float], bool]:
    return lambda part: goes_on(part / 2)
