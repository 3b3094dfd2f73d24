"""Which measurement next: the one whose answers split those that cannot be told apart best.

Four kinds, the easier one first where two split alike: a letter that is read off the screen; a logic probe on one line
(always low, always high, moves); an analyser that waits for an access and shows the byte on the data lines; and, where
runs are the same on all lines, a look at the board itself, with a meter and the power off.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from functools import cached_property
from types import MappingProxyType

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.suspect.known import NEVER, Firsts, Steady, known_cycles, steady
from simkit.suspect.outcome import Outcome
from simkit.suspect.outcomes import SOUND, Outcomes
from simkit.suspect.read_off import VARIES, Place, letters_by_place

LOW, HIGH, MOVES, NO_ACCESS, YES, NO = "always low", "always high", "moves", "never", "yes", "no"
BLANK = "blank"
_VARIES = 257
MOST_COMPARED = 120
"""Classes that lines can tell apart by one question; of more some are compared and the rest stays in question."""
COLUMNS_TRIED = 60
PROBE_IS_EASIER = 0.25
"""Bits that a question with an analyser must tell more than one with a probe, and a look more than that."""

Subject = str | int | Place
Where = Callable[[int], str]
"""An address in words."""
Words = NDArray[np.uint64]


@attrs.frozen
class Question:
    """A measurement.

    Attributes:
        text: what to do, for a builder.
        answers: for each answer the classes that give it; a class that may give several stands with each.
        kind: "screen", "probe", "access" or "look".
        subject: place on the screen; line; address with bit 16 for a write; or 0.
        cycles: bus cycles from power-on that it is about.
    """

    text: str
    answers: Mapping[str, tuple[str, ...]]
    kind: str
    subject: Subject = 0
    cycles: int = 0

    def left(self, answer: str) -> tuple[str, ...]:
        """Classes that are left when that is the answer; none when no class gives it."""
        return self.answers.get(answer, ())

    def meant(self, given: str) -> str | None:
        """The answer that somebody means who writes it so; None where it is none. An unexpected byte is one."""
        said = " ".join(given.strip().lower().split())
        if self.kind == "screen":
            letter = given.strip().strip("'\"") or given.strip()  # it may be a quote itself
            return BLANK if letter.lower() == BLANK else letter if len(letter) == 1 else None
        for answer in self.answers:
            if said in (answer.lower(), answer.lower().removeprefix("always ")):
                return answer
        byte = said.removeprefix("$").removeprefix("0x")
        if self.kind == "access" and re.fullmatch("[0-9a-f]{1,2}", byte):
            return f"${int(byte, 16):02X}"
        possible = {"probe": (LOW, HIGH, MOVES), "look": (YES, NO), "access": (NO_ACCESS,)}[self.kind]
        return next((one for one in possible if said in (one, one.removeprefix("always "))), None)

    @property
    def words(self) -> list[str]:
        """What each answer would mean, a line each."""
        found = []
        for answer, names in self.answers.items():
            more = f" and {len(names) - 3} more" if len(names) > 3 else ""
            found.append(f"{answer}: {'; '.join(name or 'nothing is wrong' for name in names[:3])}{more}")
        return found


class Asking:
    """Asks about the outcomes of one search, again and again.

    Args:
        outcomes: of all candidates.
        clock_hz: of the machine, for times in words.
        where: says an address in words.
        screen: whether somebody looks at the screen, or the terminal, and can be asked what stands there.
    """

    def __init__(
        self, outcomes: Outcomes, clock_hz: float, where: Where = lambda address: "", *, screen: bool = False
    ) -> None:
        self._outcomes = outcomes
        self._clock_hz = clock_hz
        self._where = where
        self._screen = screen
        self._sound = [run.stretches[0].levels for run in outcomes.runs[SOUND]]
        self._own_firsts: dict[str, list[Firsts]] = {}

    def question(self, group: Sequence[str]) -> Question | None:
        """The measurement that splits some classes best; None where one class is left."""
        group = list(group)
        if len(group) < 2:
            return None
        best = self._look(group)
        most = _bits(best, len(group)) - 3 * PROBE_IS_EASIER
        compared = {name: self._outcomes.runs[name] for name in group[:MOST_COMPARED]}
        rest = group[MOST_COMPARED:]
        whole = min(len(levels) for levels in self._sound)
        cycles = min(known_cycles(run, whole) for own in compared.values() for run in own)
        asks = [(self._access, 2 * PROBE_IS_EASIER), (self._probe, PROBE_IS_EASIER), (self._letter, 0.0)]
        for ask, handicap in asks if self._screen else asks[:2]:
            one = ask(compared, rest, cycles)
            if one is not None and (tells := _bits(one, len(group)) - handicap) >= most:
                best, most = one, tells
        return best

    def _time(self, cycles: int) -> str:
        return f"{cycles / self._clock_hz * 1000:.3g} ms"

    def _letter(self, runs: Mapping[str, Sequence[Outcome]], rest: list[str], cycles: int) -> Question | None:
        del cycles
        places, held = letters_by_place(runs)
        if not places:
            return None
        questions: list[_Asked] = []
        kinds = (np.diff(np.sort(held, axis=0), axis=0) != 0).sum(axis=0)
        for column in np.argsort(-kinds, kind="stable")[:COLUMNS_TRIED].tolist():
            letters = held[:, column].tolist()
            told = sorted({_said(chr(letter)) for letter in letters if letter != VARIES})
            answers: dict[str, list[str]] = {answer: [] for answer in told}
            for name, letter in zip(runs, letters, strict=True):  # where it varies it may be any of them
                for answer in told if letter == VARIES else [_said(chr(letter))]:
                    answers[answer].append(name)
            questions.append((places[column], answers))
        best = _best(questions, len(runs))
        if best is None:
            return None
        place, answers = best
        assert isinstance(place, Place)
        text = (
            f"Look at the screen or terminal of slot {place.slot} at the end: which letter stands in {place.words}, "
            f"counted from 1? {BLANK!r}: none."
        )
        return Question(text, _with(answers, rest), "screen", place)

    def _probe(self, runs: Mapping[str, Sequence[Outcome]], rest: list[str], cycles: int) -> Question | None:
        kinds = {
            name: [self._levels(run, sound, cycles) for run, sound in zip(own, self._steady, strict=True)]
            for name, own in runs.items()
        }
        questions: list[_Asked] = []
        for bit, line in enumerate(self._outcomes.names):
            answers: dict[str, list[str]] = {}
            for name, own in kinds.items():
                for answer in sorted({levels[bit] for levels in own}):
                    answers.setdefault(answer, []).append(name)
            questions.append((line, answers))
        best = _best(questions, len(runs))
        if best is None:
            return None
        line, answers = str(best[0]), best[1]
        text = (
            f"Put the logic probe on {line} of the backplane and press RESET: in the first {self._time(cycles)}, is it "
            f"{LOW}, {HIGH}, or does it move ({MOVES})?"
        )
        return Question(text, _with(answers, rest), "probe", line, cycles)

    def _access(self, runs: Mapping[str, Sequence[Outcome]], rest: list[str], cycles: int) -> Question | None:
        own = {name: self._firsts_behind(name) for name in runs}
        cells = np.unique(np.concatenate([one.cell for each in (self._firsts, *own.values()) for one in each]))
        rows = []
        for name in runs:
            each = np.stack([self._bytes(name, at, cells, cycles) for at in range(len(self._sound))])
            rows.append(np.where((each == each[0]).all(axis=0), each[0], np.uint16(_VARIES)))
        table = np.stack(rows)
        columns = np.flatnonzero((table != _VARIES).all(axis=0) & (table != table[0]).any(axis=0))
        if not len(columns):
            return None
        ordered = np.sort(table[:, columns], axis=0)
        kinds = 1 + (np.diff(ordered, axis=0) != 0).sum(axis=0)
        questions: list[_Asked] = []
        for column in columns[np.argsort(-kinds, kind="stable")[:COLUMNS_TRIED]].tolist():
            answers: dict[str, list[str]] = {}
            for name, value in zip(runs, table[:, column].tolist(), strict=True):
                answers.setdefault(_byte(value), []).append(name)
            questions.append((int(cells[column]), answers))
        best = _best(questions, len(runs))
        if best is None:
            return None
        subject, answers = best
        assert isinstance(subject, int)
        address, what = subject & 0xFFFF, "write" if subject >> 16 else "read"
        said = self._where(address)
        text = (
            f"Have the analyser wait for the first {what} of ${address:04X}{f' ({said})' if said else ''} after RESET, "
            f"with D0 to D7 clipped on: which byte is on the data lines? {NO_ACCESS!r}: it does not come in the first "
            f"{self._time(cycles)}."
        )
        return Question(text, _with(answers, rest), "access", subject, cycles)

    @cached_property
    def _steady(self) -> list[Steady]:
        return [Steady(levels) for levels in self._sound]

    def _levels(self, run: Outcome, sound: Steady, cycles: int) -> list[str]:
        """How each line stands in the beginning of a run."""
        if run.parted is None:
            return _words_of(*sound.up_to(cycles))
        ever, always = sound.up_to(min(run.parted, cycles))
        if run.stretches and run.parted < cycles:
            own = steady(run.stretches[0].levels[: cycles - run.parted])
            ever, always = ever | own[0], always & own[1]
        return _words_of(ever, always)

    @cached_property
    def _firsts(self) -> list[Firsts]:
        return [Firsts.of(levels, self._outcomes.names) for levels in self._sound]

    def _firsts_behind(self, name: str) -> list[Firsts]:
        """First accesses of runs of a class from where they part."""
        if name not in self._own_firsts:
            nothing = np.zeros(0, np.uint64)
            self._own_firsts[name] = [
                Firsts.of(run.stretches[0].levels if run.stretches and run.parted is not None else nothing, names)
                for names in [self._outcomes.names]
                for run in self._outcomes.runs[name]
            ]
        return self._own_firsts[name]

    def _bytes(self, name: str, at: int, cells: NDArray[np.uint32], cycles: int) -> NDArray[np.uint16]:
        """Bytes of the first accesses at some cells, in the beginning of a run."""
        parted = self._outcomes.runs[name][at].parted
        same = cycles if parted is None else min(parted, cycles)
        first, then = self._firsts[at].before(same), self._firsts_behind(name)[at]
        before = first.at(cells)
        return np.where(before != NEVER, before, then.before(cycles - same).at(cells))

    def _look(self, group: list[str]) -> Question:
        """Half of them, place by place, to be looked at on the board."""
        classes = self._outcomes.classes
        by_place = sorted(group, key=lambda name: (classes[name][0].place if name else "", group.index(name)))
        half = by_place[: len(by_place) // 2]
        said = "; ".join(name or "nothing is wrong" for name in half[:8])
        more = f"; and {len(half) - 8} more" if len(half) > 8 else ""
        text = (
            "With the power off, look at the board with a magnifier and a meter: is one of these so? "
            f"{said}{more}. Answer {YES} or {NO}."
        )
        return Question(text, {YES: tuple(half), NO: tuple(name for name in group if name not in half)}, "look")


def answer_of(
    question: Question, names: Sequence[str], levels: Words, fault: str, texts: Mapping[int, str] = MappingProxyType({})
) -> str:
    """What a machine answers that is measured.

    Args:
        question: the measurement.
        names: of its lines; bit i of a word belongs to names[i].
        levels: what they showed from power-on, `question.cycles` bus cycles at least.
        fault: name of the class that it is of, for a look at the board.
        texts: what can be read on its screens and terminals at the end, by slot.
    """
    if isinstance(question.subject, Place):
        return _said(question.subject.read(texts[question.subject.slot]))
    if question.kind == "look":
        return YES if fault in question.answers[YES] else NO
    levels = levels[: question.cycles]
    if question.kind == "probe":
        assert isinstance(question.subject, str)
        return _words_of(*steady(levels))[list(names).index(question.subject)]
    assert isinstance(question.subject, int)
    return _byte(int(Firsts.of(levels, names).at(np.array([question.subject], np.uint32))[0]))


_Asked = tuple[Subject, dict[str, list[str]]]
"""Subject of a question, and the classes of each answer."""


def _said(letter: str) -> str:
    return BLANK if letter == " " else letter


def _byte(value: int) -> str:
    return NO_ACCESS if value == NEVER else f"${value:02X}"


def _with(answers: Mapping[str, list[str]], rest: Sequence[str]) -> dict[str, tuple[str, ...]]:
    """Answers with those that were not compared in each."""
    return {answer: (*names, *rest) for answer, names in answers.items()}


def _bits(question: Question, count: int) -> float:
    """What a question tells of so many classes, all alike likely."""
    total = sum(len(names) for names in question.answers.values())
    return sum(len(names) / total * (math.log2(count) - math.log2(len(names))) for names in question.answers.values())


def _best(questions: list[_Asked], count: int) -> _Asked | None:
    """Of questions the one that tells most, if any tells anything."""

    def tells(asked: _Asked) -> float:
        return _bits(Question("", _with(asked[1], ()), ""), count)

    found = max(questions, key=tells, default=None)
    return found if found is not None and tells(found) > 0.01 else None


def _words_of(ever: int, always: int) -> list[str]:
    """How each line stands in some bus cycles, by its bit; low where there are none."""
    return [LOW if not ever >> bit & 1 else HIGH if always >> bit & 1 else MOVES for bit in range(64)]
