"""Rounds of waiting loops are left out of the records without changing what a rule would be told."""

import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simkit.backplane.cycle import Kind
from simkit.backplane.records import KIND_SHIFT
from simkit.check.watches.rounds import FEW, LEAST, LONGEST_PERIOD, first_and_last, without_rounds
from tests.examples import examples

FETCH, READ = int(Kind.FETCH) << KIND_SHIFT, int(Kind.DATA) << KIND_SHIFT


def loop(addresses):
    """A round: opcodes and operands by turns, each at its own address."""
    return [address | (READ if number % 2 else FETCH) for number, address in enumerate(addresses)]


words = st.lists(st.integers(0, 0xFF_FFFF), max_size=40)
rounds = st.lists(st.integers(0, 0xFFFF), min_size=2, max_size=LONGEST_PERIOD // 2, unique=True).map(loop)


@given(words, rounds, st.integers(0, LEAST), words, rounds, st.data())
@settings(max_examples=examples(200), deadline=None)
def test_what_is_left_is_the_same_program_waiting_less_long(before, first, times, between, second, data):
    period = len(second)
    enough = LEAST // period + 6
    what = np.array(before + first * (times // len(first)) + between + second * enough, np.uint32)
    answered = sorted(data.draw(st.sets(st.integers(0, len(what) - 1), max_size=5)))
    left = without_rounds(what, answered)
    assert left is not None
    assert np.isin(answered, left).all()
    gaps = np.flatnonzero(np.diff(left) != 1)
    assert left[0] == 0
    assert left[-1] == len(what) - 1
    for gap in gaps.tolist():
        last, following = int(left[gap]), int(left[gap + 1])
        dropped = following - last - 1
        assert dropped % period == 0
        around = what[last + 1 - 3 * period : following + period]
        assert (around[period:] == around[:-period]).all()  # three rounds before, one behind, all alike
        assert not [number for number in answered if last - period < number < following]
    if not answered:
        assert len(left) < len(before) + len(first) * (times // len(first)) + len(between) + 8 * period


@given(st.permutations(range(50)))
def test_a_program_that_goes_round_nowhere_is_left_whole(order):
    addresses = np.concatenate([np.arange(100) + 100 * place for place in order])
    assert len(addresses) >= LEAST
    assert without_rounds(addresses.astype(np.uint32), []) is None


def one_by_one(what, by):
    """Of equal neighbours at the distance of a round those that must be kept: at least the first three and the last."""
    kept = {}
    stores = 0
    for number, (one, who) in enumerate(zip(what.tolist(), by.tolist(), strict=True)):
        stores += one >> 24 != 1
        kept.setdefault((one, who, stores), []).append(number)
    return [{*places[:3], places[-1]} for places in kept.values()]


@pytest.mark.parametrize("lengths", [(1,), (2,), (3, 1), (4, 2, 1), (5, 7)])
def test_of_a_loop_that_waits_the_first_three_rounds_and_the_last_are_kept(lengths):
    chance = random.Random(str(lengths))
    reads = []
    while len(reads) < 4 * FEW:
        round_ = [
            (chance.randrange(3) | chance.randrange(4) << 16 | 1 << 24, chance.randrange(3))
            for _ in range(chance.choice(lengths))
        ]
        reads += round_ * chance.randrange(1, 60)
        if chance.random() < 0.3:
            reads.append((5 | 9 << 24, 7))
    what, by = np.array([one for one, _ in reads], np.uint32), np.array([who for _, who in reads], np.int64)
    kept = set(first_and_last(what, by).tolist())
    for needed in one_by_one(what, by):
        assert needed <= kept
    if max(lengths) <= 4:
        assert len(kept) < len(reads) // 2
