"""Lines of which a candidate says that nobody drives them, and that somebody plainly drives.

Nobody knows what stands on a line that nobody drives: it may keep its level, be pulled, follow a line beside it, or go
by chance. None of these has it go both up and down, away from what it was and from the lines beside it, at some
addresses and not at others: there by what came when they were reached last, or by the byte that a ROM holds there.
"""

from __future__ import annotations

from collections.abc import Iterator

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.select import ADDRESS_LINES
from simkit.backplane.wiring import DATA_LINES

Bits = NDArray[np.int64]
Flags = NDArray[np.bool_]

SURE, EACH_WAY = 10 * np.log(10), 2 * np.log(10)
"""Logarithm of how much less likely the levels are by chance than by the address: up and down together, and each for
itself. Ours: some eight ways in which lines beside it may stand are asked, for each of eight lines.
"""
APART = 1 / 3
"""By how much more of the places a line leaves its level where it should than where it should not. Ours: where a card
hears another address than the CPU puts out, every second byte may be another."""
FEWEST = 2
"""Places at which it leaves its level, and at which it stays, up and down: a misread bit makes one. Ours."""
ALIKE = 0.9
"""Part of the places at which another line is as this one, for it to be why. Ours."""


@attrs.frozen(eq=False)
class Accesses:
    """Bus cycles of a capture, in order.

    Attributes:
        address: int64 of shape (n,): that the CPU puts out; -1 where it is not known.
        data: uint8 of shape (n,): what was on the data lines.
        known: uint8 of shape (n,): bits of it that are known.
        before: uint8 of shape (n,): what would be there if it was kept, or pulled as the machine has it.
        undriven: uint8 of shape (n,): bits that nobody would drive; of these, data and `before` are known.
        held: int64 of shape (n,): the byte that a ROM of the sound machine has at the address; -1 where none has.
    """

    address: Bits
    data: NDArray[np.uint8]
    known: NDArray[np.uint8]
    before: NDArray[np.uint8]
    undriven: NDArray[np.uint8]
    held: Bits


def driven(of: Accesses) -> tuple[int, list[int]]:
    """The first data line that goes by the address though nobody would drive it, and the rows in which it moves.

    No rows where there is none.
    """
    last = _last(of.address)
    for line in range(len(DATA_LINES)):
        if not (of.undriven >> line & 1).any():
            continue
        beside, there = _beside(of, line)
        for rows, told in _foretold(of, last, line, there):
            if _goes_by(of, line, rows, told, beside[rows]):
                return line, rows[(of.data[rows] ^ of.before[rows]) >> line & 1 != 0].tolist()
    return 0, []


def _beside(of: Accesses, line: int) -> tuple[Bits, Flags]:
    """How those lines beside it stand that are driven; and rows in which these are known and nobody would drive it."""
    found, there = np.zeros(len(of.data), np.int64), of.undriven >> line & 1 != 0
    for beside in (line - 1, line + 1):
        if 0 <= beside < len(DATA_LINES):
            is_driven = of.undriven >> beside & 1 == 0
            found = found << 1 | (is_driven & (of.data >> beside & 1 != 0))
            there &= ~is_driven | (of.known >> beside & 1 != 0)
    return found, there


def _foretold(of: Accesses, last: Bits, line: int, there: Flags) -> Iterator[tuple[Bits, Bits]]:
    """Rows, and levels by which the line may go in them."""
    again = np.flatnonzero(there & (last >= 0) & (of.known[last] >> line & 1 != 0))
    yield again, of.data[last[again]].astype(np.int64) >> line & 1
    held = np.flatnonzero(there & (of.held >= 0))
    for bit in range(len(DATA_LINES)):
        yield held, of.held[held] >> bit & 1


