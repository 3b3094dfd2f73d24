"""A small search: some faults of Marlpit with the keyboard tester, run once for all tests here."""

from concurrent.futures import Executor, Future

import pytest

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
