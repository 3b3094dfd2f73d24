"""How often an open BE pin may be low: memory that hardly ever answers has another reason."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simkit.cpu.reference.cpu_lines import FLOATS_FOR
from simkit.measure.judging import trial_of
from simkit.suspect.followed import Following
from simkit.suspect.letting_go import Silences, _at_least_so_often
from tests.suspect.test_not_refuted import captured, taken

OPEN = "CPU: BE open"


@given(st.lists(st.integers(0, 3000), max_size=80))
def test_no_more_times_are_counted_than_there_must_have_been(lows):
    """Blocks of so many cycles, as our model has them, wherever the first begins."""
    blocks = sorted(set(lows))
    silent = sorted({FLOATS_FOR * block + at for block in blocks for at in (0, 7, FLOATS_FOR - 1)})
    often = _at_least_so_often(np.array(silent, np.int64))
    assert len(blocks) / 2 <= often <= len(blocks)


@pytest.mark.parametrize(("every", "refuted"), [(1, True), (FLOATS_FOR, True), (FLOATS_FOR * 16, False), (5000, False)])
def test_memory_that_hardly_ever_answers_is_no_open_be(monkeypatch, every, refuted):
    """Low now and then in our model: a sixteenth of the time, a chance for each 64 cycles."""
    trial = trial_of("keyboard-test")
    whole = captured(taken(trial, OPEN), 0)
    silences = Silences([], list(range(0, len(whole), every)))
    monkeypatch.setattr(Silences, "of", lambda *_: silences)
    left = Following(whole, trial).left_over(OPEN)
    assert left is not None
    assert ("nearly always" in left.words) is refuted


@pytest.mark.parametrize("noise", [0, 1, 2])
def test_an_open_be_is_explained_by_itself(noise):
    trial = trial_of("keyboard-test")
    left = Following(captured(taken(trial, OPEN), noise), trial).left_over(OPEN)
    assert left is not None
    assert not left.cycles


@pytest.mark.parametrize("fault", ["slot 2: pins D0 to D7 late, 1 in 500", "slot 2: PHI2 missing, 1 in 500"])
def test_where_cards_answer_again_and_again_a_cpu_is_held_to_what_a_sound_machine_does(monkeypatch, fault):
    """Whatever is silent elsewhere; an open BE lets go for many cycles, and these faults for one."""
    trial = trial_of("keyboard-test")
    whole = captured(taken(trial, fault), 1)
    monkeypatch.setattr(Silences, "of", lambda *_: Silences([], [5]))
    left = Following(whole, trial).left_over(OPEN)
    assert left is not None
    assert "holds" in left.words
