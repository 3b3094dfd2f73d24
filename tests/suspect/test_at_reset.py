"""RESET's vector is fetched at two addresses that hang on nothing: who puts others on the backplane is no cause."""

import numpy as np
import pytest

from simkit.machine.machine import Machine
from simkit.measure.judging import trial_of
from simkit.records.observed import Observer
from simkit.suspect.at_reset import fetched_elsewhere, vector_row
from simkit.suspect.followed import Following
from tests.suspect.conftest import FULL
from tests.suspect.test_not_refuted import captured

CYCLES = 450
TRUE = (
    "A8 inverted",
    "A12 low",
    "A1 open",
    "A4 shorted to A5",
    "A7 exchanged with A9",
    "RW high",
    "D3 inverted",
    "slot 2: pin A14 low",
    "slot 2: card removed",
)
BOTH = ("A8 inverted", "A0 shorted to A1"), ("A9 low", "A1 open"), ("A13 inverted", "slot 2: pin D7 low")
OTHERS = "A7 inverted", "A12 exchanged with A7", "PHI2 low", "slot 2: pin D7 open", "slot 2: card removed"


@pytest.fixture(scope="module")
def trial():
    return trial_of("keyboard-test")


def from_reset(trial, *faults):
    """Bus cycles of a machine with faults, from power-on."""
    machine = Machine(trial.description.with_faults(list(faults)))
    with Observer(machine, FULL) as observer:
        machine.run_to(CYCLES)
    return observer.observed.levels


@pytest.mark.parametrize("fault", TRUE)
def test_the_machine_with_the_fault_that_is_there_fetches_the_vector_where_the_capture_does(trial, fault):
    levels = from_reset(trial, fault)
    for noise in (0, 1, 2):
        seen = captured(levels, noise)
        row = vector_row(trial.machine(trial.seeds[0]), seen)
        assert row is None or fetched_elsewhere(trial.machine(trial.seeds[0], fault), seen, row) == ([], "")
    assert vector_row(trial.machine(trial.seeds[0]), captured(levels, 0)) == 5


@pytest.mark.parametrize("faults", BOTH, ids=" and ".join)
def test_who_has_it_fetched_elsewhere_is_refuted_though_the_cpu_model_is_never_in_step(trial, faults):
    following = Following(captured(from_reset(trial, *faults), 0), trial)
    for name in OTHERS:
        left = following.left_over(name)
        assert left.cycles, name
        assert "RESET's vector is fetched with $" in left.words, name


def test_one_row_of_the_vector_alone_refutes_nobody(trial):
    levels = from_reset(trial)
    sound = trial.machine(trial.seeds[0])
    for row in (5, 6):
        seen = captured(levels.copy(), 0)
        seen.levels[row] ^= np.uint64(1 << FULL.index("A3"))
        assert fetched_elsewhere(sound, seen, 5) == ([], "")
    seen.levels[5] ^= np.uint64(1 << FULL.index("A7"))
    assert fetched_elsewhere(sound, seen, 5)[0] == [5, 6]


def test_a_capture_that_does_not_hold_both_rows_says_nothing(trial):
    sound, levels = trial.machine(trial.seeds[0]), from_reset(trial)
    assert vector_row(sound, captured(levels[7:], 0)) is None
    seen = captured(levels, 0)
    for missing in (5, 6):
        kept = np.arange(len(seen)) != missing
        without = seen[kept]
        without.lost[missing] = True
        row = vector_row(sound, without)
        assert row is None, missing
