"""Candidates that leave memory as it is leave what a sound machine leaves there, and need not be led to leave it."""

import attrs
import pytest

from simkit.compare.judged import led
from simkit.measure.judging import trial_of
from simkit.suspect.followed import Following
from simkit.suspect.in_memory import left_in_memory, reads_of_memory, remembers_as
from simkit.suspect.left_over import instructions
from simkit.suspect.outcomes import SOUND
from simkit.suspect.parts import FIRST_ROWS
from tests.suspect.test_not_refuted import captured, taken

PROGRAM = "keyboard-test"
TRUE = (
    "slot 1: pin D3 low",
    "slot 1: pin A2 high",
    "slot 1: line A1 exchanged with A2",
    "slot 1: write enable never",
    "slot 2: pin D5 inverted",
    "slot 2: pin A3 low",
    "A0 shorted to A1",
    "D2 exchanged with D3",
    "D1 late",
    "RW high",
)
SELDOM = "slot 1: pins D0 to D7 late, 1 in 500", "slot 2: pins D0 to D7 late, 1 in 500"
OTHER_MEMORY = "slot 2: pin D0 low", "slot 1: pin D0 low"
"""Not the one that is at fault: it is asked what it puts there, but the CPU model is not led."""
ELSEWHERE = "IRQ high", "slot 1: line RESET open", "slot 5: pin D0 open"


@pytest.fixture(scope="module")
def trial():
    return trial_of(PROGRAM)


def left_by_sound(trial, seen):
    machine = trial.machine(trial.seeds[0])
    return reads_of_memory(machine, led(machine, seen), 0)


@pytest.mark.parametrize("fault", TRUE)
def test_what_a_sound_machine_leaves_in_memory_is_not_left_with_the_fault_that_is_there(trial, fault):
    levels = taken(trial, fault)[:5_000]
    for noise in (0, 1):
        seen = captured(levels, noise)
        assert left_in_memory(trial.machine(trial.seeds[0], fault), seen, left_by_sound(trial, seen)) == []


@pytest.mark.parametrize(("fault", "other"), [*zip(SELDOM, OTHER_MEMORY, strict=True)])
def test_who_leaves_memory_as_it_is_leaves_the_same_and_is_not_led(trial, fault, other):
    seen = captured(taken(trial, fault), 1)
    following = Following(seen, trial)
    assert following.left_over(SOUND).cycles
    before = following.rows
    assert all(following.left_over(name).cycles for name in ELSEWHERE)
    assert following.rows == before
    assert following.left_over(other).cycles
    assert following.rows == before + FIRST_ROWS[0]
    following.left_over(fault.partition(",")[0])
    assert following.rows > before + 2 * FIRST_ROWS[0]  # who may be the cause is led


def test_a_byte_that_memory_did_not_take_is_left_by_all_who_have_the_same_memory_however_often_it_is_read(trial):
    """On the lines the wrong byte is given back again and again: that is otherwise but once."""
    seen = captured(taken(trial, "slot 1: write data end early, 1 in 20", 602), 1)
    following = Following(seen, trial)
    reads = left_by_sound(trial, seen)
    assert instructions(reads) >= 10
    assert left_in_memory(trial.machine(trial.seeds[0], ELSEWHERE[0]), seen, reads) == []
    assert following.left_over(SOUND).cycles
    before = following.rows
    assert all(following.left_over(name).cycles for name in ELSEWHERE)
    assert following.rows == before


@pytest.mark.parametrize("fault", [*TRUE, "CPU: pin D3 open", "RDY low", "slot 3: selected by 0xxx xxxx xxxx xxxx"])
def test_who_has_another_memory_or_other_lines_of_the_cpu_does_not_remember_as_a_sound_machine(trial, fault):
    sound = trial.machine(trial.seeds[0])
    cells = led(sound, captured(taken(trial, "")[:3_000], 0)).cells
    assert all(remembers_as(trial.machine(trial.seeds[0], name), sound, cells) for name in ELSEWHERE)
    assert not remembers_as(trial.machine(trial.seeds[0], fault), sound, cells)


def test_one_read_alone_refutes_nobody_though_a_sound_machine_has_it_proven(trial):
    seen = captured(taken(trial, SELDOM[1]), 0)
    one, *_ = reads = left_by_sound(trial, seen)
    elsewhere = trial.machine(trial.seeds[0], ELSEWHERE[0])
    assert len(left_in_memory(elsewhere, seen, reads)) > 1
    assert left_in_memory(elsewhere, seen, [attrs.evolve(one, proven=True)]) == []
