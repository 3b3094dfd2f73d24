"""How much of a picture, text or memory is drawn, and how much of that other runs show, too: counts, not places.

Where a candidate shows noise each of its runs is another, and no block says anything. But how many blocks are drawn, in
how many kinds, and how many of these no other run has, is much the same in all of them: noise that fills a screen is
not like a line of text on an empty one. So what was seen is held to these counts as if it were one run more. What is
new counts by its kinds: a screen of one colour that noise has chosen is one new thing, not hundreds. By itself it is
counted how much is drawn in each part of the whole: noise below a title is not like as many letters in one line. By
itself, too, in how many rows without a gap it is drawn: words are not like as many letters strewn over a screen.
And of a text how many letters of each sort there are: noise takes every sign as often as another, people do not.

They are compared as 2 * sqrt(count + 3/8), which has a standard deviation of one for numbers that chance scatters (of
Poisson): F. J. Anscombe, The transformation of Poisson, binomial and negative-binomial data, Biometrika 35, 1948. How
far the nearest run is says more than a mean: a candidate may show noise in some runs and nothing in the others.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.suspect.blocks import Blocks, Shown

PARTS = 8
"""From top to bottom: three lines each of the usual 24. Ours."""
LONG = 4
"""Of a row that is drawn without a gap; noise makes few that are longer. Ours."""

Amounts = NDArray[np.float64]
"""Counts of one look, in standard deviations of such a count."""
Counted = Callable[[Blocks, NDArray[np.uint64]], Sequence[int]]
"""Counts of one look; other looks, (runs, moments, n), say what is new in it."""


@attrs.frozen
class Distance:
    """How far looks are apart in some counts, in standard deviations.

    Attributes:
        its: what was seen, from the nearest look of a run.
        among: each run, at its moments, from the nearest of other runs.
    """

    its: float
    among: list[list[float]]


def distances(shown: Shown) -> list[Distance]:
    """How far what was seen is from runs: in what is new, where it is drawn, in which rows, of which sort.

    A screen that goes on moving is held against other moments of other runs.
    """
    seen, own = shown.small
    own = own[:, :1] if shown.stands else own
    found = []
    for counted in (_how_new, _where_drawn, _in_rows, *_sorts(shown)):
        runs, moments, _ = own.shape
        each = np.array(
            [[_scaled(counted(own[run, at], _others(own, run, at))) for at in range(moments)] for run in range(runs)]
        )
        among = [[_nearest(each[run, at], _others(each, run, at)) for at in range(moments)] for run in range(runs)]
        found.append(Distance(_nearest(_scaled(counted(seen, own)), each), among))
    return found


def _sorts(shown: Shown) -> list[Counted]:
    """Counts by sort, where there are sorts."""
    sorts = shown.sorts
    return [] if sorts is None else [lambda seen, others: sorts(seen)]


def _others(each: NDArray[Any], run: int, at: int) -> NDArray[Any]:
    """What other runs have at other moments; at the only one where there is but one."""
    found = np.delete(each, run, axis=0)
    return found if each.shape[1] == 1 else np.delete(found, at, axis=1)


def _nearest(one: Amounts, others: Amounts) -> float:
    return float(np.sqrt(((others - one) ** 2).sum(axis=-1)).min())


def _scaled(counts: Sequence[int]) -> Amounts:
    found: Amounts = 2 * np.sqrt(np.array(counts) + 3 / 8)
    return found


def _how_new(seen: Blocks, others: NDArray[np.uint64]) -> list[int]:
    """Blocks drawn, kinds of blocks, kinds that other looks, (runs, moments, n), have nowhere, and not there."""
    kinds = np.unique(seen)
    nowhere = int((~np.isin(kinds, others)).sum())
    not_there = len(np.unique(seen[~(others == seen).any(axis=(0, 1))]))
    return [int(_drawn(seen).sum()), len(kinds), nowhere, not_there]


def _where_drawn(seen: Blocks, others: NDArray[np.uint64]) -> list[int]:
    """Blocks that are drawn in each part."""
    del others  # what they show tells nothing of where this is drawn
    return [int(part.sum()) for part in np.array_split(_drawn(seen), PARTS)]


def _in_rows(seen: Blocks, others: NDArray[np.uint64]) -> list[int]:
    """Rows of blocks that are drawn, one beside the other: how many of one, of two and so on, and of LONG and more."""
    del others  # whatever they are
    edges = np.flatnonzero(np.diff(np.concatenate(([0], _drawn(seen).astype(np.int8), [0]))))
    lengths = np.minimum(edges[1::2] - edges[::2], LONG)
    found: list[int] = np.bincount(lengths, minlength=LONG + 1)[1:].tolist()
    return found


def _drawn(seen: Blocks) -> NDArray[np.bool_]:
    """Which blocks are not the commonest one."""
    kinds, counts = np.unique(seen, return_counts=True)
    return np.asarray(seen != kinds[counts.argmax()])
