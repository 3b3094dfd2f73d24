"""Machine time follows host time, gives up what it cannot catch up, and says so."""

from fractions import Fraction

import pytest

from simkit.window.pacing import LARGEST_DEBT_SECONDS, SLICE_SECONDS, Pacer


class Clock:
    def __init__(self):
        self.seconds = 100.0

    def __call__(self):
        return self.seconds


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def pacer(clock):
    return Pacer(Fraction(2_000_000), clock)


def test_a_host_that_keeps_up_runs_two_million_cycles_a_second_at_2_mhz(pacer, clock):
    cycle = 0
    for _ in range(1000):
        clock.seconds += 0.001
        cycle += pacer.due(cycle)
        pacer.mark(cycle)
    assert cycle == pytest.approx(2_000_000, abs=2)
    assert pacer.words("2 MHz") == ""


def test_one_go_is_never_longer_than_a_slice(pacer, clock):
    clock.seconds += 0.05
    assert pacer.due(0) == int(SLICE_SECONDS * 2_000_000)


def test_time_lost_beyond_the_debt_is_given_up(pacer, clock):
    clock.seconds += 10
    cycle = 0
    while due := pacer.due(cycle):
        cycle += due
    assert cycle == pytest.approx(LARGEST_DEBT_SECONDS * 2_000_000, abs=2)


def test_a_host_at_half_the_speed_is_told_in_the_title(pacer, clock):
    cycle = 0
    for _ in range(300):
        due = pacer.due(cycle)
        cycle += due
        clock.seconds += max(due, 1) / 1_000_000  # the host makes one million cycles a second
        pacer.mark(cycle)
    assert pacer.words("2 MHz") == "this computer reaches 50% of 2 MHz"


def test_after_a_pause_nothing_is_caught_up(pacer, clock):
    clock.seconds += 30
    pacer.begin(500)
    assert pacer.due(500) == 0
