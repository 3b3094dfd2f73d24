"""A machine run again from power-on does what it did; where that cannot be, that is known."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simkit import Machine
from simkit.machine.again import Again

DEEDS = st.lists(
    st.one_of(
        st.tuples(st.just("run"), st.integers(1, 30_000)),
        st.tuples(st.just("type"), st.sampled_from("ab1\n")),
        st.tuples(st.just("reset"), st.none()),
        st.tuples(st.just("power"), st.none()),
    ),
    min_size=1,
    max_size=6,
)


def do(machine, deeds):
    for deed, value in deeds:
        if deed == "run":
            machine.run(cycles=value)
        elif deed == "type":
            machine.keys.type(value)
        elif deed == "reset":
            machine.reset()
            machine.run(cycles=100)  # a button that is held is not pressed again
        else:
            machine.power_cycle()


@settings(deadline=None, max_examples=15)
@given(DEEDS)
def test_it_comes_to_the_same_state(deeds):
    machine = Machine.load("demo:keyboard-test")
    again = Again(machine)
    do(machine, [*deeds, ("run", 200_000)])
    assert again.whole
    other = again.machine()
    assert other.cycle == 0
    other.run_to(machine.cycle)
    assert other.state_hashes() == machine.state_hashes()


def poke(machine):
    machine.poke(0x200, 1)


def put_register(machine):
    machine.cpu.a ^= 1
    machine.run(cycles=10)


def load(machine):
    machine.load_state(machine.save_state())


def put_fault_in(machine):
    machine.add_fault("IRQ low")


@pytest.mark.parametrize("done", [poke, put_register, load, put_fault_in])
def test_what_is_done_by_hand_cannot_be_done_again(done):
    machine = Machine.load("demo:bench")
    again = Again(machine)
    machine.run(cycles=1_000)
    assert again.whole
    done(machine)
    assert not again.whole


def test_a_machine_that_has_run_already_is_not_whole():
    machine = Machine.load("demo:bench")
    machine.run(cycles=1_000)
    assert not Again(machine).whole


def test_behind_the_state_of_another_all_is_known_again():
    first = Machine.load("demo:keyboard-test")
    its = Again(first)
    first.keys.type("a")
    first.run(cycles=300_000)
    state, so_far = first.save_state(), its.so_far()
    second = Machine.load("demo:keyboard-test")
    again = Again(second)
    second.load_state(state)
    again.go_on_behind(so_far)
    second.keys.type("b")
    second.run(cycles=300_000)
    other = again.machine()
    other.run_to(second.cycle)
    assert again.whole
    assert other.state_hashes() == second.state_hashes()


def test_nothing_is_kept_any_more_behind_its_end():
    machine = Machine.load("demo:keyboard-test")
    again = Again(machine)
    again.stop()
    assert again not in machine.histories
    machine.keys.type("a")
    machine.run(cycles=300_000)
    assert again.so_far()[0] == ()
