"""What is wrong with a line, told by the columns of a led capture: low, high, inverted, follows, exchanged, late, open.

A guess says which level a line would have had in each cycle. It holds where nearly all cycles agree with it, also those
in which it is not the level that should be. Address pins of a ROM are guessed at by what the ROM holds elsewhere.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Protocol

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.select import ADDRESS_LINES
from simkit.backplane.wiring import DATA_LINES
from simkit.compare.free import Free
from simkit.compare.judged import LINES, Led
from simkit.compare.worlds import DATA_SHIFT
from simkit.machine.machine import Machine

HOLDS = 0.95
"""Share of the cycles that agree with a guess which holds. Ours: captures are wrong in about a hundredth."""
DECIDES = 0.85
"""The same of those cycles in which the guess is not the level that should be. Ours."""
CERTAIN = 12
"""Cycles that must show it, where nothing but a run says what should be. Ours."""
WAKE = 0.02
"""Of the cycles that show the gravest, and of those that were looked at: less is what follows from it. Ours."""
MANY = 3
"""Data lines of one card that are wrong together: an address pin is looked at before each of them is. Ours."""
FEW_PLACES = 4
"""Addresses at which alone a ROM is wrong, so that it is its content. Ours."""

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


@attrs.frozen(eq=False)
class _Columns:
    """Levels of one line: what should be, what was seen, in the rows in which both are known."""

    rows: NDArray[np.intp]
    should: NDArray[np.bool_]
    seen: NDArray[np.bool_]


def diagnose(machine: Machine, led: Led) -> list[LineFault]:
    """What is wrong with lines, those of the bus first."""
    wrong_control = wrong_write = 0
    wrong_read: dict[int, int] = {}
    for each in led.disagreements:
        wrong_control |= each.control
        if each.is_write:
            wrong_write |= each.data
        elif each.slot is not None:
            wrong_read[each.slot] = wrong_read.get(each.slot, 0) | each.data
    every = np.ones(len(led), bool)
    found = [_line(led, LINES[bit], every, None, writes=False) for bit in _bits(wrong_control)]
    is_write = writing(led)
    found += [_line(led, DATA_LINES[bit], is_write, None, writes=True) for bit in _bits(wrong_write)]
    for slot, bits in sorted(wrong_read.items()):
        mine = ~is_write & (led.slot == slot)
        pin = _address_pin(machine, led, slot, mine) if bits.bit_count() >= MANY else None
        if pin is not None:
            found.append(pin)
        else:
            found += [_line(led, DATA_LINES[bit], mine, slot, writes=False) for bit in _bits(bits)]
    return _told(each for each in found if each is not None)


def diagnose_free(found: Free) -> list[LineFault]:
    """What is wrong with lines of a capture beside a run: those alone for which a guess holds."""
    is_write = writing(found)
    told: list[LineFault | None] = []
    for line in found.names:
        if line in DATA_LINES:
            slots = np.unique(found.slot[found.slot >= 0]).tolist()
            told += [_line(found, line, ~is_write & (found.slot == slot), slot, writes=False) for slot in slots]
            told.append(_line(found, line, is_write, None, writes=True))
        else:
            told.append(_line(found, line, np.ones(len(found.levels), bool), None, writes=False))
    return _told(each for each in told if each is not None and each.how != OTHER and each.shown >= CERTAIN)


def _told(found: Iterable[LineFault]) -> list[LineFault]:
    """The gravest first; what is no more than the wake of another stays away."""
    ranked = sorted(found, key=lambda each: (each.how == OTHER and not each.addresses, -each.shown))
    if not ranked:
        return []
    most = ranked[0].shown
    return [each for each in ranked if each.shown >= WAKE * most and (each is ranked[0] or each.share >= WAKE)]


def _bits(word: int) -> Iterator[int]:
    return (bit for bit in range(word.bit_length()) if word >> bit & 1)


def _columns(led: Beside, line: str, scope: NDArray[np.bool_]) -> _Columns:
    one = np.uint64(1) << np.uint64(led.names.index(line))
    rows = np.flatnonzero(scope & (led.known & led.seen_known & one != 0))
    return _Columns(rows, led.levels[rows] & one != 0, led.seen[rows] & one != 0)


def _level(led: Beside, words: NDArray[np.uint64], rows: NDArray[np.intp], line: str) -> NDArray[np.bool_]:
    found: NDArray[np.bool_] = words[rows] >> np.uint64(led.names.index(line)) & np.uint64(1) != 0
    return found


def _guesses(led: Beside, line: str, columns: _Columns) -> Iterator[tuple[str, str, NDArray[np.bool_]]]:
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
    for kind in (ADDRESS_LINES, DATA_LINES, ("RW", "SYNC")):
        if line in kind:
            number = kind.index(line)
            others = [other for other in kind if other != line and other in led.names]
            return sorted(others, key=lambda other: abs(kind.index(other) - number))
    return []


def _line(led: Beside, line: str, scope: NDArray[np.bool_], slot: int | None, *, writes: bool) -> LineFault | None:
    columns = _columns(led, line, scope)
    wrong = columns.seen != columns.should
    if not wrong.any():
        return None
    best = (0.0, OTHER, "", wrong)
    for how, other, guess in _guesses(led, line, columns):
        decisive = guess != columns.should
        agrees = guess == columns.seen
        if not decisive.any() or agrees[decisive].mean() < DECIDES:
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
        right_at=_right_at(led, line, slot),
        row=int(columns.rows[shown][0]),
        share=float(wrong.mean()),
        addresses=places if how == OTHER and slot is not None and len(places) <= FEW_PLACES else (),
    )


def _addresses(led: Beside, rows: NDArray[np.intp]) -> tuple[int, ...]:
    """At which these rows are; empty where not all address lines are there."""
    if led.names[:16] != ADDRESS_LINES:
        return ()
    return tuple(np.unique((led.levels[rows] & np.uint64(0xFFFF)).astype(np.int64)).tolist())


def _right_at(led: Beside, line: str, slot: int | None) -> tuple[int, ...]:
    """Slots whose reads have a data line right, both ways."""
    if line not in DATA_LINES or slot is None:
        return ()
    found = []
    is_read = ~writing(led)
    for other in np.unique(led.slot).tolist():
        if other < 0 or other == slot:
            continue
        columns = _columns(led, line, is_read & (led.slot == other))
        right = columns.seen == columns.should
        if len(right) and right.mean() >= HOLDS and columns.should.any() and not columns.should.all():
            found.append(other)
    return tuple(found)


def _address_pin(machine: Machine, led: Led, slot: int, scope: NDArray[np.bool_]) -> LineFault | None:
    """The address pin of a ROM that is wrong: its bytes are right, and stand elsewhere in it."""
    seat = next((seat for seat in machine.bus.seats if seat.slot == slot), None)
    plain = seat.plain if seat is not None else None
    if plain is None or plain.read is None or not plain.ignores_writes:
        return None
    content = np.frombuffer(bytes(plain.read), np.uint8)
    all_data = np.uint64(0xFF << DATA_SHIFT)
    rows = np.flatnonzero(scope & (led.known & led.seen_known & all_data == all_data))
    if not len(rows):
        return None
    bus = np.uint64(0xFFFF)  # where the CPU was not in step the captured address stands for its own
    own = led.known[rows] & bus == bus
    address = (np.where(own, led.levels[rows], led.seen[rows]) & bus).astype(np.int64)
    seen = (led.seen[rows] >> np.uint64(DATA_SHIFT)).astype(np.uint8)
    size, should = len(content), content[address % len(content)]
    best: tuple[float, str, str, int, NDArray[np.bool_]] | None = None
    for how, other, bit, guess in _address_guesses(address, size):
        bytes_ = content[guess % size]
        decisive, agrees = bytes_ != should, bytes_ == seen
        if not decisive.any() or agrees[decisive].mean() < DECIDES or agrees.mean() < HOLDS:
            continue
        if best is None or agrees.mean() > best[0]:
            best = (float(agrees.mean()), how, other, bit, decisive & agrees)
    if best is None:
        return None
    _, how, other, bit, shown = best
    decides = int(shown.sum())
    return LineFault(
        ADDRESS_LINES[bit],
        how,
        other,
        slot,
        False,
        True,
        decides,
        decides,
        (),
        int(rows[np.flatnonzero(shown)[0]]),
        1.0,
    )


def _address_guesses(address: NDArray[np.int64], size: int) -> Iterator[tuple[str, str, int, NDArray[np.int64]]]:
    pins = max(1, (size - 1).bit_length())
    for bit in range(pins):
        yield LOW, "", bit, address & ~(1 << bit)
        yield HIGH, "", bit, address | 1 << bit
        for other in range(pins):
            theirs = address >> other & 1
            if other > bit:
                mine = address >> bit & 1
                both = address & ~(1 << bit | 1 << other)
                yield EXCHANGED, ADDRESS_LINES[other], bit, both | theirs << bit | mine << other
            if other != bit:
                yield FOLLOWS, ADDRESS_LINES[other], bit, address & ~(1 << bit) | theirs << bit
