"""What registers answer in a capture, held against whole runs of a candidate."""

import numpy as np
import pytest

from simkit.capture.captured import Captured
from simkit.machine.machine import Machine
from simkit.records.observed import Observer
from simkit.suspect.registers import AGAIN, LINES, Registers
from simkit.suspect.trial import Trial

CYCLES = 150_000


@pytest.fixture(scope="module")
def registers():
    return Registers(Trial.of(Machine.load("demo:pad-test"), CYCLES))


def capture(trial, *faults, errors=0.01):
    machine = Machine(trial.description.with_faults(list(faults)), trial.images)
    with Observer(machine, LINES) as observer:
        machine.run_to(CYCLES)
    levels = observer.observed.levels[100_000:120_000].copy()
    random = np.random.default_rng(7)
    wrong = random.random(len(levels)) < errors
    levels[wrong] ^= (np.uint64(1) << random.integers(0, len(LINES), len(levels)).astype(np.uint64))[wrong]
    known = np.full(len(levels), (1 << len(LINES)) - 1, np.uint64)
    return Captured(LINES, levels, known, np.arange(len(levels)) / 2e6, np.zeros(len(levels), bool))


def test_what_a_fault_makes_a_register_answer_is_its_own_in_spite_of_noise(registers):
    assert registers.strange(capture(registers.trial, "slot 4: pin D2 inverted"), "slot 4: pin D2 inverted") == ""


def test_a_second_fault_of_the_card_is_a_byte_that_neither_alone_makes_a_register_answer(registers):
    faults = "slot 4: pin D2 inverted", "slot 4: pin D5 low"
    found = capture(registers.trial, *faults)
    for fault in faults:
        assert "where it never gives that" in registers.strange(found, fault)


@pytest.mark.parametrize(("times", "is_strange"), [(1, False), (AGAIN - 1, False), (AGAIN, True)])
def test_a_byte_is_what_a_register_gives_where_it_is_read_again_and_again(registers, times, is_strange):
    found = capture(registers.trial, errors=0.0)
    at = np.flatnonzero((found.levels >> np.uint64(8) & np.uint64(0xFFFF)) == 0x7F22)[:times]
    assert len(at) == times
    found.levels[at] = found.levels[at] & ~np.uint64(0xFF) | np.uint64(0x5A)
    assert bool(registers.strange(found, "")) is is_strange
