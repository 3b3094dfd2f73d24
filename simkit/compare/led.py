"""A capture followed cycle by cycle: the CPU runs on the captured bytes, and each cycle says who was wrong.

followed = Follower(machine, captured).follow()

`judged.py` says what it comes to. Nothing has to be aligned. The CPU is in step as soon as one place in the capture
shows what it does, at RESET or in the middle, with registers that are unknown until it loads them. Where it falls
out of step (cycles were lost, or it did what no 6502 does on these bytes) the next such place is looked for.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from simkit.capture.captured import Captured
from simkit.compare.followed import Followed, Read
from simkit.compare.heard import Heard
from simkit.compare.in_step import Beginnings
from simkit.compare.led_cpu import Ended, State
from simkit.compare.rows import DOUBTFUL, Rows, full
from simkit.compare.track import Lost, Track
from simkit.compare.trouble import Trouble
from simkit.compare.weighed import Weighing
from simkit.contract.errors import SimkitError
from simkit.machine.machine import Machine

STEPS = 1 << 14
"""Rows from one call of `goes_on` to the next."""


def check_full(captured: Captured) -> None:
    """Refuse a capture by which no CPU can be led.

    Raises:
        SimkitError: with what is missing.
    """
    if not full(captured):
        raise SimkitError(
            "A CPU cannot be led by this capture: A0 to A15, D0 to D7 and RW must all be in it.",
            remedy="Clip the missing lines, or compare it free-running, which takes any lines.",
        )


class Follower:
    """Follows one capture.

    Args:
        machine: as it should be; it is left alone.
        captured: bus cycles with all of A0 to A15, D0 to D7 and RW.
        goes_on: called now and then with the row; False breaks off.

    Attributes:
        rows: of the capture, with those that are missing.
    """

    def __init__(self, machine: Machine, captured: Captured, goes_on: Callable[[int], bool] | None = None) -> None:
        check_full(captured)
        self._goes_on = goes_on
        self.rows = self._rows = Rows.of(captured)
        self._track = Track(machine, self.rows)
        self._cpu, self._ways, self._cells = self._track.cpu, self._track.ways, self._track.cells
        self._heard = Heard(self._track)
        self._weighing = Weighing(self._track, self._heard)
        self._trouble = Trouble(self._track)
        self._beginnings = Beginnings(self._track, self._heard, goes_on)

    def follow(self) -> Followed:
        """Follow it to its end."""
        cpu, rows, ways = self._cpu, self._rows, self._ways
        count, next_call, stopped = len(rows), STEPS, None
        row = 0
        began = self._beginnings.find(0)
        while began is not None:
            row = cpu.at
            if row >= next_call:
                next_call = row + STEPS
                if self._goes_on is not None and not self._goes_on(row):
                    stopped = row
                    break
            state, self._track.earlier = cpu.save(), self._track.unknown
            try:
                if cpu.waiting or self._track.unknown:
                    before, self._track.unknown = self._track.unknown, ways.advance(self._track.unknown)
                    if cpu.odd:
                        self._track.unknown = before
                        self._trouble.solve(state)
                else:
                    cpu.step()
                    if cpu.odd or cpu.doubt:
                        self._trouble.solve(state)
                if cpu.odd or cpu.doubt:
                    self._heard.note_odd(state)
                if cpu.halted:
                    self._commit(row, cpu.at, state)
                    raise Lost
                self._commit(row, cpu.at, state)
                self._track.before = state, self._track.earlier
            except Ended:
                break
            except Lost as lost:
                if lost.fetch is not None:
                    self._heard.note_fetch(state, lost.fetch)
                self._track.parts.append((began, cpu.at))
                self._cells.forget()
                began = self._beginnings.find(cpu.at)
        if began is not None:
            self._track.parts.append((began, min(cpu.at, count)))
        self._heard.check_unfollowed()
        should = np.full(count, DOUBTFUL, np.int64)
        for first, end in self._track.parts:
            should[first:end] = cpu.should[first:end]
        return Followed(
            should,
            np.array(self._track.expected, np.int16),
            np.array(self._track.agreed, np.uint8),
            np.array(self._track.slots, np.int16),
            np.array(self._track.offsets, np.int32),
            self._track.starts,
            self._track.differences,
            self._track.parts,
            self._track.fed.answers,
            self._track.fed.since,
            stopped,
        )

    def _commit(self, row: int, end: int, state: State) -> None:
        """The CPU has gone on: what it wrote is held, what it read is compared with what the cards hold."""
        pc = state[1]
        self._track.starts.append((row, pc))
        found = self._heard.check(row, end, pc)
        for difference in found:
            if difference.row in self._track.misread_rows:
                difference.read = Read.EXPECTED
            elif difference.read is Read.OPEN:
                self._weighing.weigh(difference, state, found)
        if self._track.odd or self._track.misread_rows:
            self._track.odd, self._track.misread_rows = {}, set()
