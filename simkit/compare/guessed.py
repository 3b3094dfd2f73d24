"""A guess at what is wrong with a line, and whether its column bears it out.

A guess says which level a line would have had in each cycle. It holds where nearly all cycles agree with it, also those
in which it is not the level that should be.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import Protocol

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.select import ADDRESS_LINES
from simkit.backplane.wiring import DATA_LINES
from simkit.records.observed import SELECT

HOLDS = 0.95
"""Share of the cycles that agree with a guess which holds. Ours: captures are wrong in about a hundredth."""
DECIDES = 0.85
"""The same of those cycles in which the guess is not the level that should be. Ours."""
DECISIVE = 4
"""Cycles that must show what takes another line, or another cycle, to say. Ours."""
FEW_PLACES = 4
"""Addresses at which alone a ROM is wrong, so that it is its content. Ours."""

NOT_TAKEN = "does not take what is written"
"""Of memory as a whole; its `line` is WRITES."""
WRITES = "writes"
FOUGHT = "is not alone when it is read"
"""Of a card as a whole; its `line` is READS, and `other` names the data lines."""
READS = "reads"
LOW, HIGH, INVERTED, FOLLOWS, EXCHANGED, SHORTED, LATE, OPEN, OTHER = (
    "always low",
    "always high",
    "inverted",
    "follows",
    "exchanged with",
    "pulled low by",
    "late by one cycle",
    "open: it keeps the level of the cycle before",
    "not what it should be",
)


class Beside(Protocol):
    """What was captured beside what should be, a row a cycle."""

    @property
    def names(self) -> tuple[str, ...]:
        """Lines; bit i of a word belongs to names[i]."""

    @property
    def levels(self) -> NDArray[np.uint64]:
        """That should be."""

    @property
    def known(self) -> NDArray[np.uint64]:
        """Lines of which that is known."""

    @property
    def seen(self) -> NDArray[np.uint64]:
        """That were captured."""

    @property
    def seen_known(self) -> NDArray[np.uint64]:
        """Lines of which they are known."""

    @property
    def slot(self) -> NDArray[np.int16]:
        """Of the one card that is reached, -1 for none."""


def writing(led: Beside) -> NDArray[np.bool_]:
    """Rows in which the CPU should write; none where R/W is not among the lines."""
    if "RW" not in led.names:
        return np.zeros(len(led.levels), bool)
    one = np.uint64(1) << np.uint64(led.names.index("RW"))
    found: NDArray[np.bool_] = (led.known & one != 0) & (led.levels & one == 0)
    return found


@attrs.frozen
class LineFault:
    """What is wrong with a line.

    Attributes:
        line: its name; a pin of a card where `pin`.
        how: one of the words above.
        other: the line that it follows, or is exchanged or shorted with; "".
        slot: of the card whose reads show it; None: it is in all cycles, or in those in which the CPU writes.
        writes: whether it shows in bytes that the CPU writes.
        pin: it is the address pin of the card: the line on the bus is right.
        shown: cycles in which the guess is not the level that should be and the capture agrees with it.
        could: cycles in which it could have shown.
        right_at: slots whose reads have the line right, both ways.
        row: the first row that shows it.
        share: of the cycles that were looked at, those in which the line is not what it should be.
        addresses: at which alone it shows; empty: at many.
    """

    line: str
    how: str
    other: str
    slot: int | None
    writes: bool
    pin: bool
    shown: int
    could: int
    right_at: tuple[int, ...]
    row: int
    share: float
    addresses: tuple[int, ...] = ()


Guess = tuple[str, str, NDArray[np.bool_]]
"""What is wrong, with which other line, and the levels that the line has then."""


@attrs.frozen(eq=False)
class _Columns:
    """Levels of one line: what should be, what was seen, in the rows in which both are known."""

    rows: NDArray[np.intp]
    should: NDArray[np.bool_]
    seen: NDArray[np.bool_]


def _columns(led: Beside, line: str, scope: NDArray[np.bool_]) -> _Columns:
    one = np.uint64(1) << np.uint64(led.names.index(line))
    rows = np.flatnonzero(scope & (led.known & led.seen_known & one != 0))
    return _Columns(rows, led.levels[rows] & one != 0, led.seen[rows] & one != 0)


def _level(led: Beside, words: NDArray[np.uint64], rows: NDArray[np.intp], line: str) -> NDArray[np.bool_]:
    found: NDArray[np.bool_] = words[rows] >> np.uint64(led.names.index(line)) & np.uint64(1) != 0
    return found


def _guesses(led: Beside, line: str, columns: _Columns) -> Iterator[Guess]:
    rows, should = columns.rows, columns.should
    yield LOW, "", np.zeros(len(rows), bool)
    yield HIGH, "", np.ones(len(rows), bool)
    yield INVERTED, "", ~should
    for other in _neighbours(led, line):
        theirs = _level(led, led.levels, rows, other)
        seen_theirs = _level(led, led.seen, rows, other)
        apart = theirs != should
        exchanged = apart.any() and (seen_theirs == should)[apart].mean() >= DECIDES
        yield (EXCHANGED if exchanged else FOLLOWS), other, theirs
        yield SHORTED, other, should & theirs
    before = np.maximum(rows - 1, 0)
    yield OPEN, "", _level(led, led.seen, before, line)
    yield LATE, "", _level(led, led.levels, before, line)


def _neighbours(led: Beside, line: str) -> list[str]:
    """Other lines of the same kind that are there, the nearest first."""
    if line.endswith(f".{SELECT}"):
        return [other for other in led.names if other.endswith(f".{SELECT}") and other != line]
    for kind in (ADDRESS_LINES, DATA_LINES, ("RW", "SYNC")):
        if line in kind:
            number = kind.index(line)
            others = [other for other in kind if other != line and other in led.names]
            return sorted(others, key=lambda other: abs(kind.index(other) - number))
    return []


def line_fault(
    led: Beside,
    line: str,
    scope: NDArray[np.bool_],
    slot: int | None,
    *,
    writes: bool,
    more: Callable[[NDArray[np.intp]], Iterable[Guess]] = lambda _: (),
) -> LineFault | None:
    """What is wrong with a line; None where nothing is.

    Args:
        led: the capture and what should be.
        line: its name.
        scope: rows that are looked at.
        slot: of the card whose reads they are.
        writes: whether the CPU writes in them.
        more: gives further guesses for rows.
    """
    columns = _columns(led, line, scope)
    wrong = columns.seen != columns.should
    if not wrong.any():
        return None
    best = (0.0, OTHER, "", wrong)
    for how, other, guess in (*_guesses(led, line, columns), *more(columns.rows)):
        decisive = guess != columns.should
        agrees = guess == columns.seen
        least = 1 if how in (LOW, HIGH, INVERTED) else DECISIVE
        if decisive.sum() < least or agrees[decisive].mean() < DECIDES:
            continue
        share = float(agrees.mean())
        if share >= HOLDS and share > best[0]:
            best = (share, how, other, decisive & agrees)
    _, how, other, shown = best
    could = int((columns.should if how == LOW else ~columns.should if how == HIGH else shown | wrong).sum())
    places = _addresses(led, columns.rows[wrong])
    return LineFault(
        line,
        how,
        other,
        slot,
        writes,
        pin=False,
        shown=int(shown.sum()),
        could=could,
        right_at=_right_at(led, line, slot, how, other),
        row=int(columns.rows[shown][0]),
        share=float(wrong.mean()),
        addresses=places if how == OTHER and slot is not None and len(places) <= FEW_PLACES else (),
    )


def _addresses(led: Beside, rows: NDArray[np.intp]) -> tuple[int, ...]:
    """At which these rows are; empty where not all address lines are there."""
    if led.names[:16] != ADDRESS_LINES:
        return ()
    return tuple(np.unique((led.levels[rows] & np.uint64(0xFFFF)).astype(np.int64)).tolist())


def _right_at(led: Beside, line: str, slot: int | None, how: str, other_line: str) -> tuple[int, ...]:
    """Slots whose reads have a data line right, both ways, and where what is wrong with it would have shown."""
    if line not in DATA_LINES or slot is None:
        return ()
    found = []
    is_read = ~writing(led)
    for other in np.unique(led.slot).tolist():
        if other < 0 or other == slot:
            continue
        columns = _columns(led, line, is_read & (led.slot == other))
        right = columns.seen == columns.should
        if not (len(right) and right.mean() >= HOLDS and columns.should.any() and not columns.should.all()):
            continue
        guess = next(
            (each for of, with_, each in _guesses(led, line, columns) if (of, with_) == (how, other_line)), None
        )
        if guess is None or (guess != columns.should).sum() >= DECISIVE:
            found.append(other)
    return tuple(found)
