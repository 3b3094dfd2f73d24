"""Short sequences of bus cycles, by which a capture and a run are held against each other wherever they stand.

Power-up noise, the phases of crystals and the moments of input move things in time: a waiting loop makes a few rounds
more, an interrupt comes later. What a short sequence of cycles shows stays. So a capture is taken as the sequences in
it, each of so many cycles that they say about as much whether 24 lines are seen or eight.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

Words = NDArray[np.uint64]

BITS_WANTED = 40
"""Levels that a sequence should hold."""
LEAST, MOST = 2, 10
"""Cycles of a sequence."""
_ODD = np.uint64(0x9E37_79B9_7F4A_7C15)  # 2**64 over the golden ratio: spreads what is near (D. E. Knuth, TAOCP 3, 6.4)
_OTHER = np.uint64(0xD6E8_FEB8_6659_FD93)  # another odd number, of no meaning
_SHIFT = np.uint64(32)
_TOP_BITS = 18
"""By so many bits of their numbers most sequences are known not to be wanted, which are a few thousand; of many so
many more that there are 16 times as many numbers of these bits."""


def length_of(lines: int) -> int:
    """Cycles of a sequence where so many lines are seen."""
    return max(LEAST, min(MOST, -(-BITS_WANTED // max(1, lines))))


def grams(levels: Words, mask: int, length: int) -> Words:
    """Numbers of the sequences of `length` cycles, of those lines that a mask has; (n - length + 1,)."""
    if len(levels) < length:
        return np.zeros(0, np.uint64)
    return _joined(_spread(levels & np.uint64(mask)), length)


def _joined(seen: Words, length: int) -> Words:
    """Numbers of the sequences of that many numbers: of halves, each made once."""
    if length == 1:
        return seen
    half = length // 2
    halves = _joined(seen, half)
    found = halves[: len(halves) - half] * _power(half) + halves[half:]
    if length % 2:
        found = found[:-1] * _ODD + seen[length - 1 :]
    return found


def _power(number: int) -> np.uint64:
    return np.uint64(pow(int(_ODD), number, 1 << 64))


def changed(levels: Words, mask: int, length: int, lines: Sequence[int]) -> Words:
    """Numbers of the sequences of `grams` as they would be with one of their bits otherwise.

    Args:
        levels: a word a cycle.
        mask: lines that count.
        length: cycles of a sequence.
        lines: bits of which one is otherwise.

    Returns:
        (lines, length, n): of a line, the cycles from there to the end of the sequence, and the sequence.
    """
    right = grams(levels, mask, length)
    found = np.empty((len(lines), length, len(right)), np.uint64)
    seen = levels & np.uint64(mask)
    for number, line in enumerate(lines):
        more = _spread(seen ^ np.uint64(1 << line)) - _spread(seen)
        for back in range(length):
            begin = length - 1 - back
            found[number, back] = right + more[begin : begin + len(right)] * _power(back)
    return found


def one_bit_wrong(windows: Words, lines: Sequence[int], settled: Callable[[Words], Words]) -> Words:
    """Numbers of sequences as they would be with one of their bits otherwise.

    Args:
        windows: levels of each, (n, length), of the lines that are seen alone.
        lines: bits of these lines.
        settled: takes from levels what does not count.

    Returns:
        (n, length * lines).
    """
    n, length = windows.shape
    found = np.empty((n, length, len(lines)), np.uint64)
    right = np.stack([settled(windows[:, cycle]) for cycle in range(length)], axis=1)
    for cycle in range(length):
        for place, line in enumerate(lines):
            wrong = right.copy()
            wrong[:, cycle] = settled(windows[:, cycle] ^ np.uint64(1 << line))
            found[:, cycle, place] = numbers(wrong)
    return found.reshape(n, length * len(lines))


def numbers(windows: Words) -> Words:
    """Numbers of sequences, each a row of levels."""
    seen = _spread(windows)
    found: Words = seen[:, 0].copy()
    for step in range(1, windows.shape[1]):
        found = found * _ODD + seen[:, step]
    return found


def _spread(levels: Words) -> Words:
    seen = levels * _ODD
    seen ^= seen >> _SHIFT
    seen *= _OTHER
    seen ^= seen >> _SHIFT
    return seen


class Wanted:
    """Sequences that are looked for in many others, faster than the others could be put in order.

    Args:
        ordered: their numbers, each once, in order.
    """

    def __init__(self, ordered: Words) -> None:
        self.ordered = ordered
        bits = max(_TOP_BITS, len(ordered).bit_length() + 4)
        self._below_top = np.uint64(64 - bits)
        self._may_be = np.zeros(1 << bits, bool)
        self._may_be[ordered >> self._below_top] = True

    def shown_by(self, some: Words, bits: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """What bits beside sequences come to for each of them, those of equal ones together; shape of `ordered`."""
        found = np.zeros(len(self.ordered), np.uint8)
        which, at = self.met(some)
        np.bitwise_or.at(found, at, bits[which])
        return found

    def met(self, some: Words) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Which of some sequences are among them, and where in `ordered` each of those stands."""
        near = np.flatnonzero(self._may_be[some >> self._below_top])
        at = np.searchsorted(self.ordered, some[near])
        near, at = near[at < len(self.ordered)], at[at < len(self.ordered)]
        there = self.ordered[at] == some[near]
        return near[there], at[there]


def among(some: Words, ordered: Words) -> NDArray[np.bool_]:
    """Which of some numbers are among others, which are in order."""
    if not len(ordered):
        return np.zeros(len(some), bool)
    at = np.searchsorted(ordered, some)
    at[at == len(ordered)] = 0
    found: NDArray[np.bool_] = ordered[at] == some
    return found
