"""What is known of a run from power-on: up to where it parts that of the run without a fault, then its own."""

from __future__ import annotations

from collections.abc import Sequence

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.select import ADDRESS_LINES
from simkit.backplane.wiring import DATA_LINES
from simkit.suspect.outcome import Outcome

Words = NDArray[np.uint64]
NEVER = 256
"""In place of a byte, where there is none."""
PIECE = 4096
"""Bus cycles that are summed up together."""


def known_cycles(run: Outcome, whole: int) -> int:
    """Bus cycles from power-on of which all is known; `whole` are those of the run without a fault."""
    if run.parted is None:
        return whole
    if run.halted and len(run.stretches) == 1:
        return whole  # there are no more of them
    return run.parted + (run.stretches[0].cycles if run.stretches else 0)


def gathered(levels: Words, names: Sequence[str], lines: Sequence[str]) -> NDArray[np.uint32]:
    """Levels of some lines, bit i for lines[i]."""
    at = {name: bit for bit, name in enumerate(names)}
    if [at[line] for line in lines] == list(range(at[lines[0]], at[lines[0]] + len(lines))):  # side by side
        return (levels >> np.uint64(at[lines[0]]) & np.uint64((1 << len(lines)) - 1)).astype(np.uint32)
    value = np.zeros(len(levels), np.uint32)
    for place, line in enumerate(lines):
        value |= (levels >> np.uint64(at[line]) & np.uint64(1)).astype(np.uint32) << np.uint32(place)
    return value


@attrs.frozen(eq=False)
class Firsts:
    """First access at each address, in a row of bus cycles.

    Attributes:
        cell: addresses, with bit 16 for writes, that are accessed; in order.
        row: of the first access at each.
        byte: on the data lines then.
    """

    cell: NDArray[np.uint32]
    row: NDArray[np.int64]
    byte: NDArray[np.uint16]

    @classmethod
    def of(cls, levels: Words, names: Sequence[str]) -> Firsts:
        """Find them."""
        key = gathered(levels, names, ADDRESS_LINES) | (gathered(levels, names, ("RW",)) ^ 1) << np.uint32(16)
        cell, row = np.unique(key, return_index=True)
        return cls(cell, row.astype(np.int64), gathered(levels[row], names, DATA_LINES).astype(np.uint16))

    def before(self, end: int) -> Firsts:
        """Those that come before a cycle."""
        come = self.row < end
        return Firsts(self.cell[come], self.row[come], self.byte[come])

    def at(self, cells: NDArray[np.uint32]) -> NDArray[np.uint16]:
        """Byte of the first access at some cells, NEVER where there is none."""
        found = np.full(len(cells), NEVER, np.uint16)
        if len(self.cell):
            at = np.minimum(np.searchsorted(self.cell, cells), len(self.cell) - 1)
            there = self.cell[at] == cells
            found[there] = self.byte[at[there]]
        return found


class Steady:
    """Which lines are ever high, and which always, in a row of bus cycles up to any of them.

    Args:
        levels: of the lines, a word a cycle.
    """

    def __init__(self, levels: Words) -> None:
        self._levels = levels
        pieces = levels[: len(levels) // PIECE * PIECE].reshape(-1, PIECE)
        self._ever = np.bitwise_or.accumulate(np.bitwise_or.reduce(pieces, axis=1))
        self._always = np.bitwise_and.accumulate(np.bitwise_and.reduce(pieces, axis=1))

    def up_to(self, end: int) -> tuple[int, int]:
        """Lines that are high in any of the first cycles, and in all of them, a bit each; (0, all bits) for none."""
        whole = min(end, len(self._levels)) // PIECE
        ever, always = steady(self._levels[whole * PIECE : end])
        return (ever | int(self._ever[whole - 1]), always & int(self._always[whole - 1])) if whole else (ever, always)


def steady(levels: Words) -> tuple[int, int]:
    """Lines that are high in any of some cycles, and in all of them, a bit each; (0, all bits) for none."""
    return int(np.bitwise_or.reduce(levels)), int(np.bitwise_and.reduce(levels))
