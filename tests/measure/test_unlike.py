"""What noise can make of a capture and what it cannot."""

import numpy as np
import pytest

from simkit.measure.unlike import IN_A_ROW, is_unlike

MASK = (1 << 20) - 1
ALL = 60_000


@pytest.fixture(scope="module")
def run():
    """A loop of 700 cycles with a counter in it, as programs are."""
    loop = np.random.default_rng(1).integers(0, 1 << 16, 700, dtype=np.uint64)
    levels = np.tile(loop, ALL // 700 + 1)[:ALL]
    levels[350::700] += (np.arange(len(levels[350::700]), dtype=np.uint64) % np.uint64(16)) << np.uint64(16)
    return levels


def noisy(levels, seed):
    chance = np.random.default_rng(seed)
    spoilt = levels.copy()
    wrong = chance.random(len(levels)) < 0.01
    spoilt[wrong] ^= np.uint64(1) << chance.integers(0, 20, int(wrong.sum())).astype(np.uint64)
    return spoilt


@pytest.mark.parametrize("count", [2_000, 20_000])
def test_a_run_is_like_itself_wherever_its_cycles_come(run, count):
    assert not is_unlike(run, run, MASK, 20_000, count)
    assert not is_unlike(run[123:], run, MASK, 20_000, count)


@pytest.mark.parametrize(("rows", "unlike"), [(30, False), (60, True)])
def test_rows_that_lie_apart_count_where_they_are_more_than_noise_scatters(run, rows, unlike):
    other = run.copy()
    other[20_000:40_000][:: 20_000 // rows] ^= np.uint64(1 << 19)
    assert is_unlike(other, run, MASK, 20_000, 20_000) is unlike


def test_as_many_in_a_row_as_noise_does_not_make_are_enough(run):
    other = run.copy()
    other[30_000 : 30_000 + IN_A_ROW] ^= np.uint64(1 << 19)
    assert is_unlike(other, run, MASK, 20_000, 20_000)
    assert not is_unlike(other, run, MASK, 35_000, 20_000)
    assert not is_unlike(other, run, MASK & ~(1 << 19), 20_000, 20_000)


def test_noise_seldom_makes_so_many_in_a_row():
    rare = [_longest_of(seed) for seed in range(60)]
    assert sum(most >= IN_A_ROW for most in rare) <= 2


def _longest_of(seed):
    """Longest row of sequences of 8 cycles that noise spoils, of 20,000."""
    wrong = np.random.default_rng(seed).random(20_000) < 0.012
    spoilt = np.convolve(wrong, np.ones(8), "valid") > 0
    return max(map(len, "".join("x" if one else " " for one in spoilt).split()))


def test_a_loop_that_never_ends_is_unlike_one_that_does(run):
    other = run.copy()
    other[30_000:] = np.resize(run[100:110], ALL - 30_000)  # sequences that are all there in the other
    assert is_unlike(other, run, MASK, 25_000, 20_000)
