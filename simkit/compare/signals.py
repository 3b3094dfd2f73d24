"""Selects, and lines that cards pull, beside what they should be: where they are captured together with the bus.

A select follows from the address that stands on the bus, whatever the CPU does. IRQ and NMI should be low where the
backplanes that were given the captured accesses all have them so; and the CPU should answer them, and wait for RDY.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.capture.captured import Captured
from simkit.compare.fed import PULLED, Moved
from simkit.compare.followed import Followed
from simkit.compare.led_cpu import IRQ_VECTOR, NMI_VECTOR
from simkit.compare.rows import DOUBTFUL, WRITE_BIT, Rows
from simkit.machine.machine import Machine
from simkit.records.observed import SELECT, AddressLevels

Words = NDArray[np.uint64]
MARGIN, DRIFT = 32, 200
"""Cycles round a change of a pulled line in which nobody can say whether it has come: so many, and a part of the time
since power-on, by which clocks of cards are apart. Ours."""
AT_ONCE = 2
"""The same where it comes on all backplanes in the same cycle: by an access, and not by a clock. Ours."""
SEQUENCE = 5
"""Cycles of an interrupt sequence before it fetches the vector."""
SAMPLED = 3
"""Cycles before an instruction's end in which IRQ must be low all the time for the CPU to answer. Ours; it samples in
the penultimate one."""
EDGE = 24
"""Cycles before the CPU answers NMI in which its edge must be. Ours; an instruction lasts 8 at most, with no waits."""
READY = "RDY"
MOST = 30
"""Lines that are compared beside the bus, at most."""


@attrs.frozen(eq=False)
class Signals:
    """Lines beside those of the bus, a row a cycle.

    Attributes:
        names: bit i of a word belongs to names[i].
        levels: that should be; 0 where it is not known.
        known: lines of which that is known.
        seen: that were captured.
        seen_known: lines of which they are known.
        unanswered: by name, rows in which the CPU does not do what the line tells it to.
        slots: by name, of cards that pull the line.
    """

    names: tuple[str, ...]
    levels: Words
    known: Words
    seen: Words
    seen_known: Words
    unanswered: dict[str, list[int]]
    slots: dict[str, tuple[int, ...]]


def names_of(machine: Machine, captured: Captured) -> tuple[str, ...]:
    """Lines of a capture that are compared beside those of the bus."""
    selects = [f"{seat.slot}.{SELECT}" for seat in machine.bus.seats]
    return tuple(name for name in captured.names if name in (*PULLED, READY, *selects))[:MOST]


def signals(machine: Machine, captured: Captured, rows: Rows, followed: Followed) -> Signals:
    """What these lines should be in each row, and what was captured."""
    names, count = names_of(machine, captured), len(followed.should)
    levels, known, seen, seen_known = np.zeros((4, count), np.uint64)
    found = Signals(names, levels, known, seen, seen_known, {}, {name: followed.fed.pulling(name) for name in PULLED})
    if not names or not count:
        return found
    place = np.array(rows.place[:count], np.int64)
    there = place >= 0
    for mine, theirs in zip((seen, seen_known), captured.gathered(names), strict=True):
        mine[there] = theirs[place[there]]
    selects = [name for name in names if name.endswith(f".{SELECT}")]
    if selects:
        _select(machine, rows, followed, found, selects)
    for bit, name in enumerate(names):
        if name in PULLED:
            level, told = _pulled([moved[name] for moved in followed.fed.moved], followed)
            levels |= (level & told).astype(np.uint64) << np.uint64(bit)
            known |= told.astype(np.uint64) << np.uint64(bit)
    found.unanswered.update(_unanswered(rows, followed, found))
    return found


def _select(machine: Machine, rows: Rows, followed: Followed, found: Signals, selects: Sequence[str]) -> None:
    """Selects go by the address: that which the CPU puts out, where the bus shows the same, or the captured one."""
    count = len(followed.should)
    words, masks, seen = (np.array(each[:count], np.int64) for each in (rows.words, rows.masks, rows.seen))
    should = followed.should
    agrees = (should != DOUBTFUL) & (seen != DOUBTFUL) & ((words ^ should) & masks & (0xFFFF | WRITE_BIT) == 0)
    captured = (should == DOUBTFUL) & (seen != DOUBTFUL)
    index = ((np.where(agrees, should, np.where(captured, seen, 0)) & (0xFFFF | WRITE_BIT)) ^ WRITE_BIT).astype(
        np.uint32
    )
    told = agrees | captured
    banked = followed.fed.cells.banked
    places = [found.names.index(name) for name in selects]
    bounds = [*(row for row, _, _ in followed.decodings[1:]), count]
    levels = AddressLevels(followed.fed.decoder, selects)
    for (begin, number, is_certain), end in zip(followed.decodings, bounds, strict=True):
        here = slice(begin, min(end, count))
        table = levels.at(number, index[here])
        for bit, (place, name) in enumerate(zip(places, selects, strict=True)):
            if not is_certain and int(name.partition(".")[0]) in banked:
                continue
            one = np.uint64(1) << np.uint64(place)
            found.known[here] |= np.where(told[here], one, np.uint64(0))
            found.levels[here] |= np.where(told[here] & (table >> np.uint64(bit) & np.uint64(1) != 0), one, 0)


def _pulled(moved: Sequence[Sequence[Moved]], followed: Followed) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Level of a line in each row, and whether it is known: all backplanes agree, and it did not change just there."""
    cycle, count = followed.cycle, len(followed.should)
    told = np.zeros(count, bool)
    began = followed.fed.began
    if began is None:
        return np.ones(count, bool), told
    told[max(0, began) : followed.fed.lost] = True
    mine = [_level(each, cycle) for each in moved]
    for other in mine[1:]:
        told &= other == mine[0]
    together = {(each.cycle, each.level) for each in moved[0]}.intersection(
        *({(each.cycle, each.level) for each in changes} for changes in moved[1:])
    )
    every = [(each.cycle, (each.cycle, each.level) in together) for changes in moved for each in changes]
    if every:
        changes, at_once = np.array(sorted(set(every)), np.int64).T
        margins = np.where(at_once != 0, AT_ONCE, MARGIN + changes // DRIFT)
        first, behind = np.searchsorted(cycle, changes - margins), np.searchsorted(cycle, changes + margins)
        for begin, end in zip(first.tolist(), behind.tolist(), strict=True):
            told[begin:end] = False
    return mine[0], told


def _level(moved: Sequence[Moved], cycle: NDArray[np.int64]) -> NDArray[np.bool_]:
    levels = np.array([True, *(each.level for each in moved)], bool)
    at = np.searchsorted(np.array([each.cycle for each in moved], np.int64), cycle, side="right")
    found: NDArray[np.bool_] = levels[at]
    return found


# what the CPU does on them -------------------------------------------------------------------------------------------


def _unanswered(rows: Rows, followed: Followed, found: Signals) -> dict[str, list[int]]:
    """Rows in which the CPU does not answer a line, or answers what it does not say."""
    answers: dict[str, list[int]] = {}
    count = len(followed.should)
    column = {name: _column(found, bit) for bit, name in enumerate(found.names)}
    vectors = _interrupts(followed)
    starts = [row for row, _ in followed.starts]
    if "IRQ" in column:
        level, told = column["IRQ"]
        answers["IRQ"] = rows_found = []
        for at, row in enumerate(starts[1:], 1):
            sampled = slice(max(0, row - SAMPLED), row)
            if row >= count or not told[sampled].all():
                continue
            if vectors.get(row) == IRQ_VECTOR:
                if level[sampled].all():
                    rows_found.append(row)
            elif row not in vectors and not level[sampled].any() and followed.masked[at - 1 : at + 1] == [0, 0]:
                rows_found.append(row)
    if "NMI" in column and not (rows.held and any(rows.held)):
        level, told = column["NMI"]
        answers["NMI"] = [
            row
            for row, vector in vectors.items()
            if vector == NMI_VECTOR and told[(near := slice(max(0, row - EDGE), row))].all() and level[near].all()
        ]
    if READY in column:
        level, told = column[READY]
        should, seen = followed.should, np.array(rows.seen[:count], np.int64)
        goes_on = (seen[:-1] != DOUBTFUL) & (seen[1:] != DOUBTFUL) & (seen[:-1] != seen[1:])
        goes_on &= (should[:-1] != DOUBTFUL) & (should[1:] != DOUBTFUL) & (should[:-1] & WRITE_BIT == 0)
        answers[READY] = np.flatnonzero(goes_on & told[:-1] & ~level[:-1]).tolist()
    return answers


def _column(found: Signals, bit: int) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    one = np.uint64(1) << np.uint64(bit)
    return found.seen & one != 0, found.seen_known & one != 0


def _interrupts(followed: Followed) -> dict[int, int]:
    """Vector of each interrupt sequence, by the row in which it begins; BRK is none: it reads on."""
    should = followed.should
    found = {}
    starts = [row for row, _ in followed.starts]
    for vector in (IRQ_VECTOR, NMI_VECTOR):
        for row in np.flatnonzero(should == vector).tolist():
            at = bisect_right(starts, row) - 1
            begin = row - SEQUENCE
            if at >= 0 and begin >= 0 and starts[at] == begin and should[begin] & 0xFFFF == should[begin + 1] & 0xFFFF:
                found[begin] = vector
    return found
