"""A small search: some faults of Marlpit with the keyboard tester, run once for all tests here."""

from concurrent.futures import Executor, Future

import numpy as np
import pytest

from simkit.capture.captured import Captured
from simkit.machine.machine import Machine
from simkit.suspect.catalogue import catalogue
from simkit.suspect.runs import run_all
from simkit.suspect.trial import Trial

CYCLES = 100_000
FAULTS = (
    "slot 2: pin D3 low",
    "slot 2: pin D3 high",
    "slot 2: line A1 low",
    "slot 2: pin A1 low",
    "slot 2: line A4 exchanged with A5",
    "slot 1: line A8 high",
    "D0 exchanged with D1",
    "slot 5: card removed",
    "slot 5: line A0 low",
    "slot 5: pin D6 low",
    "slot 5: pin D6 exchanged with D7",
)

FULL = [f"A{n}" for n in range(16)] + [f"D{n}" for n in range(8)] + ["RW", "SYNC"]
"""Lines of the whole bus."""


def spoilt(captured, noise):
    """As an analyser has it: one cycle in a hundred has a wrong bit, at one in five hundred up to five are missing."""
    chance, count = np.random.default_rng(noise), len(captured)
    levels, kept, lost = captured.levels.copy(), np.ones(count, bool), np.zeros(count, bool)
    wrong = chance.random(count) < 0.01
    levels[wrong] ^= (np.uint64(1) << chance.integers(0, len(captured.names), count).astype(np.uint64))[wrong]
    for begin in np.flatnonzero(chance.random(count) < 0.002).tolist():
        end = min(count - 1, begin + int(chance.integers(1, 6)))
        kept[begin:end], lost[end] = False, True
    return Captured(captured.names, levels[kept], captured.known[kept], captured.time[kept], lost[kept])


class Here(Executor):
    """Does the work at once, where it is asked for."""

    def submit(self, call, /, *arguments, **words):
        future = Future()
        future.set_result(call(*arguments, **words))
        return future


@pytest.fixture(scope="session")
def trial():
    return Trial.of(Machine.load("demo:keyboard-test"), CYCLES)


@pytest.fixture(scope="session")
def outcomes(trial):
    found = catalogue(trial.description)
    some = [one for one in found if one.sentence in FAULTS]
    some += [one for one in found if one.sentence in ("CPU: D0 exchanged with D1", "slot 4: line A12 low")]
    return run_all(trial, some, executor=Here())
