"""The machine with the very fault that is there is refuted by no capture of it, whatever an analyser does to that."""

import numpy as np
import pytest

from simkit.capture.captured import Captured
from simkit.contract.errors import SimkitError
from simkit.measure.judging import trial_of
from simkit.records.observed import Observer
from simkit.suspect.catalogue import catalogue
from simkit.suspect.followed import Following
from tests.suspect.conftest import FULL, spoilt

FAULTS, CYCLES, SEED = 40, 12_000, 777
AT_MOST = 1
"""Of 40 machines, those that noise may refute: a wrong bit can be what another machine would have done."""
ALWAYS = "A4 shorted to A5", "D3 inverted", "slot 1: pin D7 open", "slot 2: pin D0 late", "CPU: BE open"
"""Executed bytes of which nobody drives a bit, and registers of which the lines show a part."""


def taken(trial, fault, seed=SEED):
    """Bus cycles of it from power-on, under a power-up that no search has had."""
    machine = trial.machine(seed, fault)
    with Observer(machine, FULL) as observer:
        machine.run_to(CYCLES)
    return observer.observed.levels


def captured(levels, noise):
    """A capture of them."""
    known = np.full(len(levels), (1 << len(FULL)) - 1, np.uint64)
    whole = Captured(tuple(FULL), levels, known, np.arange(len(levels), dtype=float), np.zeros(len(levels), bool))
    return spoilt(whole, noise) if noise else whole


def refuted(faults, noise):
    trial, found = trial_of("pad-test"), []
    for fault in faults:
        try:
            levels = taken(trial, fault)
        except SimkitError:  # a setting that this machine cannot have
            continue
        left = Following(captured(levels, noise), trial).left_over(fault)
        if left is not None and left.cycles:
            found.append((fault, left.words))
    return found


@pytest.mark.slow
@pytest.mark.parametrize("noise", [0, 1, 2, 3])
def test_the_machine_with_the_fault_that_is_there_is_not_refuted(noise):
    sentences = sorted(one.sentence for one in catalogue(trial_of("pad-test").description))
    drawn = np.random.default_rng(232).choice(np.array(sentences), FAULTS - len(ALWAYS), replace=False).tolist()
    found = refuted([*ALWAYS, *drawn], noise)
    assert len(found) <= (AT_MOST if noise else 0), found
