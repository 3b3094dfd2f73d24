"""Machine time against host time: how many cycles are due and when, when to draw, and what speed is reached."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from fractions import Fraction

from simkit.outside.speed import AnySpeed, Speed

SLICE_SECONDS = 0.004
"""Host seconds from one slice of machine time to the next: what a key waits at most until the machine can see it, on a
host that keeps up."""
WORTH_SECONDS = SLICE_SECONDS / 2
"""A machine less far behind has nothing due: shorter pieces would cost more than they give."""
LARGEST_DEBT_SECONDS = 0.1
"""What a host that fell behind catches up at most; the rest of the time is given up, so that input stays prompt."""
STALL_SECONDS = 0.1
"""When nobody asked for so long, the host was suspended or the window dragged. That time is given up altogether, or the
machine would race through it."""
BEHIND_SECONDS = 0.025
"""A host that is so far behind although it has just run a slice does not keep up."""
MEASURED_SECONDS = 2.0
LEAST_MEASURED_SECONDS = 0.5
MARK_SECONDS = 0.1
KEEPS_UP = 0.98
"""Share of the speed asked for from which on it counts as reached; below it the title says what is."""

DRAWINGS_PER_SECOND = 60.0
"""The pace of most displays, for those that do not tell theirs (common practice)."""
DRAW_SECONDS_BEHIND = 1 / 25
"""A host that cannot keep up draws less often, so that the machine gets the time."""


class Pacer:
    """Tells how far the machine may run now: ask `due`, run that much, tell `ran`.

    Args:
        clock_hz: machine clock.
        now: host time in seconds; `time.perf_counter` outside tests.
        speed: how fast machine time goes.
    """

    def __init__(self, clock_hz: Fraction, now: Callable[[], float], speed: AnySpeed = Speed.REAL) -> None:
        self._clock_hz = float(clock_hz)
        self._now = now
        self._piece = 1
        self._marks: deque[tuple[float, int]] = deque()
        self.run_at(speed, 0)

    def begin(self, cycle: int) -> None:
        """Host time and machine time start to run together from here: at power-on, after a pause."""
        self._set_out(cycle)
        self._measure(self._start_seconds, cycle)

    def _measure(self, now: float, cycle: int) -> None:
        self._marks.clear()
        self._marks.append((now, cycle))

    def run_at(self, speed: AnySpeed, cycle: int) -> None:
        """Go on at another speed; what is reached is measured anew."""
        self.speed = speed
        self._go_at(speed.factor, cycle)
        self._measure(self._start_seconds, cycle)

    def keep_real(self, kept: bool, cycle: int) -> None:
        """Keep the machine from going faster than the real one for a while, where it goes as fast as it can."""
        factor = Fraction(1) if kept else None
        if self.speed.factor is None and factor != self._factor:
            self._go_at(factor, cycle)

    def _go_at(self, factor: Fraction | None, cycle: int) -> None:
        self._factor = factor
        self._hz = self._clock_hz * float(factor or 1)  # machine cycles in a second of the host's
        cycle_seconds = 1 / self._hz  # of a clock so slow that a slice holds no whole cycle, cycles are run singly
        self._worth = max(WORTH_SECONDS, cycle_seconds)
        self._slice = max(SLICE_SECONDS, cycle_seconds)
        self._debt = max(LARGEST_DEBT_SECONDS, cycle_seconds)
        self._set_out(cycle)

    def _set_out(self, cycle: int) -> None:
        self._start_seconds = self._looked = self._now()
        self._start_cycle = self._looked_at = cycle
        self.is_behind = False

    def due(self, cycle: int) -> int:
        """Cycles to run now, at most a slice; 0 when the machine is where it should be."""
        now = self._now()
        unasked = now - self._looked
        self._looked, self._looked_at = now, cycle
        if unasked > MEASURED_SECONDS:
            self._measure(now, cycle)
        if self._factor is None:
            return self._piece
        behind = self._behind(now, cycle)
        most = self._slice if unasked > STALL_SECONDS else self._debt
        if behind > most:
            self._start_seconds += behind - most
            behind = most
        if behind < self._worth:
            self.is_behind = False
            return 0
        return max(1, int(min(behind, self._slice) * self._hz))

    def ran(self, cycle: int) -> None:
        """The machine ran what was due, and is at `cycle` now."""
        now = self._now()
        if self._factor is None:
            # As much as the host runs in a slice's time, so that input and picture stay prompt.
            fit = SLICE_SECONDS / max(now - self._looked, 1e-6)
            piece = int((cycle - self._looked_at) * min(2.0, fit))
            self._piece = max(1, int(self._clock_hz / 100_000), min(piece, int(self._clock_hz)))
        else:
            self.is_behind = self._behind(now, cycle) > BEHIND_SECONDS
        if now - self._marks[-1][0] >= MARK_SECONDS:
            self._marks.append((now, cycle))
            while len(self._marks) > 2 and now - self._marks[0][0] > MEASURED_SECONDS:
                self._marks.popleft()

    def _behind(self, now: float, cycle: int) -> float:
        """Host seconds that the machine is behind; negative when it is ahead."""
        return now - self._start_seconds - (cycle - self._start_cycle) / self._hz

    def seconds_until_due(self, cycle: int) -> float:
        """Host seconds until a whole slice is due; 0 when it is overdue."""
        if self._factor is None:
            return 0.0
        return max(0.0, self._slice - self._behind(self._now(), cycle))

    def share(self) -> float | None:
        """Share of its clock the machine reached over the last seconds; None until enough is measured."""
        seconds = self._marks[-1][0] - self._marks[0][0]
        if seconds < LEAST_MEASURED_SECONDS:
            return None
        return (self._marks[-1][1] - self._marks[0][1]) / (seconds * self._clock_hz)

    @property
    def falls_short(self) -> bool:
        """Whether the speed asked for is not reached."""
        share, factor = self.share(), self.speed.factor
        return share is not None and factor is not None and share < KEEPS_UP * factor

    def words(self, clock_text: str) -> str:
        """The speed asked for and what is reached of it; empty when that is simply real time."""
        share, factor = self.share(), self.speed.factor
        asked = "" if self.speed is Speed.REAL else self.speed.words
        if share is None or (factor is not None and not self.falls_short):
            return asked
        reached = f"{share:.1f} times {clock_text}" if share >= 2 else f"{share:.0%} of {clock_text}"
        if factor is None:
            return f"{asked}: {reached}"
        return f"{asked}; this computer reaches {reached}".removeprefix("; ")


class DrawPace:
    """Tells when to draw: at the display's pace; less often when the host is behind or drawing takes long.

    Args:
        now: host time in seconds.
        per_second: drawings a second.
    """

    def __init__(self, now: Callable[[], float], per_second: float = DRAWINGS_PER_SECOND) -> None:
        self._now = now
        self._seconds = 1 / per_second
        self._next = self._next_behind = now()

    def seconds_until_due(self, *, behind: bool) -> float:
        """Host seconds until the next drawing; 0 when it is due.

        Args:
            behind: the host does not keep up with the machine.
        """
        return max(0.0, (max(self._next, self._next_behind) if behind else self._next) - self._now())

    def drawn(self, began: float) -> None:
        """A drawing that began then is done."""
        now = self._now()
        took = now - began
        self._next += self._seconds
        if self._next <= began:
            self._next = began + self._seconds  # what was missed is not drawn afterwards
        if took > self._seconds:
            self._next = now + took  # the machine gets half of the host's time however long drawing takes
        self._next_behind = now + max(DRAW_SECONDS_BEHIND, took)
