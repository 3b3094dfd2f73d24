"""Clocks, durations and crystals in exact ratios."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simkit.contract.clock import Crystal, parse_hz
from simkit.contract.errors import SimkitError


def test_clocks_are_exact():
    assert parse_hz("2 MHz") == 2_000_000
    assert parse_hz("1.8432 MHz") == 1_843_200
    assert parse_hz("32.768kHz") == 32_768
    assert parse_hz("10.738635 MHz / 3") == Fraction(10_738_635, 3)
    assert parse_hz(" 5mhz/ 1 ") == 5_000_000
    assert (parse_hz("1 Hz"), parse_hz("1000 MHz")) == (1, 1_000_000_000)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("0 MHz", "stands still"),
        ("2 MHz / 0", "divides by zero"),
        ("fast", "is not a clock"),
        ("2 MHz fast", "is not a clock"),
        ("2000 MHz", "highest clock accepted, 1000 MHz"),
        ("1000.000001 MHz", "highest clock accepted, 1000 MHz"),
        ("0.999999999999 Hz", "lowest clock accepted, 1 Hz"),
        ("1 Hz / 2", "lowest clock accepted, 1 Hz"),
    ],
)
def test_a_clock_that_is_none_says_what_is_wrong(text, message):
    with pytest.raises(SimkitError, match=message):
        parse_hz(text)


def test_cycles_between_video_interrupts_at_three_clocks():
    """262 lines of 342 dots at crystal / 2: 29868 cycles at crystal / 6, 59736 at crystal / 3.

    Frame figures: "Gateware quirks", published notes of a gateware design, section Video timing (342 dots, 262 lines).
    """
    crystal_hz = Fraction(10_738_635)
    frame_ticks = 262 * 342 * 2
    for divisor, cycles in ((6, 29_868), (3, 59_736)):
        crystal = Crystal(crystal_hz, crystal_hz / divisor)
        assert crystal.first_cycle_at(frame_ticks) == cycles


@given(
    st.integers(1, 10**8), st.integers(1, 10**8), st.fractions(0, Fraction(4095, 4096), max_denominator=4096),
    st.integers(0, 10**12),
)  # fmt: skip
def test_a_tick_falls_in_the_first_cycle_that_starts_at_or_after_it(hz, clock, phase, tick):
    crystal = Crystal(Fraction(hz), Fraction(clock), phase)
    cycle = crystal.first_cycle_at(tick)
    assert crystal.ticks_at(cycle) >= tick
    assert crystal.ticks_at(cycle - 1) < tick
    moment = crystal.moment_of(tick)
    assert cycle - 1 < moment <= cycle
    assert crystal.moment_of(tick + 1) - moment == Fraction(clock, hz)
    assert crystal.moment_of(0) == -phase * Fraction(clock, hz)
    first = crystal.first_tick_at(cycle)
    assert crystal.moment_of(first) >= cycle
    assert crystal.moment_of(first - 1) < cycle
    assert crystal.hz == hz
