"""Which addresses the program reads and writes, to tell the bad ones from the good."""

from __future__ import annotations

import numpy as np

from simkit.backplane.cycle import Kind
from simkit.machine.again import Again
from simkit.machine.machine import Machine
from simkit.records.cycles import Cycles, marks

_ADDRESSES = 0x1_0000


class Accessed:
    """Notes them until it is stopped.

    Args:
        machine: the machine.
    """

    def __init__(self, machine: Machine) -> None:
        self._read = np.zeros(_ADDRESSES, np.bool_)
        self._written = np.zeros(_ADDRESSES, np.bool_)
        self._record = machine.bus.record(self._take)

    def stop(self) -> None:
        """Note nothing more."""
        self._record.remove()

    def like(self, addresses: set[int]) -> set[int]:
        """Other addresses of the same pages that were accessed as these were: all written, or read."""
        some = np.array(sorted(addresses))
        table = self._written if self._written[some].all() else self._read
        pages = np.unique(some >> 8)
        near = np.isin(np.arange(_ADDRESSES) >> 8, pages) & table
        near[some] = False
        return set(np.flatnonzero(near).tolist())

    def _take(self, records: memoryview) -> None:
        words = np.frombuffer(records, "<u8")
        part = Cycles(words[~marks(words)])
        data = part.kind == Kind.DATA
        addresses, is_write = part.address, part.is_write
        self._read[addresses[data & ~is_write]] = True
        self._written[addresses[data & is_write]] = True


def accesses_of(again: Again, addresses: set[int], until: int) -> list[int]:
    """Cycles of all accesses of some addresses up to a cycle, spare ones left out: the machine is run again."""
    machine = again.machine()
    some, found, near = np.array(sorted(addresses)), list[int](), 0

    def take(records: memoryview) -> None:
        nonlocal near
        words = np.frombuffer(records, "<u8")
        part = Cycles(words[~marks(words)], near)
        if len(part):
            wanted = np.isin(part.address, some) & (part.kind == Kind.DATA) & ~part.is_repeat
            cycle = part.cycle
            found.extend(cycle[wanted].tolist())
            near = int(cycle[-1])

    record = machine.bus.record(take)
    machine.run_to(until + 1)
    record.remove()
    return [cycle for cycle in found if cycle <= until]
