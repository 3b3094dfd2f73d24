"""Which measurement next: the one whose answers split those that cannot be told apart best.

Three kinds, the easier one first where two split alike: a logic probe on one line (always low, always high, moves); an
analyser that waits for an access and shows the byte on the data lines; and, where runs are the same on all lines, a
look at the board itself, with a meter and the power off.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.select import ADDRESS_LINES
from simkit.backplane.wiring import DATA_LINES
from simkit.suspect.outcome import Outcome
from simkit.suspect.outcomes import Outcomes

LOW, HIGH, MOVES, NEVER, YES, NO = "always low", "always high", "moves", "never", "yes", "no"
_NEVER, _VARIES = 256, 257
MOST_COMPARED = 200
"""Classes that are told apart by one question; more are told by what these answer."""
PROBE_IS_EASIER = 0.25
"""Bits that a question with an analyser must tell more than one with a probe."""

Where = Callable[[int], str]
"""An address in words."""


@attrs.frozen
class Question:
    """A measurement.

    Attributes:
        text: what to do, for a builder.
        answers: for each answer the classes that give it; a class that may give several stands with each.
        kind: "probe", "access" or "look".
        subject: line, address with bit 16 for a write, or 0.
    """

    text: str
    answers: Mapping[str, tuple[str, ...]]
    kind: str
    subject: str | int

    def left(self, answer: str) -> tuple[str, ...]:
        """Classes that are left when that is the answer; none when no class gives it."""
        return self.answers.get(answer, ())

    @property
    def words(self) -> list[str]:
        """What each answer would mean, a line each."""
        found = []
        for answer, names in self.answers.items():
            more = f" and {len(names) - 3} more" if len(names) > 3 else ""
            found.append(f"{answer}: {'; '.join(names[:3])}{more}")
        return found


def next_question(outcomes: Outcomes, group: Sequence[str], where: Where = lambda address: "") -> Question | None:
    """The measurement that splits some classes best; None where one class is left."""
    group = list(group)
    if len(group) < 2:
        return None
    compared = {name: outcomes.runs[name] for name in group[:MOST_COMPARED]}
    probe = _probe(outcomes.names, compared)
    access = _access(outcomes.names, compared, where)
    look = _look(outcomes, group)
    best, most = look, _bits(look, len(group)) - 2 * PROBE_IS_EASIER
    for one, handicap in ((access, PROBE_IS_EASIER), (probe, 0.0)):
        if one is not None and len(group) <= MOST_COMPARED and (tells := _bits(one, len(group)) - handicap) >= most:
            best, most = one, tells
    return best


def answer_of(question: Question, names: Sequence[str], runs: Sequence[Outcome], fault: str) -> str:
    """What a machine with a fault answers, from runs of its own.

    Args:
        question: the measurement.
        names: lines that the runs were observed by.
        runs: of the machine that is measured; the first one counts.
        fault: name of the class that it is of, for a look at the board.
    """
    if question.kind == "look":
        return YES if fault in question.answers[YES] else NO
    if question.kind == "probe":
        assert isinstance(question.subject, str)
        return _levels_of(runs[0])[list(names).index(question.subject)]
    assert isinstance(question.subject, int)
    value = int(_bytes_of(names, runs[0])[question.subject])
    return NEVER if value == _NEVER else f"${value:02X}"


def _bits(question: Question | None, count: int) -> float:
    """What a question tells of so many classes, all alike likely."""
    if question is None:
        return -1.0
    total = sum(len(names) for names in question.answers.values())
    return sum(len(names) / total * (math.log2(count) - math.log2(len(names))) for names in question.answers.values())


Asked = tuple[str | int, dict[str, list[str]]]
"""Subject of a question, and the classes of each answer."""


def _best(questions: list[Asked], count: int) -> Asked | None:
    """Of questions the one that tells most, if any tells anything."""

    def tells(answers: dict[str, list[str]]) -> float:
        return _bits(Question("", {answer: tuple(names) for answer, names in answers.items()}, "", 0), count)

    found = max(questions, key=lambda one: tells(one[1]), default=None)
    return found if found is not None and tells(found[1]) > 0.01 else None


def _levels_of(outcome: Outcome) -> list[str]:
    """How each line stands in the beginning of a run, by its number."""
    levels = outcome.head.levels if outcome.head is not None else np.zeros(0, np.uint64)
    ever = int(np.bitwise_or.reduce(levels)) if len(levels) else 0
    always = int(np.bitwise_and.reduce(levels)) if len(levels) else 0
    return [HIGH if always >> bit & 1 else MOVES if ever >> bit & 1 else LOW for bit in range(64)]


def _probe(names: Sequence[str], runs: Mapping[str, Sequence[Outcome]]) -> Question | None:
    found: dict[str, list[list[str]]] = {name: [_levels_of(one) for one in own] for name, own in runs.items()}
    questions: list[Asked] = []
    for bit, line in enumerate(names):
        answers: dict[str, list[str]] = {}
        for name, own in found.items():
            for answer in sorted({levels[bit] for levels in own}):
                answers.setdefault(answer, []).append(name)
        questions.append((line, answers))
    best = _best(questions, len(runs))
    if best is None:
        return None
    line, answers = str(best[0]), best[1]
    text = (
        f"Put the logic probe on {line} of the backplane and press RESET: for the first 16 ms, is it {LOW}, {HIGH}, or "
        "does it move?"
    )
    return Question(text, {answer: tuple(own) for answer, own in answers.items()}, "probe", line)


def _bytes_of(names: Sequence[str], outcome: Outcome) -> NDArray[np.uint16]:
    """Byte of the first access at each address (bit 16: of writes) at the beginning of a run; _NEVER: there is none."""
    found = np.full(0x2_0000, _NEVER, np.uint16)
    if outcome.head is None:
        return found
    levels = outcome.head.levels

    def gathered(lines: Sequence[str]) -> NDArray[np.uint32]:
        value = np.zeros(len(levels), np.uint32)
        for place, line in enumerate(lines):
            value |= ((levels >> np.uint64(list(names).index(line))) & np.uint64(1)).astype(np.uint32) << np.uint32(
                place
            )
        return value

    key = gathered(ADDRESS_LINES) | (gathered(("RW",)) ^ np.uint32(1)) << np.uint32(16)
    first, at = np.unique(key, return_index=True)
    found[first] = gathered(DATA_LINES)[at]
    return found


def _access(names: Sequence[str], runs: Mapping[str, Sequence[Outcome]], where: Where) -> Question | None:
    rows = []
    for own in runs.values():
        each = np.stack([_bytes_of(names, one) for one in own])
        rows.append(np.where((each == each[0]).all(axis=0), each[0], np.uint16(_VARIES)))
    table = np.stack(rows)
    sure = (table != _VARIES).all(axis=0) & (table != table[0]).any(axis=0)
    columns = np.flatnonzero(sure)
    if not len(columns):
        return None
    ordered = np.sort(table[:, columns], axis=0)
    kinds = 1 + (np.diff(ordered, axis=0) != 0).sum(axis=0)
    questions: list[Asked] = []
    for column in columns[np.argsort(-kinds, kind="stable")[:40]].tolist():
        answers: dict[str, list[str]] = {}
        for name, value in zip(runs, table[:, column].tolist(), strict=True):
            answers.setdefault(NEVER if value == _NEVER else f"${value:02X}", []).append(name)
        questions.append((column, answers))
    best = _best(questions, len(runs))
    if best is None:
        return None
    subject, answers = best
    assert isinstance(subject, int)
    address, what = subject & 0xFFFF, "write" if subject >> 16 else "read"
    said = where(address)
    place = f"${address:04X}{f' ({said})' if said else ''}"
    text = (
        f"Have the analyser wait for the first {what} of {place} after RESET, with D0 to D7 clipped on: which byte is "
        f"on the data lines? Answer {NEVER} if it does not come in 16 ms."
    )
    return Question(text, {answer: tuple(own) for answer, own in answers.items()}, "access", subject)


def _look(outcomes: Outcomes, group: Sequence[str]) -> Question:
    """Half of them, place by place, to be looked at on the board."""
    by_place = sorted(group, key=lambda name: (outcomes.classes[name][0].place if name else "", group.index(name)))
    half = by_place[: len(by_place) // 2]
    other = tuple(name for name in group if name not in half)
    said = "; ".join(name or "nothing is wrong" for name in half[:8]) + (" ..." if len(half) > 8 else "")
    text = (
        "No line of the backplane tells these apart. With the power off, look there with a magnifier and a meter: is "
        f"one of these so? {said}"
    )
    return Question(text, {YES: tuple(half), NO: other}, "look", 0)
