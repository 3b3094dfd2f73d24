"""Machine time follows host time at the speed asked for, gives up what it cannot catch up, and says what is reached."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simkit.hands.pacing import (
    DRAW_SECONDS_BEHIND,
    LARGEST_DEBT_SECONDS,
    SLICE_SECONDS,
    DrawPace,
    Pacer,
)
from simkit.outside.speed import Speed

HZ = 2_000_000
SLICE = int(SLICE_SECONDS * HZ)


class Clock:
    def __init__(self):
        self.seconds = 100.0

    def __call__(self):
        return self.seconds


class Host:
    """A host that makes so many cycles a second, and what it did."""

    def __init__(self, clock, pacer, cycles_per_second=1e12):
        self.clock, self.pacer, self.cycles_per_second = clock, pacer, cycles_per_second
        self.cycle = 0
        self.pieces = []

    def go_on(self, seconds):
        end = self.clock.seconds + seconds
        while self.clock.seconds < end:
            due = self.pacer.due(self.cycle)
            if due:
                self.cycle += due
                self.pieces.append(due)
                self.clock.seconds += due / self.cycles_per_second
                self.pacer.ran(self.cycle)
            until = self.pacer.seconds_until_due(self.cycle)
            self.clock.seconds += max(1e-6, min(until, end - self.clock.seconds))


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def pacer(clock):
    return Pacer(Fraction(HZ), clock)


@pytest.mark.parametrize(("speed", "factor"), [("half", 0.5), ("real", 1), ("double", 2)])
def test_a_host_that_keeps_up_runs_as_many_cycles_as_the_speed_says(pacer, clock, speed, factor):
    pacer.run_at(Speed(speed), 0)
    host = Host(clock, pacer)
    host.go_on(2.0)
    assert host.cycle == pytest.approx(2 * factor * HZ, abs=factor * SLICE)
    assert max(host.pieces) <= factor * SLICE  # a key waits no longer, whatever the speed
    assert pacer.words("2 MHz") == {"half": "half speed", "real": "", "double": "double speed"}[speed]


def test_it_sleeps_from_slice_to_slice(pacer, clock):
    host = Host(clock, pacer)
    host.go_on(1.0)
    assert 1 / SLICE_SECONDS - 2 <= len(host.pieces) <= 1 / SLICE_SECONDS + 2


def test_less_than_half_a_slice_is_not_due_but_what_is_due_is_not_held_back(pacer, clock):
    clock.seconds += SLICE_SECONDS * 0.45
    assert pacer.due(0) == 0
    assert pacer.seconds_until_due(0) == pytest.approx(SLICE_SECONDS * 0.55)
    clock.seconds += SLICE_SECONDS * 0.3
    assert pacer.due(0) == pytest.approx(0.75 * SLICE, abs=1)


def test_one_go_is_never_longer_than_a_slice(pacer, clock):
    clock.seconds += 0.05
    assert pacer.due(0) == pytest.approx(SLICE, abs=1)


def test_a_late_slice_is_caught_up(pacer, clock):
    host = Host(clock, pacer)
    host.go_on(0.5)
    clock.seconds += 0.06  # a long drawing
    host.go_on(0.5)
    assert host.cycle == pytest.approx(1.06 * HZ, abs=SLICE)


@pytest.mark.parametrize("speed", list(Speed))
@pytest.mark.parametrize("seconds", [0.2, 3.0, 8 * 3600.0])
def test_after_a_stall_of_the_host_the_machine_does_not_race(pacer, clock, seconds, speed):
    """Suspended, or the window dragged: what went by in that time is not made up for."""
    pacer.run_at(speed, 0)
    host = Host(clock, pacer, cycles_per_second=20 * HZ)
    host.go_on(2.0)
    before = host.cycle
    clock.seconds += seconds
    host.go_on(0.1)
    factor = float(speed.factor or 20)
    assert host.cycle - before <= factor * HZ * (0.1 + 2 * SLICE_SECONDS)


def test_time_lost_bit_by_bit_beyond_the_debt_is_given_up(pacer, clock):
    host = Host(clock, pacer, cycles_per_second=HZ // 2)
    host.go_on(3.0)
    before = host.cycle
    host.cycles_per_second = 1e12  # the host is free again
    host.go_on(0.01)
    assert host.cycle - before <= (LARGEST_DEBT_SECONDS + 0.01) * HZ + SLICE


def test_a_host_at_half_the_speed_is_behind_and_told_in_the_title(pacer, clock):
    host = Host(clock, pacer, cycles_per_second=HZ // 2)
    host.go_on(3.0)
    assert pacer.is_behind
    assert pacer.words("2 MHz") == "this computer reaches 50% of 2 MHz"
    host.cycles_per_second = 1e12
    host.go_on(0.5)
    assert not pacer.is_behind


@pytest.mark.parametrize(
    ("speed", "cycles_per_second", "words"),
    [
        ("half", HZ // 4, "half speed; this computer reaches 25% of 2 MHz"),
        ("double", HZ * 3 // 2, "double speed; this computer reaches 150% of 2 MHz"),
        ("fast", HZ // 2, "as fast as it goes: 50% of 2 MHz"),
        ("fast", 17 * HZ, "as fast as it goes: 17.0 times 2 MHz"),
    ],
)
def test_what_is_reached_is_told_at_other_speeds_too(pacer, clock, speed, cycles_per_second, words):
    pacer.run_at(Speed(speed), 0)
    host = Host(clock, pacer, cycles_per_second)
    host.go_on(3.0)
    assert pacer.words("2 MHz") == words


def test_as_fast_as_it_goes_comes_back_every_slice_of_host_time(pacer, clock):
    pacer.run_at(Speed.FAST, 0)
    host = Host(clock, pacer, cycles_per_second=50 * HZ)
    host.go_on(1.0)
    assert host.cycle == pytest.approx(50 * HZ, rel=0.02)
    assert max(host.pieces) == pytest.approx(50 * SLICE, rel=0.02)
    assert pacer.seconds_until_due(host.cycle) == 0


def test_another_speed_begins_where_the_machine_is(pacer, clock):
    host = Host(clock, pacer, cycles_per_second=30 * HZ)
    for speed in [*Speed, *reversed(Speed), Speed.FAST, Speed.HALF]:
        pacer.run_at(speed, host.cycle)
        before = host.cycle
        host.go_on(0.2)
        assert host.cycle - before <= float(speed.factor or 30) * HZ * 0.2 + 30 * SLICE


def test_after_a_pause_nothing_is_caught_up(pacer, clock):
    clock.seconds += 30
    pacer.begin(500)
    assert pacer.due(500) == 0


def test_a_long_stall_does_not_count_as_slowness(pacer, clock):
    host = Host(clock, pacer)
    host.go_on(2.0)
    clock.seconds += 600
    host.go_on(1.0)
    assert pacer.words("2 MHz") == ""


@given(hz=st.floats(0.5, 2e7), speed=st.sampled_from([Speed.HALF, Speed.REAL, Speed.DOUBLE]))
def test_any_clock_is_kept(hz, speed):
    """Also one so slow that a slice holds no whole cycle: a board that is stepped by a slow oscillator."""
    clock = Clock()
    pacer = Pacer(Fraction(hz), clock, speed)
    host = Host(clock, pacer)
    seconds = max(0.5, 20 / hz)
    host.go_on(seconds)
    assert host.cycle == pytest.approx(seconds * hz * speed.factor, rel=0.01, abs=2 + 2 * SLICE_SECONDS * hz)


class Drawer:
    """Draws whenever it is due; each drawing takes so long."""

    def __init__(self, clock, pace, took):
        self.clock, self.pace, self.took, self.number = clock, pace, took, 0

    def go_on(self, seconds, *, behind=False):
        end, before = self.clock.seconds + seconds, self.number
        while self.clock.seconds < end:
            wait = self.pace.seconds_until_due(behind=behind)
            if wait:
                self.clock.seconds += max(0.001, wait)  # a wait is a little longer than asked
                continue
            began = self.clock.seconds
            self.clock.seconds += self.took
            self.pace.drawn(began)
            self.number += 1
        return (self.number - before) / seconds


@pytest.mark.parametrize("per_second", [24, 50, 60, 75, 144])
def test_it_draws_at_the_display_s_pace(clock, per_second):
    drawer = Drawer(clock, DrawPace(clock, per_second), took=0.001)
    assert drawer.go_on(5.0) == pytest.approx(per_second, rel=0.02)


def test_a_host_that_is_behind_draws_less_often(clock):
    drawer = Drawer(clock, DrawPace(clock), took=0.001)
    assert drawer.go_on(5.0, behind=True) == pytest.approx(1 / DRAW_SECONDS_BEHIND, rel=0.05)
    assert drawer.go_on(5.0) == pytest.approx(60, rel=0.05)


@pytest.mark.parametrize("took", [0.02, 0.1, 0.7])
@pytest.mark.parametrize("behind", [False, True])
def test_however_long_drawing_takes_the_machine_has_half_of_the_time(clock, took, behind):
    drawer = Drawer(clock, DrawPace(clock), took)
    assert drawer.go_on(20.0, behind=behind) * took <= 0.55


def test_drawings_missed_are_not_made_up_for(clock):
    drawer = Drawer(clock, DrawPace(clock), took=0.001)
    drawer.go_on(1.0)
    clock.seconds += 30
    assert drawer.go_on(1.0) <= 62
