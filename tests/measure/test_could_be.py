"""Of two faults the one may do nothing that a power-up could not have done: is that told strictly?"""

import attrs
import numpy as np
import pytest

from simkit.measure.could_be import could_be as asked
from simkit.measure.judging import trial_of
from simkit.measure.symptoms import exact as without_noise
from simkit.records.observed import Observer
from simkit.suspect.followed import Following
from simkit.suspect.runs import observed_lines

SEED, CYCLES = 777, 6_000


@pytest.fixture(scope="module")
def trial():
    return trial_of("keyboard-test")


def could_be(trial, fault, captured):
    return asked(trial, fault, captured, Following(captured, trial))


def exact(trial, *faults):
    """What is on the lines of the bus, from RESET on."""
    described = attrs.evolve(trial, description=trial.description.with_faults(list(faults)))
    machine = described.machine(SEED)
    names = observed_lines(machine)
    with Observer(machine, names) as observer:
        machine.run_to(CYCLES)
    lines = tuple(name for name in names if "." not in name or name.endswith(".select"))
    return without_noise(observer.observed.levels, tuple(names), lines)


@pytest.mark.parametrize("fault", ["slot 2: pin D2 open", "A5 exchanged with A6", "slot 3: pin D0 low"])
def test_a_fault_could_be_what_it_is(fault, trial):
    assert could_be(trial, fault, exact(trial, fault))


def test_of_memory_that_nobody_wrote_nobody_can_tell_that_its_lines_are_exchanged(trial):
    one, other = "slot 2: pin D2 open", "slot 1: pin A12 exchanged with A13"
    both = exact(trial, one, other)
    assert not np.array_equal(both.levels, exact(trial, one).levels)
    assert could_be(trial, one, both)
    assert not could_be(trial, other, both)


@pytest.mark.parametrize("bit", [0, 20])
def test_one_line_of_one_cycle_is_enough_for_it_not_to_be(bit, trial):
    fault = "slot 2: pin D2 open"
    captured = exact(trial, fault)
    captured.levels[2_000] ^= np.uint64(1 << bit)
    assert not could_be(trial, fault, captured)


@pytest.mark.parametrize("fault", ["CPU: BE open", "PHI2 missing, 1 in 100"])
def test_what_comes_and_goes_is_not_said_to_be_possible(fault, trial):
    assert not could_be(trial, fault, exact(trial))
