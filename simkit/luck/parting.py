"""Where two runs of a program part: the first bus cycle that the CPU makes otherwise, with the instruction it is of."""

from __future__ import annotations

import attrs
import numpy as np

from simkit.backplane.cycle import Kind
from simkit.backplane.records import CYCLE_SHIFT
from simkit.machine.machine import Machine
from simkit.records.cycles import Cycles, Words, marks

PIECE = 50_000
"""Cycles after which the runs are compared."""

_NOBODY_SEES = (Kind.RESET, Kind.DUMMY)
"""Cycles that do nothing: the CPU reads through its stack pointer in them, or a byte that it discards."""
_WHAT = np.uint64((1 << CYCLE_SHIFT) - 1)


@attrs.frozen
class Parting:
    """The first cycle that differs.

    Attributes:
        cycle: its number in the first run.
        pc: the instruction under way in the first run; None: a sequence.
        address: that the first run has on the bus.
        data: likewise.
        other_address: that of the second run.
        other_data: likewise.
        is_write: whether the first run writes.
    """

    cycle: int
    pc: int | None
    address: int
    data: int
    other_address: int
    other_data: int
    is_write: bool


class _Run:
    """Bus cycles of a machine, piece by piece."""

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self._chunks: list[bytes] = []
        self._record = machine.bus.record(lambda records: self._chunks.append(bytes(records)))

    def go_on(self, until: int) -> None:
        """Run up to a cycle."""
        if not self.machine.cpu.halted:
            self.machine.run_to(until)
        self.machine.bus.recording.catch_up()

    def taken(self) -> Words:
        """What came since the last time, without what nobody sees and without repeats."""
        words = np.frombuffer(b"".join(self._chunks), "<u8")
        self._chunks.clear()
        part = Cycles(words[~marks(words)]) if len(words) else Cycles(words)
        return part.words[~np.isin(part.kind, _NOBODY_SEES) & ~part.is_repeat]

    def stop(self) -> None:
        """Record no more."""
        self._record.remove()


def parting(first: Machine, second: Machine, cycles: int) -> Parting | None:
    """The first cycle that differs; None where the runs are alike so long.

    What the CPU does is compared in its order: how long RDY holds it does not count.

    Args:
        first, second: in cycle 0; they are run.
        cycles: of the first, at the most.
    """
    runs = _Run(first), _Run(second)
    left: list[Words] = [np.empty(0, np.uint64), np.empty(0, np.uint64)]
    pc: int | None = None
    try:
        for until in range(PIECE, cycles + PIECE, PIECE):
            for number, run in enumerate(runs):
                run.go_on(min(until, cycles))
                left[number] = np.concatenate((left[number], run.taken()))
            both = min(len(left[0]), len(left[1]))
            differ = np.flatnonzero((left[0][:both] ^ left[1][:both]) & _WHAT)
            same = int(differ[0]) if len(differ) else both
            pc = _instruction(left[0][:same], pc)
            if len(differ):
                return _told(left[0][same], left[1][same], pc)
            left = [words[both:] for words in left]
    finally:
        for run in runs:
            run.stop()
    return None


def _instruction(words: Words, before: int | None) -> int | None:
    """The instruction under way behind these cycles."""
    part = Cycles(words)
    begins = np.flatnonzero(np.isin(part.kind, (Kind.FETCH, Kind.INTERRUPT_FETCH)))
    if not len(begins):
        return before
    last = int(begins[-1])
    return int(part.address[last]) if part.kind[last] == Kind.FETCH else None


def _told(word: np.uint64, other: np.uint64, pc: int | None) -> Parting:
    mine, its = (Cycles(np.array([one], np.uint64)) for one in (word, other))
    return Parting(
        int(mine.cycle[0]),
        int(mine.address[0]) if mine.kind[0] == Kind.FETCH and pc is None else pc,
        int(mine.address[0]),
        int(mine.data[0]),
        int(its.address[0]),
        int(its.data[0]),
        bool(mine.is_write[0]),
    )
