"""Where a capture differs from what should be, but for lines that are at fault all the time."""

from __future__ import annotations

from simkit.compare.cells import Cells
from simkit.compare.rows import Rows

DATA_SHIFT = 18
"""Where the data lines stand above a word of address and control."""


class Apart:
    """Compares rows of a capture with what a CPU makes of them.

    Attributes:
        tolerated: bits of a word with data lines in which the capture differs all the time: the line is at fault.
    """

    def __init__(self, rows: Rows, cells: Cells) -> None:
        self._rows, self._fights = rows, cells.fights
        self.tolerated = 0

    def differs(self, row: int, word: int, value: int) -> int:
        """Bits in which the capture differs from what should be."""
        rows = self._rows
        found = rows.apart(row, word)
        if value >= 0:
            apart = (rows.bytes[row] ^ value) & rows.known[row]
            found |= (apart if not apart or not self._fights(word & 0xFFFF) else 0) << DATA_SHIFT
        return found
