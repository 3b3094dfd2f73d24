"""Machine time against host time: how many cycles are due, and what share of its clock the machine reaches."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from fractions import Fraction

SLICE_SECONDS = 0.004
"""Longest stretch run in one go: what a key waits at most until the machine can see it, on a host that keeps up."""
LARGEST_DEBT_SECONDS = 0.1
"""What a host that fell behind catches up at most; the rest of the time is given up, so that input stays prompt."""
MEASURED_SECONDS = 2.0
KEEPS_UP = 0.98
"""Share of the clock from which on the machine counts as keeping up; below it the title says so."""


class Pacer:
    """Tells how far the machine may run now.

    Args:
        clock_hz: machine clock.
        now: host time in seconds; `time.perf_counter` outside tests.
    """

    def __init__(self, clock_hz: Fraction, now: Callable[[], float]) -> None:
        self._hz = float(clock_hz)
        self._now = now
        self._start_seconds = 0.0
        self._start_cycle = 0
        self._marks: deque[tuple[float, int]] = deque()
        self.begin(0)

    def begin(self, cycle: int) -> None:
        """Host time and machine time start to run together from here: at power-on, after a pause."""
        self._start_seconds = self._now()
        self._start_cycle = cycle
        self._marks.clear()
        self._marks.append((self._start_seconds, cycle))

    def due(self, cycle: int) -> int:
        """Cycles to run now, at most a slice; 0 when the machine is where it should be."""
        now = self._now()
        behind = (now - self._start_seconds) * self._hz - (cycle - self._start_cycle)
        most = LARGEST_DEBT_SECONDS * self._hz
        if behind > most:
            self._start_seconds += (behind - most) / self._hz
            behind = most
        return max(0, min(int(behind), max(1, int(SLICE_SECONDS * self._hz))))

    def seconds_until(self, cycle: int) -> float:
        """Host seconds until `cycle` is due; 0 when it is overdue."""
        return max(0.0, self._start_seconds + (cycle - self._start_cycle) / self._hz - self._now())

    def mark(self, cycle: int) -> None:
        """Note that the machine is at `cycle` now, for `share`."""
        now = self._now()
        if now - self._marks[-1][0] >= 0.1:
            self._marks.append((now, cycle))
            while len(self._marks) > 2 and now - self._marks[0][0] > MEASURED_SECONDS:
                self._marks.popleft()

    def share(self) -> float | None:
        """Share of its clock the machine reached over the last seconds; None until half a second is measured."""
        seconds = self._marks[-1][0] - self._marks[0][0]
        if seconds < 0.5:
            return None
        return (self._marks[-1][1] - self._marks[0][1]) / (seconds * self._hz)

    def words(self, clock_text: str) -> str:
        """What the title says when the host cannot keep up; empty when it can."""
        share = self.share()
        if share is None or share >= KEEPS_UP:
            return ""
        return f"this computer reaches {share:.0%} of {clock_text}"
