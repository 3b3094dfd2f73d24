"""Bus cycles as somebody saw them on the lines of a backplane: which level each line had where it counts, or unknown.

A line is named as a machine names it: A0 to A15, D0 to D7, RW, SYNC, IRQ, NMI, RESET, RDY, SO, lines of the backplane;
"4.INT" is a pin of the card in slot 4, and "4.select" its select as a decoder gives it: low while it is selected.
"""

from __future__ import annotations

from collections.abc import Sequence

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.select import ADDRESS_LINES
from simkit.backplane.wiring import DATA_LINES

Words = NDArray[np.uint64]


@attrs.frozen(eq=False)
class Captured:
    """Bus cycles, a row each, in order.

    Address and control lines count as they stand before PHI2 falls, data lines at its fall, lines that the CPU samples
    at the end of PHI2.

    Attributes:
        names: lines; bit i of a word belongs to names[i].
        levels: uint64 of shape (n,): a bit a line; 0 where it is not known.
        known: uint64 of shape (n,): lines of which the level is known.
        time: float64 of shape (n,): seconds from the first sample to the fall of PHI2 that ends the cycle.
        lost: bool of shape (n,): samples are missing before this row, and cycles may be.
    """

    names: tuple[str, ...]
    levels: Words
    known: Words
    time: NDArray[np.float64]
    lost: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.levels)

    def __getitem__(self, which: slice | NDArray[np.bool_] | NDArray[np.intp]) -> Captured:
        return Captured(self.names, self.levels[which], self.known[which], self.time[which], self.lost[which])

    def gathered(self, lines: Sequence[str]) -> tuple[Words, Words]:
        """Levels and known bits of these lines, bit i for lines[i]; nothing is known of others."""
        levels, known = np.zeros(len(self), np.uint64), np.zeros(len(self), np.uint64)
        for place, line in enumerate(lines):
            if line in self.names:
                bit, one = np.uint64(self.names.index(line)), np.uint64(1)
                levels |= (self.levels >> bit & one) << np.uint64(place)
                known |= (self.known >> bit & one) << np.uint64(place)
        return levels, known

    @property
    def address(self) -> tuple[NDArray[np.uint16], NDArray[np.uint16]]:
        """On the address lines, and which of its bits are known."""
        levels, known = self.gathered(ADDRESS_LINES)
        return levels.astype(np.uint16), known.astype(np.uint16)

    @property
    def data(self) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
        """On the data lines, and which of its bits are known."""
        levels, known = self.gathered(DATA_LINES)
        return levels.astype(np.uint8), known.astype(np.uint8)

    @property
    def is_write(self) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """R/W low, and whether that is known."""
        levels, known = self.gathered(["RW"])
        return (levels == 0) & (known != 0), known != 0
