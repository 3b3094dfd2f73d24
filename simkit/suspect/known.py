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


def known_cycles(run: Outcome, whole: int) -> int:
    """Bus cycles from power-on of which all is known; `whole` are those of the run without a fault."""
    if run.parted is None:
        return whole
    if run.halted and len(run.stretches) == 1:
        return whole  # there are no more of them
    return run.parted + (run.stretches[0].cycles if run.stretches else 0)


def beginning(run: Outcome, sound: Words, cycles: int) -> Words:
    """Levels of so many bus cycles from power-on, fewer where the CPU halts before."""
    if run.parted is None:
        return sound[:cycles]
    own = run.stretches[0].levels if run.stretches else np.zeros(0, np.uint64)
    return np.concatenate((sound[: min(run.parted, cycles)], own[: max(0, cycles - run.parted)]))


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
        row: of it, by address with bit 16 for writes; the length of the row of cycles where there is none.
        byte: on the data lines then, or NEVER.
    """

    row: NDArray[np.int64]
    byte: NDArray[np.uint16]

    @classmethod
    def of(cls, levels: Words, names: Sequence[str]) -> Firsts:
        """Find them."""
        row, byte = np.full(0x2_0000, len(levels), np.int64), np.full(0x2_0000, NEVER, np.uint16)
        key = gathered(levels, names, ADDRESS_LINES) | (gathered(levels, names, ("RW",)) ^ 1) << np.uint32(16)
        first, at = np.unique(key, return_index=True)
        row[first] = at
        byte[first] = gathered(levels[at], names, DATA_LINES)
        return cls(row, byte)

    def then(self, parted: int, own: Firsts, cycles: int) -> NDArray[np.uint16]:
        """Bytes of the first accesses in so many cycles of a run that parts from this one, and then has its own."""
        after = np.where(own.row + parted < cycles, own.byte, np.uint16(NEVER))
        return np.where(self.row < min(parted, cycles), self.byte, after)