def _goes_by(of: Accesses, line: int, rows: Bits, told: Bits, beside: Bits) -> bool:
    """Whether a line goes by these levels, or against them.

    A place is an address with what was on the line, how those beside it stand, and what is foretold: a loop that comes
    by a thousand times says no more than once. Compared is how likely it is to leave its level where that is foretold,
    where it is not, and at all; for itself wherever it was the same and those beside it stand alike.
    Source: S. S. Wilks, The large-sample distribution of the likelihood ratio for testing composite hypotheses, Annals
    of Mathematical Statistics 9, 1938.

    Args:
        of: the bus cycles.
        line: number of a data line.
        rows: in which it is looked at.
        told: levels by which it may go in them.
        beside: how the lines beside it stand in them, below 4.
    """
    was = of.before[rows].astype(np.int64) >> line & 1
    level = of.data[rows].astype(np.int64) >> line & 1
    key = ((of.address[rows] << 1 | was) << 2 | beside) << 1 | told
    places, number, counts = np.unique(key, return_inverse=True, return_counts=True)
    moves = 2 * np.bincount(number, level != was, len(places)) > counts
    had, alike, is_foretold = places >> 3 & 1, places >> 1 & 0b111, (places & 1) != (places >> 3 & 1)
    ways = [_compared(moves[had == one], alike[had == one], is_foretold[had == one]) for one in (0, 1)]
    sure = [likely for likely, _ in ways]
    is_sure = sum(sure) > SURE and min(sure) > EACH_WAY
    is_one_way = all(more >= APART for _, more in ways) or all(more <= -APART for _, more in ways)
    return is_sure and is_one_way and not _is_as_another(of, line, rows, 1 / counts[number])


def _compared(moves: Flags, alike: Bits, is_foretold: Flags) -> tuple[float, float]:
    """Logarithm of how much likelier places are told apart by what is foretold, and how much more move where it is.

    Args:
        moves: places in which the line moves.
        alike: of each a number, the same where nothing else is different.
        is_foretold: where it should move.
    """
    sure = more = weights = 0.0
    for one in np.unique(alike).tolist():
        over, stay = moves[(alike == one) & is_foretold], moves[(alike == one) & ~is_foretold]
        if len(over) and len(stay):
            sure += _likelihood(over) + _likelihood(stay) - _likelihood(np.concatenate((over, stay)))
            weight = len(over) * len(stay) / (len(over) + len(stay))
            more, weights = more + weight * float(over.mean() - stay.mean()), weights + weight
    goes, stays = (moves, ~moves) if more > 0 else (~moves, moves)
    if not weights or min(goes[is_foretold].sum(), stays[~is_foretold].sum()) < FEWEST:
        return 0.0, 0.0
    return sure, more / weights


def _likelihood(flags: Flags) -> float:
    """Logarithm of the chance of flags, each set as often as they are."""
    share = float(flags.mean())
    return 0.0 if share in (0.0, 1.0) else len(flags) * (share * np.log(share) + (1 - share) * np.log(1 - share))


def _is_as_another(of: Accesses, line: int, rows: Bits, weights: NDArray[np.float64]) -> bool:
    """Whether another line, that somebody drives, is as this one: high and low, where it stays and where it moves."""
    words = of.address[rows] | of.data[rows].astype(np.int64) << len(ADDRESS_LINES)
    undriven = of.undriven[rows].astype(np.int64) << len(ADDRESS_LINES)
    own = len(ADDRESS_LINES) + line
    ways = (of.before[rows] >> line & 1) << 1 | of.data[rows] >> line & 1
    for other in range(len(ADDRESS_LINES) + len(DATA_LINES)):
        alike = (words >> other ^ words >> own | undriven >> other) & 1 == 0
        if (np.bincount(ways, weights * alike) >= ALIKE * np.bincount(ways, weights)).all():
            return True
    return False


def _last(address: Bits) -> Bits:
    """Of each row, the one before it with the same address; -1 where there is none."""
    found = np.full(len(address), -1, np.int64)
    order = np.argsort(address, kind="stable")
    is_same = (address[order][1:] == address[order][:-1]) & (address[order][1:] >= 0)
    found[order[1:][is_same]] = order[:-1][is_same]
    return found
