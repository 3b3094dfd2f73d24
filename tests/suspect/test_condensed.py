"""Runs without what they show again: of any lines they show the same sequences, under the same power-ups."""

import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import given

from simkit.suspect import condensed as module
from simkit.suspect.condensed import Condensed, first_alike
from simkit.suspect.grams import grams

PIECES = st.lists(st.binary(max_size=40), max_size=3)
"""Bytes are drawn in one go, where lists of numbers are drawn one by one."""
FEW = 7
"""Values that come, so that sequences come again."""


def words(values, count=FEW):
    return np.frombuffer(values, np.uint8).astype(np.uint64) % np.uint64(count)


@given(st.lists(PIECES, max_size=4), st.integers(2, 5), st.integers(1, 7))
def test_of_any_lines_the_same_sequences_are_shown_by_the_same_runs(runs, length, mask):
    one = Condensed.of([[words(piece) for piece in run] for run in runs], length)
    found = {}
    for number, shown in zip(grams(one.levels, mask, length)[one.begins], one.shown[one.begins], strict=True):
        found[int(number)] = found.get(int(number), 0) | int(shown)
    wanted = {}
    for at, run in enumerate(runs):
        for piece in run:
            for number in grams(words(piece), mask, length).tolist():
                wanted[number] = wanted.get(number, 0) | 1 << at
    assert found == wanted


def test_what_comes_again_is_not_kept():
    loop = np.tile(np.arange(7, dtype=np.uint64), 500)
    one = Condensed.of([[loop], [loop]], 3)
    assert len(one.levels) == 7 + 2
    assert one.shown.tolist() == [3] * 7 + [0, 0]


@given(st.binary(max_size=60), st.integers(1, 21), st.booleans())
def test_alike_are_put_together_and_no_others(values, count, crowded):
    numbers = words(values, count)
    with pytest.MonkeyPatch.context() as patch:
        if crowded:  # all in two buckets: some that are alike may stay apart
            patch.setattr(module, "_SHIFTS", (2, 1))
            patch.setattr(module, "_BUCKETS", np.uint64(1))
        first = first_alike(numbers)
    assert (numbers[first] == numbers).all()
    assert (first <= np.arange(len(numbers))).all()
    assert (first[first] == first).all()
    if not crowded:
        assert len(set(first.tolist())) == len(set(numbers.tolist()))
