"""Ctrl-C where Python is about to take up what the core asks, and where the core has just come back."""

import hashlib

import pytest

from simkit import Machine
from simkit.cpu.core.engine import _CYCLE

CYCLES = 500_000


def load():
    machine = Machine.load("demo:marlpit", engine="auto")
    if machine.cpu.arena is None:
        pytest.skip("there is no core here")
    return machine


def interrupted_behind(run, number):
    """The core's function with Ctrl-C behind its call of that number, as a signal comes behind a call."""
    left = [number]

    def interrupted(state):
        run(state)
        left[0] -= 1
        if not left[0]:
            raise KeyboardInterrupt

    return interrupted


@pytest.mark.parametrize("number", [1, 2, 7, 15])
@pytest.mark.parametrize("recorded", [False, True], ids=["plain", "recorded"])
def test_ctrl_c_right_behind_the_core_leaves_what_it_did_and_the_machine_goes_on(number, recorded):
    states, records = [], []
    for disturbed in (False, True):
        machine, seen = load(), hashlib.sha256()
        handle = machine.bus.record(seen.update) if recorded else None
        if disturbed:
            room, name = machine.cpu._room, "run_recorded" if recorded else "run"
            setattr(room, name, interrupted_behind(getattr(room, name), number))
            with pytest.raises(KeyboardInterrupt):
                machine.run(cycles=CYCLES)
            assert 0 < machine.cycle < CYCLES
        machine.run(cycles=CYCLES - machine.cycle)
        if handle is not None:
            handle.remove()
        states.append(machine.save_state())
        records.append(seen.hexdigest())
    assert states[0] == states[1]
    assert records[0] == records[1]


@pytest.mark.usefixtures("reached")
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")  # ctypes says that it lost one
@pytest.mark.parametrize("number", [0, 1], ids=["read", "write"])
def test_ctrl_c_before_an_access_is_taken_up_comes_out_and_the_core_goes_no_further(number):
    machine = load()
    answers = machine.cpu._room._instance.answers
    real, asked = answers[number], []

    def answer():
        if len(asked) < 5:
            asked.append(machine.cpu._longs[_CYCLE])
        if len(asked) == 5:
            raise KeyboardInterrupt
        real()

    answers[number] = answer
    with pytest.raises(KeyboardInterrupt):
        machine.run(cycles=2_000_000)
    assert machine.cycle == asked[-1]
    answers[number] = real
    machine.reset()
    machine.run(cycles=CYCLES)
    assert machine.cycle >= asked[-1] + CYCLES


@pytest.mark.usefixtures("reached")
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")  # ctypes says that it lost one
@pytest.mark.parametrize("number", [0, 1], ids=["read", "write"])
def test_ctrl_c_behind_an_answer_ends_the_run_with_that_access(number):
    machine = load()
    answers = machine.cpu._room._instance.answers
    real, asked = answers[number], []

    def answer():
        real()
        if len(asked) < 5:
            asked.append(machine.cpu._longs[_CYCLE])
        if len(asked) == 5:
            raise KeyboardInterrupt

    answers[number] = answer
    with pytest.raises(KeyboardInterrupt):
        machine.run(cycles=2_000_000)
    assert machine.cycle == asked[-1]
