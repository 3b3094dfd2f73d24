"""A picture of a capture and of what should be, one above the other, where they part."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from simkit.compare.guessed import Beside
from simkit.looks.drawing import Drawing
from simkit.records.waves import View, rows_of, waves

BEFORE, BEHIND = 6, 9
"""Cycles that are drawn before and behind the one in which they part. Ours."""


def both_waves(beside: Beside, row: int, title: str, words: str = "") -> Drawing:
    """Waves of the captured lines and of the machine's, round a row.

    Args:
        beside: the capture and what should be.
        row: in which they part.
        title: stands above.
        words: stand at that cycle.
    """
    begin, end = max(0, row - BEFORE), min(len(beside.levels), row + BEHIND + 1)
    names = _captured(beside)
    views = [
        View("captured", beside.names, beside.seen[begin:end], beside.seen_known[begin:end]),
        View("this machine", beside.names, beside.levels[begin:end], beside.known[begin:end]),
    ]
    return waves(views, rows_of(names), title=title, parted=row - begin, words=words)


def _captured(beside: Beside) -> Sequence[str]:
    """Lines of which anything was captured."""
    known = int(np.bitwise_or.reduce(beside.seen_known))
    return [name for bit, name in enumerate(beside.names) if known >> bit & 1]
