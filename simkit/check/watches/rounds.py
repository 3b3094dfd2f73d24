"""Rounds of loops that are alike on the bus: the rules need the first three of them and the last.

Rules count up to three and keep the cycle of the last.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from simkit.backplane.cycle import Kind
from simkit.backplane.records import KIND_SHIFT

_FETCH, _READ = int(Kind.FETCH), int(Kind.DATA)

WHAT = (1 << KIND_SHIFT + 4) - 1
"""Bits of a record that say what was done: all but the cycle."""

FEW = 200
"""Accesses that are looked at one by one sooner than sorted out."""

LONGEST_ROUND = 4
"""Reads of shared cells in one round of a loop that waits, so that its rounds are seen to be alike."""

LONGEST_PERIOD = 256
"""Bus cycles of the longest round that is looked for."""

LEAST = 16 * LONGEST_PERIOD
"""Records from which on it pays to look."""


def without_rounds(what: NDArray[np.uint32], answered: Sequence[int]) -> NDArray[np.intp] | None:
    """Numbers of the records that are left without the middle rounds of a loop that waits; None: all.

    Rounds that are left out are alike to the last bit, so what is left is a program that waits less long: registers
    that no bus cycle shows change nothing that a rule looks at.

    Args:
        what: address, byte and kind of each record.
        answered: numbers of records that cards answered, rising; rounds with one of them stay.
    """
    period = _period(what) if len(what) >= LEAST else 0
    if not period:
        return None
    changes = np.flatnonzero(what[period:] != what[:-period]) + period  # other than a round before
    changes = np.sort(np.concatenate(([period - 1], changes, answered, [len(what)])).astype(np.intp))
    begin = changes[:-1] + 1 + 2 * period  # a first round stands before the change, two behind it
    dropped = (changes[1:] - period - begin) // period * period
    long = dropped > 0
    if not long.any():
        return None
    kept = np.ones(len(what), bool)
    for first, number in zip(begin[long].tolist(), dropped[long].tolist(), strict=True):
        kept[first : first + number] = False
    left: NDArray[np.intp] = kept.nonzero()[0]
    return left


def _period(what: NDArray[np.uint32]) -> int:
    """Bus cycles of a round of the loop in which some records end; 0 when they end in none that is alike."""
    tail = what[-LONGEST_PERIOD:]
    fetches = np.flatnonzero(tail >> KIND_SHIFT == _FETCH)
    if not len(fetches):
        return 0
    same = np.flatnonzero(tail == tail[fetches[-1]])
    if len(same) < 2:
        return 0
    period = int(same[-1] - same[-2])
    return period if (what[-3 * period :] == what[-4 * period : -period]).all() else 0


def first_and_last(what: NDArray[np.uint32], by: NDArray[np.int64]) -> NDArray[np.intp]:
    """Which of some accesses are needed: of equal reads in the rounds of a loop the first three and the last.

    Rules count up to three and keep the cycle of the last. A store between two rounds makes them different.

    Args:
        what: address, byte and kind of each access.
        by: the instruction that made it, and the flag I.
    """
    needed = np.arange(len(what))
    if len(what) < FEW:
        return needed
    same = by << 32 | what
    stores = None
    for lag in range(1, LONGEST_ROUND + 1):
        if len(same) <= 4 * lag:
            break
        alike = same[lag:] == same[:-lag]
        rounds = alike[: -3 * lag] & alike[lag : -2 * lag] & alike[2 * lag : -lag] & alike[3 * lag :]
        if lag > 1:  # with nothing in between there is no store in between either
            if stores is None:
                stores = np.cumsum(same >> KIND_SHIFT & 0xF != _READ)
            rounds &= stores[4 * lag :] == stores[: -4 * lag]
        if rounds.any():
            kept = np.ones(len(same), bool)
            kept[3 * lag : -lag] = ~rounds
            needed, same = needed[kept], same[kept]
            stores = None if stores is None else stores[kept]
    return needed
