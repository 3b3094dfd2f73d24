"""Pictures, texts and memory in small blocks, and how what was seen fits what a candidate's own runs show.

A block that all power-ups of a candidate show alike is told by it for sure: what was seen must be so. Where they differ
(memory that nobody set up, the moment of an input) the candidate tells nothing, and nothing there speaks against it. So
nobody has to say how alike is alike enough: what the runs of a candidate show of one another is the measure.
"""

from __future__ import annotations

from collections.abc import Sequence

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
FEW_WRONG = 1.5
"""Blocks by which two that are alike may differ still: a cursor, a letter that comes a moment later."""
UNSTEADY = 2
"""How many times what runs of one candidate show otherwise to one another may differ from what was seen."""
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
    width = -(-columns // LETTERS) * LETTERS
    whole = "".join(line[:width].ljust(width) for line in [*lines[:rows], *[""] * (rows - len(lines))])
    letters = np.frombuffer(whole.encode("utf-32-le", "surrogatepass"), np.uint32).astype(np.uint64)
    return _numbers(letters.reshape(-1, LETTERS))


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
    """

    cost: float
    wrong: int
    right: float


@attrs.frozen
class Slack:
    """What the runs of one candidate do to one another, each held against the others.

    Attributes:
        cost: what it costs, the most.
        wrong: blocks that one shows otherwise than all others, the most.
    """

    cost: float
    wrong: int


NO_FIT = Fit(1e9, 1 << 30, 0.0)


def fit(seen: Blocks, own: NDArray[np.uint64]) -> Fit:
    """Hold what was seen against what runs show.

    Args:
        seen: (n,).
        own: (runs, n).
    """
    if own.shape[1] != len(seen):
        return NO_FIT
    if not len(seen):
        return Fit(0.0, 0, 1.0)
    there = own == seen
    hit = there.any(axis=0)
    stable = (own == own[0]).all(axis=0)
    wrong = int((stable & ~hit).sum())
    missed = int((~stable & ~hit).sum())
    mixed = WRONG * wrong + MISSED * missed + HIT * int((~stable & hit).sum())
    one_run = WRONG * int((~there).sum(axis=1).min()) + MISSED  # it may go as one of them goes, in every block
    cost = min(mixed, one_run)
    wrong = min(wrong, int((~there).sum(axis=1).min()))
    kinds, counts = np.unique(seen, return_counts=True)
    drawn = (seen != kinds[counts.argmax()]) | ~hit
    right = float(hit[drawn].mean()) if drawn.any() else 1.0
    return Fit(cost, wrong, right)


@attrs.frozen(eq=False)
class Fitted:
    """The moment at which a candidate fits best, and how its own runs fit one another there.

    Attributes:
        fit: of what was seen.
        seen: the blocks in which it was held.
        own: what the runs show then.
    """

    fit: Fit
    seen: Blocks
    own: NDArray[np.uint64]

    @property
    def slack(self) -> Slack:
        """What the runs do to one another."""
        runs = len(self.own)
        each = [fit(self.own[run], np.delete(self.own, run, axis=0)) for run in range(runs)] if runs > 2 else []
        costs = sorted(one.cost for one in each) or [0.0]
        wrong = sorted(one.wrong for one in each) or [0]
        return Slack(costs[-1], wrong[-1])


NOTHING = Fitted(NO_FIT, np.zeros(0, np.uint64), np.zeros((0, 0), np.uint64))
"""Of a candidate that shows nothing of the kind."""


def fitted(views: Sequence[tuple[Blocks, NDArray[np.uint64]]]) -> Fitted | None:
    """Of what was seen and what runs show, at several moments, the pair that fits best."""
    found = [Fitted(fit(seen, own), seen, own) for seen, own in views]
    return min(found, key=lambda one: one.fit.cost, default=None)
