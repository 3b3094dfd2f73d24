"""A capture followed cycle by cycle: the CPU runs on the captured bytes, and each cycle says who was wrong.

followed = Follower(machine, captured).follow()

A capture that grows: add(more) and go_on(last=False), again and again, followed() whenever it is to be judged.

`judged.py` says what it comes to. Nothing has to be aligned. The CPU is in step as soon as one place in the capture
shows what it does, at RESET or in the middle, with registers that are unknown until it loads them. Where it falls
out of step (cycles were lost, or it did what no 6502 does on these bytes) the next such place is looked for.
"""

from __future__ import annotations

from collections.abc import Callable

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.capture.captured import Captured
from simkit.compare.at_cpu import AtCpu
from simkit.compare.followed import Followed, Read
from simkit.compare.heard import Heard
from simkit.compare.in_step import PROOF, SEARCH, Beginnings
from simkit.compare.led_cpu import REGISTERS, Ended, State
from simkit.compare.rows import DOUBTFUL, SYNC_BIT, Rows, full
from simkit.compare.track import Lost, Track
from simkit.compare.trouble import Trouble
from simkit.compare.weighed import Weighing
from simkit.contract.errors import SimkitError
from simkit.machine.machine import Machine

BEHIND = 128
"""Rows that must have come behind an instruction, which tell which way it went. Ours."""
I_FLAG = REGISTERS.index("i") + 1
"""Its place in a State."""
ODD = 3
"""For how many rows out of step one counts in which the capture shows another cycle than the CPU makes. Ours."""
MOVED = 4
"""Rows in a row that show that a halted CPU goes on: noise hardly ever spoils so many together. Ours."""
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
        captured: bus cycles with all of A0 to A15, D0 to D7 and RW; those that came first.
        goes_on: called now and then with the row; False breaks off.
        most_untold: rows in which the CPU may be out of step, and does not stand still; one with another cycle than it
            makes counts as ODD of them, and so does each line of a byte that is another than the card's. Where there
            are more it is broken off.

    Attributes:
        rows: of the capture, with those that are missing.
    """

    def __init__(
        self,
        machine: Machine,
        captured: Captured,
        goes_on: Callable[[int], bool] | None = None,
        most_untold: int | None = None,
    ) -> None:
        check_full(captured)
        self._goes_on = goes_on
        self._untold_left = most_untold
        self.rows = self._rows = Rows.of(captured, AtCpu.of(machine))
        self._track = Track(machine, self.rows)
        self._cpu, self._ways, self._cells = self._track.cpu, self._track.ways, self._track.cells
        self._heard = Heard(self._track)
        self._weighing = Weighing(self._track, self._heard)
        self._trouble = Trouble(self._track)
        self._beginnings = Beginnings(self._track, self._heard)
        self._at = 0  # row that comes next
        self._began: int | None = None  # the part in which the CPU is in step
        self._stopped: int | None = None
        self._is_whole = False
        self._checked, self._next_call = 0, STEPS

    def add(self, more: Captured) -> None:
        """What came after it, of the same lines."""
        self.rows.add(more)
        self._track.grow()

    def follow(self) -> Followed:
        """Follow it to its end."""
        self.go_on(last=True)
        return self.followed()

    def go_on(self, *, last: bool) -> None:
        """Follow it as far as what has come tells the way; to the end, where this was the last of it."""
        while self._stopped is None:
            if self._began is None:
                if self._at >= len(self._rows) or not (last or self._at + SEARCH + PROOF <= len(self._rows)):
                    break
                if (self._at and not self._is_wanted(self._at)) or self._is_enough():
                    break
                begin = self._at
                self._began = self._beginnings.find(begin)
                if self._track.parts:
                    self._heard.check_gap(
                        self._at, min(len(self._rows), self._at + SEARCH) if self._began is None else self._began
                    )
                self._at = self._cpu.at if self._began is not None else self._at + SEARCH
                if self._untold_left is not None:
                    self._untold_left -= self._moving(begin, self._at if self._began is None else self._began)
            elif self._is_enough() or not self._step(last=last):
                break
        if last:
            self._is_enough()
        if last or self._stopped is not None:
            self._is_whole = True

    def _moving(self, begin: int, end: int) -> int:
        """Rows that show another address than the one before: a CPU that was halted unseen stands still."""
        seen = self._rows.seen
        return sum(seen[row] != seen[row - 1] for row in range(max(1, begin), min(end, len(seen))))

    def _is_enough(self) -> bool:
        """Whether the CPU has been out of step for too long."""
        if self._untold_left is not None and self._untold_left < 0:
            self._stopped = self._at
        return self._stopped is not None

    def _is_wanted(self, row: int) -> bool:
        if self._goes_on is not None and not self._goes_on(row):
            self._stopped = row
        return self._stopped is None

    def _step(self, *, last: bool) -> bool:
        """An instruction, or one interrupt sequence; False where no more is to be followed now."""
        cpu, ways = self._cpu, self._ways
        row = cpu.at
        if cpu.halted:
            return self._stand_still(last=last)
        if not (last or row + BEHIND <= len(self._rows)):
            return False
        if row >= self._next_call:
            self._next_call = row + STEPS
            if not self._is_wanted(row):
                return False
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
                if self._untold_left is not None:
                    self._untold_left -= ODD * len(self._track.odd)
            self._note_waiting(state)
            self._commit(row, cpu.at, state)
            self._track.before = state, self._track.earlier
        except Ended:
            if not last:
                cpu.load(state)
                self._track.unknown = self._track.earlier
            elif cpu.waiting:
                self._note_waiting(state)
                self._commit(row, cpu.at, state)
            return False
        except Lost as lost:
            if lost.fetch is not None:
                self._heard.note_fetch(state, lost.fetch)
            self._lose()
        self._at = cpu.at
        return True

    def _lose(self) -> None:
        """The CPU is no longer in step."""
        assert self._began is not None
        self._track.parts.append((self._began, self._cpu.at))
        self._cells.forget()
        self._began = None

    def _note_waiting(self, state: State) -> None:
        """What the CPU puts out in the rows in which WAI had stopped it: the address of the next instruction."""
        should = self._cpu.should
        for row in range(state[0], self._cpu.at if state[-1] else state[0]):
            if should[row] == DOUBTFUL:
                should[row] = state[1]

    def _stand_still(self, *, last: bool) -> bool:
        """A halted CPU puts out one address until RESET; False where what has come shows nothing else.

        A few rows that show another are misread.
        """
        cpu, rows = self._cpu, self._rows
        first, word = cpu.at, cpu.should[cpu.at - 1] & ~SYNC_BIT
        end = len(rows) if last else len(rows) - MOVED + 1
        while cpu.at < end and not self._moves(cpu.at, word):
            cpu.should[cpu.at] = word
            cpu.at += 1
        if cpu.at > first:
            self._heard.check(first, cpu.at, word & 0xFFFF)
        self._at = cpu.at
        if cpu.at >= end:
            return False
        self._lose()
        return True

    def _moves(self, row: int, word: int) -> bool:
        """Whether there are MOVED rows from one on, and all of them show another word."""
        return row + MOVED <= len(self._rows) and all(self._rows.apart(row + at, word) for at in range(MOVED))

    def followed(self) -> Followed:
        """What has been found up to now."""
        cpu, track = self._cpu, self._track
        count = len(self._rows) if self._is_whole else self._at
        parts = [*track.parts, *([] if self._began is None else [(self._began, min(cpu.at, count))])]
        self._heard.check_unfollowed(self._checked, count, parts)
        self._checked = count
        should = np.full(count, DOUBTFUL, np.int64)
        for first, end in parts:
            should[first:end] = cpu.should[first:end]
        return Followed(
            should,
            np.array(track.expected[:count], np.int16),
            np.array(track.agreed[:count], np.uint8),
            np.array(track.slots[:count], np.int16),
            np.array(track.offsets[:count], np.int32),
            track.starts,
            [attrs.evolve(each) for each in track.differences if each.row < count],
            parts,
            track.fed.answers,
            track.fed.began,
            self._stopped,
            track.masked,
            self._cycles(count),
            track.fed,
            track.decodings,
        )

    def _cycles(self, count: int) -> NDArray[np.int64]:
        """Of each row, on the backplanes that are fed; they are brought up to the last."""
        began, cycles = self._track.fed.began, np.array(self._rows.cycle[:count], np.int64)
        if began is None or not count:
            return cycles
        cycles -= cycles[began] if began >= 0 else began
        if self._track.fed.since is not None:
            self._track.fed.run_to(int(cycles[-1]))
        return cycles

    def _commit(self, row: int, end: int, state: State) -> None:
        """The CPU has gone on: what it wrote is held, what it read is compared with what the cards hold."""
        pc = state[1]
        self._track.starts.append((row, pc))
        self._track.masked.append(DOUBTFUL if "i" in self._track.earlier else state[I_FLAG])
        found = self._heard.check(row, end, pc)
        if self._untold_left is not None:
            self._untold_left -= ODD * sum(one.data.bit_count() for one in found)
        for difference in found:
            if difference.row in self._track.misread_rows:
                difference.read = Read.EXPECTED
            elif difference.read is Read.OPEN:
                self._weighing.weigh(difference, state, found)
        if self._track.odd or self._track.misread_rows:
            self._track.odd, self._track.misread_rows = {}, set()
