"""What cannot be noise in a row of sequences of bus cycles, and how far runs of one fault go together.

A CPU that runs astray executes what the power-up left in memory. Up to there all runs of one fault are alike, behind it
none is like another; so what the runs of a candidate show of one another says how much of a capture it has to explain.
"""

from __future__ import annotations

import attrs
import numpy as np
from numpy.typing import NDArray

WRONG_BITS = 0.01
"""Part of the cycles in which an analyser may have a line wrong."""
MOST_AGAIN, DEVIATIONS = 2, 5
"""The same wrong bit at the same place of a loop comes so often by chance, and so many standard deviations more."""
LONG = 3
"""Times the length of a sequence by which it may chance to be known less far how a run goes on."""
MOST = 0.75
"""Part of a stretch that is explained at least where what comes is foretold."""
FIRST_CYCLES = 8
"""Of a capture that begins with RESET: the program counter and the stack pointer are of the power-up until the vector
is read (W65C02S data sheet, section 3: RESB takes seven cycles)."""
FAR = 20_000
"""Sequences behind where runs part that are looked into."""

FEW = 800
"""Different sequences, unexplained, of which it is asked whether they are one bit from what is explained."""


@attrs.frozen
class Steadiness:
    """What runs of one class show of one another, each held against the others, behind where they part.

    Attributes:
        strange: places at which one shows what the others do not, up to where they go together: the most.
        reach: how much farther one is explained by the others than by runs without a fault, the least, in sequences;
            very many where it is to the end.
    """

    strange: int
    reach: int


def strange_places(
    unexplained: NDArray[np.bool_],
    near: NDArray[np.bool_],
    number: NDArray[np.intp],
    counts: NDArray[np.intp],
    length: int,
    lines: int,
) -> int:
    """At how many places a row of sequences is unexplained, and it is no noise.

    A wrong bit makes sequences that are one bit from what is explained, and the same one again only as often as chance
    has it; two wrong bits side by side make fewer in a row than a cycle that is another.

    Args:
        unexplained: of the different sequences in it.
        near: those of them that are one bit from what is explained.
        number: of each of its places which of them stands there.
        counts: how often each comes.
        length: cycles of a sequence.
        lines: that are seen.
    """
    again = unexplained & near & (counts > most_by_noise(number, counts, length, lines))
    odd = (unexplained & ~near)[number]
    return int(again.sum()) + _stretches(odd, length)


def most_by_noise(number: NDArray[np.intp], counts: NDArray[np.intp], length: int, lines: int) -> NDArray[np.float64]:
    """How often noise makes each of the different sequences at most, of one that stands in the same place.

    Args:
        number: of each place of a row which of them stands there.
        counts: how often each comes.
        length: cycles of a sequence.
        lines: that are seen.
    """
    beside = np.maximum(_moved(counts[number], length), _moved(counts[number], -length))
    round_them = np.zeros(len(counts), np.int64)
    np.maximum.at(round_them, number, beside)
    chance = np.maximum(round_them, counts) * (WRONG_BITS / lines)
    found: NDArray[np.float64] = np.maximum(1, MOST_AGAIN + chance + DEVIATIONS * np.sqrt(chance))
    return found


def _moved(row: NDArray[np.intp], by: int) -> NDArray[np.intp]:
    """A row whose places each hold what stood so many before."""
    found = np.zeros_like(row)
    if by > 0:
        found[by:] = row[:-by]
    else:
        found[:by] = row[-by:]
    return found


def reach_of(explained: NDArray[np.bool_]) -> int:
    """Length of the beginning of a row of flags in which most are set, and behind which most are not."""
    begin = int(explained[:FIRST_CYCLES].argmax()) if len(explained) else 0
    gained = np.cumsum(np.where(explained[begin:], 1.0 - MOST, -MOST))
    best = int(gained.argmax()) if len(gained) else 0
    return begin + best + 1 if len(gained) and gained[best] > 0 else 0


def _stretches(odd: NDArray[np.bool_], least: int) -> int:
    """How many stretches of flags that are set are in a row, of at least that length."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], odd, [False])).astype(np.int8)))
    return int((edges[1::2] - edges[::2] >= least).sum())
