"""Rows of samples as a reader gathers them, block by block; rows that repeat the one before are left out."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from simkit.capture.samples import Samples
from simkit.contract.errors import SimkitError

MOST_ROWS = 40_000_000
"""Rows that are kept, one gigabyte of them: beyond it the capture is to be taken in parts."""

Times = NDArray[np.int64]
Words = NDArray[np.uint64]


class Rows:
    """Gathers blocks of rows; times are looked at when it is made into Samples.

    Args:
        file: for messages.
        keep_all: keep rows that repeat the one before, too.
    """

    def __init__(self, file: str, *, keep_all: bool = False) -> None:
        self.file = file
        self._keep_all = keep_all
        self.end = 0
        self._blocks: list[tuple[Times, Words, Words]] = []
        self._last: tuple[int, int] | None = None
        self._count = 0

    def __len__(self) -> int:
        return self._count

    def add(self, time: Times, levels: Words, unknown: Words) -> None:
        """More rows, later than those before."""
        if not len(time):
            return
        levels = levels & ~unknown
        differs = np.empty(len(time), np.bool_)
        differs[1:] = (levels[1:] != levels[:-1]) | (unknown[1:] != unknown[:-1])
        differs[0] = self._last != (int(levels[0]), int(unknown[0]))
        self._last = (int(levels[-1]), int(unknown[-1]))
        self.end = int(time[-1])
        if not self._keep_all and not differs.all():
            time, levels, unknown = time[differs], levels[differs], unknown[differs]
        self._count += len(time)
        if self._count > MOST_ROWS:
            raise SimkitError(
                f"The capture has more than {MOST_ROWS} changes.",
                file=self.file,
                remedy="Take it in parts, or leave out channels that are not on the bus.",
            )
        self._blocks.append((time, levels, unknown))

    def take(self) -> tuple[Times, Words, Words]:
        """What was gathered since the last time it was taken."""
        blocks, self._blocks = self._blocks, []
        if not blocks:
            none = np.zeros(0, np.uint64)
            return np.zeros(0, np.int64), none, none
        time, levels, unknown = zip(*blocks, strict=True)
        return np.concatenate(time), np.concatenate(levels), np.concatenate(unknown)

    def samples(
        self, names: tuple[str, ...], tick: Fraction, period: Fraction | None, end: int, *, complete: bool
    ) -> Samples:
        """All of it.

        Raises:
            SimkitError: there is not one row.
        """
        if not self._count:
            raise SimkitError(
                "The capture holds no samples.", file=self.file, remedy="Export it again, with its samples."
            )
        time, levels, unknown = self.take()
        return Samples(names, tick, time, levels, unknown, period, end, complete)
