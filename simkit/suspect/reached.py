"""Whom a word on the address lines and R/W of a backplane reaches, whatever wiring lies between them and the CPU."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simkit.backplane.decode import Plan
from simkit.backplane.select import ADDRESS_LINES
from simkit.compare.at_cpu import AtCpu
from simkit.machine.machine import Machine

CONTROL = (*ADDRESS_LINES, "RW")
READ = 1 << len(ADDRESS_LINES)
"""In a word: the level of R/W, above the address."""
_NOBODY = -1
Words = NDArray[np.int64]


class Reached:
    """What a word on the lines does.

    Args:
        machine: with the fault in it.
    """

    def __init__(self, machine: Machine) -> None:
        self._reach = machine.bus.reach
        at_cpu = AtCpu.of(machine)
        self._own: Words | None = None
        self._is_rw_straight = True
        if at_cpu is not None:  # cards hear the lines: of words of the CPU that are alike there any will do
            words = np.arange(2 * READ, dtype=np.int64)
            self._own = np.full(2 * READ, _NOBODY, np.int64)
            self._own[at_cpu.puts] = words
            self._is_rw_straight = not ((at_cpu.puts ^ words) & READ).any()

    @property
    def can_be_told(self) -> bool:
        """Whether the address alone says who answers."""
        return not self._reach.banks.lines

    @property
    def tells_writes(self) -> bool:
        """Whether R/W on the lines is that of the CPU, so that it says who drives the data lines."""
        return self._is_rw_straight

    def own(self, words: Words) -> Words:
        """Words of the CPU that are these on the lines; negative where none is."""
        return words if self._own is None else self._own[words]

    def at(self, word: int) -> tuple[Plan, bool] | None:
        """What an access does, and whether the CPU reads; None where no word of the CPU is this one on the lines."""
        own = word if self._own is None else int(self._own[word])
        if own < 0:
            return None
        address, table = own & READ - 1, self._reach.table
        return (table.read_plan(address), True) if own & READ else (table.write_plan(address), False)
