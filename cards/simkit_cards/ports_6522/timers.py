"""The two timers of a 6522, computed from the cycle number.

Cycle numbers follow the sheets' figures: a count N written to the high counter in cycle 0 reads N in cycle 1, 0 in
cycle N + 1 and $FFFF in cycle N + 2, the cycle in which the flag is set ([WDC] Figures 2-3 and 2-4; [R] timer figures).
Sources are listed in card.py.
"""

from __future__ import annotations

import attrs

from simkit.contract import BYTE, CYCLE, FLAG, NEVER, WORD, StateError, saved

WRAP = 0x1_0000
RELOAD_CYCLES = 2
"""A free-running period is the latch and two cycles more. [WDC] section 1.7"""


@attrs.define(eq=False)
class Timer1:
    """Timer 1: latch, counter, and the PB7 flip-flop.

    Args:
        one_shot_reloads: after a one-shot time-out the counter reloads; otherwise it counts on.

    Attributes:
        latch: 16 bits, taken at each reload.
        pb7: level of the PB7 flip-flop; high unless PB7 is the timer's.
        armed: a one-shot time-out is still to set the flag.
    """

    _one_shot_reloads: bool
    latch: int = saved(WORD)
    pb7: bool = saved(FLAG, True)
    armed: bool = saved(FLAG, False)
    _timeout: int = saved(CYCLE)  # the counter reads $FFFF in this cycle; never before the last advance
    _now: int = saved(CYCLE, 0)  # time-outs up to and with this cycle are accounted for

    def power_on(self, cycle: int, latch: int, counter: int) -> None:
        """Take the contents a part happens to hold at power-up."""
        self.latch = latch
        self._timeout, self._now = cycle + counter + 1, cycle
        self.reset()

    def reset(self) -> None:
        """RESET leaves counter and latch alone; nothing is armed any more. [R] RESET."""
        self.armed = False
        self.pb7 = True

    def value(self, cycle: int) -> int:
        """Counter as read in `cycle`; advance first."""
        return (self._timeout - 1 - cycle) % WRAP

    def timed_out_in(self, cycle: int) -> bool:
        """Whether `cycle` is the very cycle of a time-out; advance first."""
        return cycle == self._timeout

    def start(self, high: int, cycle: int, drives_pb7: bool) -> None:
        """Write of the high counter in `cycle`: latch high byte, latch to counter, go."""
        self.latch = self.latch & 0xFF | high << 8
        self._timeout = cycle + self.latch + 2
        self.armed = True
        self.pb7 = not drives_pb7

    def advance(self, cycle: int, free_run: bool, drives_pb7: bool) -> bool:
        """Account for the time-outs up to and with `cycle`; returns whether one of them sets the flag."""
        timeout = self._timeout
        timeouts = int(self._now < timeout <= cycle)
        if cycle > timeout:
            period = self._period(free_run)
            whole = (cycle - timeout - 1) // period
            self._timeout = timeout + (whole + 1) * period
            timeouts += whole + int(self._timeout == cycle)
        self._now = max(self._now, cycle)
        if not timeouts:
            return False
        flagged = free_run or self.armed
        if drives_pb7 and free_run:
            self.pb7 ^= bool(timeouts & 1)
        elif self.armed:
            self.pb7 = True
        self.armed = False
        return flagged

    @property
    def quiet_until(self) -> int:
        """Cycle before which there is nothing more to account for."""
        return self._timeout if self._timeout > self._now else self._now + 1

    def _period(self, free_run: bool) -> int:
        return self.latch + RELOAD_CYCLES if free_run or self._one_shot_reloads else WRAP

    def next_flag(self, free_run: bool) -> int:
        """First cycle after the last advance whose time-out sets the flag, NEVER when none will."""
        return self.next_timeout(free_run) if free_run or self.armed else NEVER

    def next_timeout(self, free_run: bool) -> int:
        """First time-out after the last advance."""
        timeout = self._timeout
        return timeout if timeout > self._now else timeout + self._period(free_run)

    def check_state(self) -> None:
        """A time-out is at most a whole count away."""
        if not self._now <= self._timeout <= self._now + WRAP + 1:
            raise StateError("timeout", f"is {self._timeout}, not within a count of {WRAP} after {self._now}")


@attrs.define(eq=False)
class Timer2:
    """Timer 2: one-shot, or a counter of pulses on PB6; it never reloads.

    Args:
        flags_past_zero: pulses set the flag as the count passes 0; otherwise as it comes to 0.

    Attributes:
        latch_low: the low latch; paces the shift register too.
        counts_pulses: whether PB6 steps it instead of the clock.
        armed: the time-out is still to set the flag.
    """

    _flags_past_zero: bool
    latch_low: int = saved(BYTE)
    counts_pulses: bool = saved(FLAG, False)
    armed: bool = saved(FLAG, False)
    _timeout: int = saved(CYCLE, only=("counts_pulses", False))  # the counter reads $FFFF in this cycle
    _value: int = saved(WORD, only=("counts_pulses", True))  # what the counter holds

    def power_on(self, cycle: int, latch_low: int, counter: int) -> None:
        """Take the contents a part happens to hold at power-up."""
        self.latch_low = latch_low
        self.counts_pulses = False
        self._timeout = cycle + counter + 1
        self.reset(cycle)

    def reset(self, cycle: int) -> None:
        """RESET leaves counter and latch alone; it counts the clock and nothing is armed. [R] RESET."""
        self.select(False, cycle)
        self.armed = False

    def select(self, counts_pulses: bool, cycle: int) -> None:
        """ACR bit 5 was written in `cycle`; the count carries over."""
        if counts_pulses and not self.counts_pulses:
            self._value = self.value(cycle)
        elif self.counts_pulses and not counts_pulses:
            self._timeout = cycle + self._value + 2
        self.counts_pulses = counts_pulses

    def value(self, cycle: int) -> int:
        """Counter as read in `cycle`."""
        return self._value if self.counts_pulses else (self._timeout - 1 - cycle) % WRAP

    def timed_out_in(self, cycle: int) -> bool:
        """Whether `cycle` is the very cycle of a clocked time-out."""
        return not self.counts_pulses and (self._timeout - cycle) % WRAP == 0

    def start(self, high: int, cycle: int) -> None:
        """Write of the high counter in `cycle`."""
        self._value = high << 8 | self.latch_low
        self._timeout = cycle + self._value + 2
        self.armed = True

    def advance(self, cycle: int) -> bool:
        """Account for the time up to and with `cycle`; returns whether the flag is set."""
        if self.counts_pulses or cycle < self._timeout:
            return False
        self._timeout += ((cycle - self._timeout) // WRAP + 1) * WRAP
        flagged, self.armed = self.armed, False
        return flagged

    @property
    def quiet_until(self) -> int:
        """Cycle before which there is nothing more to account for."""
        return NEVER if self.counts_pulses else self._timeout

    def pulse(self) -> bool:
        """PB6 fell; returns whether the flag is set: N pulses after a start with N. [WDC] 2.10 and Figure 2-5."""
        if not self.counts_pulses:
            return False
        self._value = (self._value - 1) % WRAP
        flagged = self.armed and self._value == (WRAP - 1 if self._flags_past_zero else 0)
        if flagged:
            self.armed = False
        return flagged

    def next_flag(self) -> int:
        """First cycle after the last advance whose time-out sets the flag, NEVER when none will."""
        return NEVER if self.counts_pulses or not self.armed else self._timeout
