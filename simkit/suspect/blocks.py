"""Pictures, texts and memory in small blocks, and how what was seen fits what a candidate's own runs show.

A block that all power-ups of a candidate show alike is told by it for sure: what was seen must be so. Where they differ
(memory that nobody set up, the moment of an input) the candidate tells nothing, and nothing there speaks against it. So
nobody has to say how alike is alike enough: what the runs of a candidate show of one another is the measure.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cached_property

import attrs
import numpy as np
from numpy.typing import NDArray

Blocks = NDArray[np.uint64]
"""Numbers of blocks, (n,): equal where they show the same."""

TILE = 8
"""Rows and columns of a block of pixels: a letter of the usual fonts, so that noise is not alike by chance."""
LETTERS = 4
"""Letters of a block of text."""
WRONG = 7.0
"""What a block that is surely wrong costs: the logarithm of a thousand, about."""
MISSED, HIT = 3.0, 1.0
"""What one costs that runs show in several ways, where it is none of them, and where it is one."""
HELD_BACK = 4
"""Late moments of a run that are held against the others."""
FEW_WRONG = 1.5
"""Blocks by which two that are alike may differ still: a cursor, a letter that comes a moment later."""
_ODD = np.uint64(0x9E37_79B9_7F4A_7C15)  # 2**64 over the golden ratio: spreads what is near (D. E. Knuth, TAOCP 3, 6.4)
_SHIFT = np.uint64(29)


def of_pixels(pixels: NDArray[np.uint8]) -> Blocks:
    """Squares of pixels, row by row."""
    rows, columns = (-(-size // TILE) * TILE for size in pixels.shape)
    whole = np.zeros((rows, columns), np.uint64)
    whole[: pixels.shape[0], : pixels.shape[1]] = pixels
    squares = whole.reshape(rows // TILE, TILE, columns // TILE, TILE).transpose(0, 2, 1, 3)
    return _numbers(squares.reshape(-1, TILE * TILE))


def of_text(lines: Sequence[str], rows: int, columns: int) -> Blocks:
    """Pieces of lines; what is beyond so many rows and columns does not count."""
    return _numbers(of_letters(lines, rows, -(-columns // LETTERS) * LETTERS).reshape(-1, LETTERS))


def of_letters(lines: Sequence[str], rows: int, columns: int) -> Blocks:
    """Letters of lines, each a block."""
    whole = "".join(line[:columns].ljust(columns) for line in [*lines[:rows], *[""] * (rows - len(lines))])
    return np.frombuffer(whole.encode("utf-32-le", "surrogatepass"), np.uint32).astype(np.uint64)


def sorts_of_letters(letters: Blocks) -> list[int]:
    """How many of some letters are capitals, small ones, digits, and other signs but blanks."""
    ranges = [(letters >= ord(first)) & (letters <= ord(last)) for first, last in ("AZ", "az", "09")]
    other = ~np.logical_or.reduce(ranges) & (letters != ord(" "))
    return [int(one.sum()) for one in (*ranges, other)]


def _numbers(parts: NDArray[np.uint64]) -> Blocks:
    found = np.zeros(len(parts), np.uint64)
    for column in range(parts.shape[1]):
        found = (found ^ parts[:, column]) * _ODD
        found ^= found >> _SHIFT
    return found


@attrs.frozen
class Fit:
    """How what was seen fits what runs show.

    Attributes:
        cost: 0 where all of it is shown, by all of them.
        wrong: blocks that all of them show otherwise.
        right: part of those that are no background which is right.
        off: blocks that the run shows otherwise which is most alike.
    """

    cost: float
    wrong: int
    right: float
    off: int


NO_FIT = Fit(1e9, 1 << 30, 0.0, 1 << 30)


def fit(seen: Blocks, own: NDArray[np.uint64]) -> Fit:
    """Hold what was seen against what runs show.

    Args:
        seen: (n,).
        own: (runs, n).
    """
    if own.shape[1] != len(seen):
        return NO_FIT
    if not len(seen):
        return Fit(0.0, 0, 1.0, 0)
    there = own == seen
    hit = there.any(axis=0)
    stable = (own == own[0]).all(axis=0)
    wrong = int((stable & ~hit).sum())
    mixed = WRONG * wrong + _unsteady(seen, own, ~stable, hit)
    off = int((~there).sum(axis=1).min())
    one_run = WRONG * off + MISSED  # it may go as one of them goes, in every block
    cost = min(mixed, one_run)
    wrong = min(wrong, off)
    kinds, counts = np.unique(seen, return_counts=True)
    drawn = (seen != kinds[counts.argmax()]) | ~hit
    right = float(hit[drawn].mean()) if drawn.any() else 1.0
    return Fit(cost, wrong, right, off)


def _unsteady(seen: Blocks, own: NDArray[np.uint64], unsteady: NDArray[np.bool_], hit: NDArray[np.bool_]) -> float:
    """What blocks cost that runs show in several ways.

    Blocks that are the same as one another in each run (a screen of one colour, which noise has chosen) are drawn once:
    together they cost as one, and one of them that goes another way than the rest is surely wrong.
    """
    if not unsteady.any():
        return 0.0
    drawn, both = _numbers(own.T), _numbers(np.vstack((seen, own)).T)
    met = len(np.unique(both[unsteady & hit]))
    _, at, counts = np.unique(both[unsteady & ~hit], return_index=True, return_counts=True)
    groups, group = np.unique(drawn[unsteady & ~hit][at], return_inverse=True)
    most = np.zeros(len(groups), np.int64)
    np.maximum.at(most, group, counts)
    return HIT * met + MISSED * len(groups) + WRONG * int(counts.sum() - most.sum())


@attrs.define(eq=False, slots=False)
class Shown:
    """What was seen, and what the runs of a candidate show at some moments, in the same blocks.

    Attributes:
        seen: (n,).
        own: (runs, moments, n).
        smaller: both in smaller blocks, to count them, where there are such.
        sorts: counts of some small blocks by their sort, where there are sorts; None: there are none.
    """

    seen: Blocks
    own: NDArray[np.uint64]
    smaller: Callable[[], tuple[Blocks, NDArray[np.uint64]]] | None = None
    sorts: Callable[[Blocks], list[int]] | None = None

    @property
    def small(self) -> tuple[Blocks, NDArray[np.uint64]]:
        """What was seen and what runs show, in the smallest blocks."""
        return (self.seen, self.own) if self.smaller is None else self.smaller()

    @cached_property
    def best(self) -> Fit:
        """Of the moment at which it fits best, or of two in a row: nobody says exactly when he looked."""
        return _best(self.seen, self.own)

    @cached_property
    def stands(self) -> bool:
        """Whether each run shows the same at all moments."""
        return self.own.shape[1] == 1 or bool((self.own == self.own[:, :1]).all())

    @cached_property
    def among(self) -> list[list[Fit]]:
        """How each run, at each of its late moments, fits what the others show at all other moments.

        A screen that goes on moving is seen at a moment that no run was looked at.
        """
        runs, moments, _ = self.own.shape
        if runs < 3:
            return []
        late = [moments - 1] if self.stands else list(range(max(1, moments - HELD_BACK), moments))
        found = []
        for run in range(runs):
            others = np.delete(self.own, run, axis=0)
            seen = {at: others if self.stands else np.delete(others, at, axis=1) for at in late}
            found.append([_best(self.own[run, at], seen[at]) for at in late])
        return found


def _best(seen: Blocks, own: NDArray[np.uint64]) -> Fit:
    moments = own.shape[1]
    if (own == own[:, :1]).all():
        return fit(seen, own[:, 0])
    alone = [own[:, at] for at in range(moments)]
    together = [own[:, at : at + 2].reshape(-1, own.shape[2]) for at in range(moments - 1)]
    best = NO_FIT
    for one in (*alone, *together):
        found = fit(seen, one)
        if found.cost < best.cost:
            best = found
        if best.cost == 0:
            break
    return best
