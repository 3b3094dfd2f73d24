"""Random programs on both engines: stores into their own code, interrupts, a card among the RAM, banks."""

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.examples import examples

PARTS = ("6502", "65C02")


def _run(pair, programs, part, seed, lengths):
    boards = pair(part)
    programs(part, seed).put(boards)
    boards.run(*lengths)
    return boards


@pytest.mark.parametrize("part", PARTS)
@settings(deadline=None, max_examples=examples(25), suppress_health_check=[HealthCheck.too_slow])
@given(seed=st.integers(0, 1 << 48), length=st.integers(700, 6000))
def test_both_engines_do_the_same_with_a_random_program(pair, programs, part, seed, length):
    _run(pair, programs, part, seed, (length, 1, 640, 5000, 6000))


@pytest.mark.slow  # thousands of programs, as the default run has time for some dozens
@pytest.mark.parametrize("part", PARTS)
def test_both_engines_do_the_same_with_thousands_of_random_programs(pair, programs, part):
    for seed in range(2000):
        try:
            _run(pair, programs, part, seed, (3000, 9000))
        except AssertionError as error:
            raise AssertionError(f"seed {seed}: {error}") from error
