"""A capture of few lines that begins with RESET, held in order against what all runs of a candidate show from there."""

import numpy as np
import pytest

from simkit.suspect.begun import CYCLES, LEFT, ONE_MORE, ROWS, Beginnings, Rows, begun

MASK = 0xFF
CAPTURED = 600
FORETOLD = 40
"""Cycles that all runs of most classes here show alike."""


def runs(seed, words, classes):
    """Four runs of each class, alike up to a cycle of its own; what they show behind that is of the power-up.

    Args:
        seed: of everything.
        words: different levels there are.
        classes: by name, from which cycle on the class does something else than the one before, and how far its runs
            are alike.
    """
    random = np.random.default_rng(seed)
    made = random.integers(0, words, CYCLES).astype(np.uint64)
    levels = []
    for other, alike in classes.values():
        made = made.copy()
        made[other:] = random.integers(0, words, CYCLES - other)
        each = np.stack([made] * 5)  # the last one is what is captured
        each[:, alike:] = random.integers(0, words, (5, CYCLES - alike))
        levels.append(each)
    found = np.stack(levels)
    numbers = {name: number for number, name in enumerate(classes)}
    beginnings = Beginnings(numbers, found[:, :4], np.ones((len(classes), 4, CYCLES), bool))
    tail = random.integers(0, words, CAPTURED).astype(np.uint64)
    return beginnings, {name: np.concatenate((found[at, 4], tail)) for name, at in numbers.items()}


def rows_of(levels, lost=()):
    flags = np.zeros(len(levels), bool)
    flags[list(lost)] = True
    return Rows.of(levels, np.ones(len(levels), bool), flags)


CLASSES = {"sound": (0, CYCLES), "a": (20, FORETOLD), "b": (28, FORETOLD), "nothing": (0, 0)}


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("late", [0, 3, 15])
def test_who_foretells_the_first_cycles_in_order_is_told_from_who_foretells_others_or_nothing(seed, late):
    beginnings, shown = runs(seed, 40, CLASSES)
    for true in ("a", "b"):
        found = begun(rows_of(shown[true][late : late + CAPTURED]), MASK, beginnings, list(CLASSES))
        near = [name for name, likely in found.likely.items() if found.best - likely <= ONE_MORE]
        assert near == [true]
        assert true not in found.left
        assert found.come[true] == FORETOLD - late


@pytest.mark.parametrize("seed", range(8))
def test_a_wrong_bit_and_missing_cycles_leave_the_true_one_first(seed):
    beginnings, shown = runs(seed, 40, CLASSES)
    random = np.random.default_rng(seed)
    seen = shown["a"][:CAPTURED].copy()
    seen[int(random.integers(6, 34))] ^= np.uint64(1 << int(random.integers(8)))
    gone, count = int(random.integers(6, 18)), int(random.integers(1, 6))
    seen = np.delete(seen, slice(gone, gone + count))
    found = begun(rows_of(seen, [gone]), MASK, beginnings, list(CLASSES))
    assert found.best - found.likely["a"] <= ONE_MORE
    assert "a" not in found.left
    assert found.best - found.likely["nothing"] > ONE_MORE


@pytest.mark.parametrize("seed", range(8))
def test_who_would_go_on_where_the_real_machine_leaves_what_all_runs_show_has_been_left(seed):
    beginnings, shown = runs(seed, 40, CLASSES)
    leaves = np.concatenate((shown["sound"][:60], np.random.default_rng(seed).integers(0, 40, CAPTURED)))
    found = begun(rows_of(leaves.astype(np.uint64)), MASK, beginnings, list(CLASSES))
    assert found.best == found.likely["sound"] > LEFT
    assert "sound" in found.left
    stays = begun(rows_of(shown["sound"][:CAPTURED]), MASK, beginnings, list(CLASSES))
    assert "sound" not in stays.left
    assert stays.come["sound"] == ROWS


def test_cycles_that_are_not_known_speak_neither_for_nor_against():
    beginnings, shown = runs(1, 40, CLASSES)
    seen, whole = shown["a"][:CAPTURED].copy(), np.ones(CAPTURED, bool)
    before = begun(Rows.of(seen, whole, ~whole), MASK, beginnings, ["a"]).likely["a"]
    seen[10:14] ^= np.uint64(MASK)
    against = begun(Rows.of(seen, whole, ~whole), MASK, beginnings, ["a"]).likely["a"]
    whole[10:14] = False
    neither = begun(Rows.of(seen, whole, np.zeros(CAPTURED, bool)), MASK, beginnings, ["a"]).likely["a"]
    assert against < neither < before


def test_levels_that_are_everywhere_are_worth_less_than_those_that_are_seldom():
    levels = np.array([7] * 500 + [9] * 4, np.uint64)
    worth = rows_of(levels).worth
    assert 0 <= worth[0] < 0.1
    assert worth[-1] > 4
