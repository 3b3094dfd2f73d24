"""How well the search finds a fault: the same faults put in, seen as a builder sees them, and searched for.

Single faults are drawn from the catalogue and dealt to the programs, each to one; of those that its program notices
each symptom is handed to the search. Then the same with faults from outside the catalogue, for which the search should
say that no single fault explains them. The seed says which faults, power-ups, hands and noise: a search that was made
better with one seed is judged with another.

The work comes in small pieces that processes do, and what a piece says depends on nothing but the seed: the figures are
the same however many processes there are, and however often the work was interrupted.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from itertools import count, islice, product, takewhile
from pathlib import Path

import attrs
import numpy as np

from simkit.files.whole import write_whole
from simkit.machine.machine import Machine
from simkit.measure.judging import SINGLE, Case, Judged, judged, trial_of
from simkit.measure.outside import PER_PROGRAM, TWO_FAULTS, from_drawn, outside
from simkit.measure.outside_drawn import counts, pairs, strobes
from simkit.measure.played import PLAYED
from simkit.suspect.catalogue import catalogue
from simkit.suspect.outcomes import Outcomes
from simkit.suspect.runs import local_executor, results_of, run_all
from simkit.suspect.session import SESSION, packed, read_session

DRAWING, SEARCHING, SINGLES = 0.02, 0.3, 0.4
"""Parts of the time, for progress: drawing faults from outside; running candidates; judging single faults."""

GoesOn = Callable[[float, str], bool]
"""Told the part that is done and what is going on; False ends the work."""


@attrs.frozen
class Tried:
    """A fault that was put in, and what the search said to each symptom that is judged.

    Attributes:
        program: that was played.
        source: SINGLE, or the kind of a fault from outside.
        number: in the order of its source and program, from 0.
        judged: each symptom that it gives; none where the program does not notice the fault.
    """

    program: str
    source: str
    number: int
    judged: tuple[Judged, ...]


@attrs.frozen
class Drawn:
    """Faults from outside that chance drew, and whether they count.

    Attributes:
        program: that is played.
        source: the kind.
        number: in the order in which they are drawn.
        counts: whether they do.
    """

    program: str
    source: str
    number: int
    counts: bool


Record = Tried | Drawn
"""A piece of the work that is done."""


@attrs.frozen(kw_only=True)
class Asked:
    """What is to be measured.

    Attributes:
        programs: names.
        pairs: single faults that are noticed, all programs together; each is judged by every symptom that it gives.
        seed: of everything.
        kinds: of symptoms.
        most_outside: faults from outside for each program; None: all.
        outside_seed: to draw other pairs and strobes with; None: those of the list.
    """

    programs: tuple[str, ...]
    pairs: int
    seed: int
    kinds: tuple[str, ...]
    most_outside: int | None = None
    outside_seed: int | None = None


class Measurement:
    """All of it, piece by piece.

    Args:
        asked: what is to be measured.
        goes_on: asked now and then.
        known: pieces that were done before, for the same that is asked.
        session: folder where the runs of the searches are kept, and taken from; None: nowhere.
        executor: who does the work; None: processes of this host.
    """

    def __init__(
        self,
        asked: Asked,
        goes_on: GoesOn,
        *,
        known: Iterable[Record] = (),
        session: Path | None = None,
        executor: Executor | None = None,
    ) -> None:
        self.asked, self._goes_on = asked, goes_on
        self._session, self._executor = session, executor
        self._stopped = False
        self._singles = single_faults(asked.programs, asked.seed)
        self._tried: dict[tuple[str, str, int], Tried] = {}
        self._drawn: dict[tuple[str, str], dict[int, bool]] = {}
        for record in known:
            self._keep(record)

    def _keep(self, record: Record) -> None:
        if isinstance(record, Tried):
            self._tried[record.program, record.source, record.number] = record
        else:
            self._drawn.setdefault((record.program, record.source), {})[record.number] = record.counts

    def records(self) -> Iterator[Record]:
        """Pieces of the work as they are done; ends early where it is not to go on."""
        if self._executor is not None:
            yield from self._all(self._executor)
            return
        with local_executor() as pool:
            yield from self._all(pool)

    def _all(self, pool: Executor) -> Iterator[Record]:
        """First what single faults need, so that who ends it early has a figure for all programs."""
        yield from self._kept(self._draw(pool))
        with tempfile.TemporaryDirectory() as folder:
            runs = Path(folder) if self._session is None else self._session
            for program, goes_on in self._step(DRAWING, SEARCHING, "candidates run"):
                if self._stopped or not self._search(program, _file(runs, program), pool, goes_on):
                    return
            for program, goes_on in self._step(DRAWING + SEARCHING, SINGLES, "single faults judged"):
                yield from self._kept(self._judge_singles(program, runs, pool, goes_on))
            begins = DRAWING + SEARCHING + SINGLES
            more = self._told(begins, 0.0, "more single faults judged")
            while not self._stopped and (program := self._behind()):  # where others notice too few
                yield from self._kept(self._judge_singles(program, runs, pool, more))
            for program, goes_on in self._step(begins, 1 - begins, "faults from outside judged"):
                cases = self._from_outside(program)
                todo = [case for case in cases if (program, case.source, case.number) not in self._tried]
                yield from self._kept(self._judge(todo, runs, pool, goes_on))

    def _step(self, begins: float, length: float, words: str) -> Iterator[tuple[str, Callable[[float], bool]]]:
        """Programs, and what is asked between pieces of a step of each; the step is a part of the whole."""
        each = length / len(self.asked.programs)
        for number, program in enumerate(self.asked.programs):
            yield program, self._told(begins + number * each, each, f"{program}: {words}")

    def _kept(self, records: Iterator[Record]) -> Iterator[Record]:
        for record in records:
            self._keep(record)
            yield record

    def _told(self, begins: float, length: float, words: str) -> Callable[[float], bool]:
        """What is asked between pieces of a step that begins at a part of the whole and is a part of it."""

        def goes_on(part: float) -> bool:
            self._stopped = self._stopped or not self._goes_on(begins + length * part, words)
            return not self._stopped

        return goes_on

    # single faults ------------------------------------------------------------------------------------------------

    def shares(self) -> dict[str, int]:
        """By program how many faults that it notices are wanted.

        Where all of a program's faults were tried and it notices fewer, the others give more.
        """
        tried = {program: self._tried_of(program) for program in self._singles}
        gives: dict[str, int | None] = dict.fromkeys(tried)
        while True:  # who gives fewer leaves more to the others, and nobody's share becomes smaller
            shares = shared_out(self.asked.pairs, gives)
            whole = [name for name, own in tried.items() if len(own) == len(self._singles[name])]
            fewer = {name: sum(tried[name]) for name in whole if sum(tried[name]) < shares[name]}
            if not fewer:
                return shares
            gives |= fewer

    def _tried_of(self, program: str) -> list[bool]:
        """Whether the program notices them, of its single faults in the order in which they are tried, up to a gap."""
        found = []
        for case in self._singles[program]:
            tried = self._tried.get((program, SINGLE, case.number))
            if tried is None:
                break
            found.append(bool(tried.judged))
        return found

    def _next_singles(self, program: str) -> list[Case]:
        """So many more of them that, were all noticed, it would be enough: no more than its share is judged."""
        tried = self._tried_of(program)
        missing = self.shares()[program] - sum(tried)
        some = self._singles[program][len(tried) : len(tried) + missing]
        return [case for case in some if (program, SINGLE, case.number) not in self._tried]

    def _behind(self) -> str:
        """A program that is to give more single faults; "" for none."""
        return next((name for name in self.asked.programs if self._next_singles(name)), "")

    # faults from outside --------------------------------------------------------------------------------------------

    def _draw(self, pool: Executor) -> Iterator[Drawn]:
        """Draw faults from outside, where those of the list are not wanted."""
        seed = self.asked.outside_seed
        while seed is not None and not self._stopped:
            todo = [
                (_draw, (program, source, number, faults), None)
                for program, source in product(self.asked.programs, PER_PROGRAM)
                for number, faults in self._next_to_draw(program, source, seed)
            ]
            if not todo:
                return
            yield from results_of(pool, todo, self._told(DRAWING, 0.0, "faults from outside are drawn"))

    def _next_to_draw(self, program: str, source: str, seed: int) -> list[tuple[int, tuple[str, ...]]]:
        drawn = self._drawn.get((program, source), {})
        done = [drawn[number] for number in takewhile(drawn.__contains__, count())]
        missing = self._wanted(source) - sum(done)
        order = islice(enumerate(faults_in_order(source, program, seed)), len(done), len(done) + 2 * max(0, missing))
        return [(number, faults) for number, faults in order if number not in drawn]

    def _wanted(self, source: str) -> int:
        most = self.asked.most_outside
        return PER_PROGRAM[source] if most is None else min(most, PER_PROGRAM[source])

    def _from_outside(self, program: str) -> list[Case]:
        """Faults from outside that a program is to notice; of each kind so many as are asked for."""
        found = [case for case in outside(_labels()) if case.program == program]
        if self.asked.outside_seed is not None:
            found = [case for case in found if case.kind not in PER_PROGRAM]
            for source in PER_PROGRAM:
                drawn = self._drawn.get((program, source), {})
                order = zip(count(), faults_in_order(source, program, self.asked.outside_seed), strict=False)
                counted = (faults for number, faults in order if drawn.get(number, False))
                found += [from_drawn(source, program, faults) for faults in islice(counted, self._wanted(source))]
        by_kind: dict[str, int] = {}
        cases = []
        for case in found:
            number = by_kind.setdefault(case.kind, 0)
            by_kind[case.kind] += 1
            if self.asked.most_outside is None or number < self.asked.most_outside:
                cases.append(Case(program, case.kind, number, case.words, case.faults, case.parts))
        return cases

    # the search -----------------------------------------------------------------------------------------------------

    def _search(self, program: str, runs: Path, pool: Executor, goes_on: Callable[[float], bool]) -> bool:
        """Have all candidates of a program run, once for all symptoms; whether that came to its end."""
        trial = trial_of(program)
        known = read_session(runs) if runs.exists() else None

        def keep(outcomes: Outcomes) -> None:
            write_whole(runs, packed(outcomes), what="search", known=SESSION)

        candidates = catalogue(trial.description)
        return run_all(trial, candidates, executor=pool, goes_on=goes_on, known=known, keep=keep).is_whole

    def _judge_singles(
        self, program: str, runs: Path, pool: Executor, goes_on: Callable[[float], bool]
    ) -> Iterator[Tried]:
        """Put single faults in until the program has noticed its share of them."""
        while (todo := self._next_singles(program)) and not self._stopped:
            yield from self._judge(todo, runs, pool, goes_on)

    def _judge(
        self, todo: Sequence[Case], runs: Path, pool: Executor, goes_on: Callable[[float], bool]
    ) -> Iterator[Tried]:
        """Put faults in, and hold each symptom that they give against the search."""
        work = [
            (_judge, (self.asked.seed, str(_file(runs, case.program)), case, self.asked.kinds), case) for case in todo
        ]
        yield from results_of(pool, work, goes_on)


def _file(folder: Path, program: str) -> Path:
    """Where the runs of a search are."""
    return folder / f"{program}.search"


def single_faults(programs: Sequence[str], seed: int) -> dict[str, list[Case]]:
    """By program the single faults that it is tried with, in that order; no fault is dealt to two programs."""
    there = {name: {one.sentence for one in catalogue(trial_of(name).description)} for name in programs}
    every = sorted({sentence for own in there.values() for sentence in own})
    dealt: dict[str, list[Case]] = {name: [] for name in programs}
    for at in np.random.default_rng(seed).permutation(len(every)).tolist():
        sentence = every[at]
        name = min((name for name in programs if sentence in there[name]), key=lambda name: len(dealt[name]))
        dealt[name].append(Case(name, SINGLE, len(dealt[name]), sentence, (sentence,)))
    return dealt


def shared_out(wanted: int, gives: Mapping[str, int | None]) -> dict[str, int]:
    """So many of each that it is `wanted` together, as evenly as can be; None: it gives as many as are asked."""
    found: dict[str, int] = {}
    left = wanted
    order = sorted(gives, key=lambda name: (gives[name] is None, gives[name]))
    for place, name in enumerate(order):
        even, most = left // (len(order) - place), gives[name]
        found[name] = even if most is None else min(even, most)
        left -= found[name]
    return {name: found[name] for name in gives}


def faults_in_order(source: str, program: str, seed: int) -> Iterator[tuple[str, ...]]:
    """Faults from outside of a kind that chance draws, whether they count or not."""
    if source == TWO_FAULTS:
        yield from pairs(program, seed)
    else:
        yield from strobes(program, seed)


def judgements(records: Iterable[Record]) -> list[Judged]:
    """All of them, in an order that does not depend on who was done first."""
    tried = [record for record in records if isinstance(record, Tried)]
    places = {name: place for place, name in enumerate(PLAYED)}
    order = sorted(tried, key=lambda one: (places[one.program], one.source, one.number))
    return [judged for one in order for judged in one.judged]


def _labels() -> dict[str, Mapping[str, int]]:
    return {name: Machine.load(played.machine).labels for name, played in PLAYED.items()}


# in the processes --------------------------------------------------------------------------------------------------


def _draw(program: str, source: str, number: int, faults: tuple[str, ...]) -> Drawn:
    return Drawn(program, source, number, counts(program, faults))


def _judge(seed: int, runs: str, case: Case, kinds: Sequence[str]) -> Tried:
    return Tried(case.program, case.source, case.number, judged(seed, runs, case, kinds))
