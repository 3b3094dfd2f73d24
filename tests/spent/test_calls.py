"""Who called whom, told step by step: what puts a return address on the stack, and what takes it off."""

import pytest

from simkit.spent import calls as module
from simkit.spent.calls import Calls

A, B, C = 0x8100, 0x8200, 0x8300


def told(calls, cycle):
    """Calls, own, with calls, lengths of each routine and handler; and own of the main program."""
    calls.finish(cycle)
    found = {
        key: (one.calls, one.own, one.cycles, sorted(one.lengths.counts.elements()))
        for key, one in calls.tallies.items()
    }
    return found, calls.main.own


def shape(step):
    return {key: shape(one) for key, one in step.below.items()}


@pytest.fixture
def calls():
    return Calls(0, {A, B, C})


def test_a_call_comes_back_to_its_caller(calls):
    calls.called(A, 0xFF, 10)
    calls.called(B, 0xFD, 15)
    calls.returned(0xFD, 0, 35)
    calls.returned(0xFF, 0, 40)
    assert told(calls, 50) == ({A: (1, 10, 30, [30]), B: (1, 20, 20, [20])}, 20)


@pytest.mark.parametrize("moved", [0xFD, 0xFE, 0xFF])
def test_what_is_put_where_a_return_address_lay_ends_that_call(calls, moved):
    calls.called(A, 0xFD, 10)
    calls.called(B, moved, 20)
    calls.returned(moved, 0, 25)
    assert told(calls, 30) == ({A: (1, 10, 10, []), B: (1, 5, 5, [5])}, 15)
    assert shape(calls.main) == {A: {}, B: {}}


@pytest.mark.parametrize("read", [0xFC, 0xFB, 0x80])
def test_an_address_from_below_the_innermost_call_is_a_jump(calls, read):
    calls.called(A, 0xFD, 10)
    calls.returned(read, 0x9000, 20)
    calls.returned(0xFD, 0, 25)
    assert told(calls, 30) == ({A: (1, 15, 15, [15])}, 15)


def test_a_jump_to_what_is_called_is_a_call_and_both_come_back_together(calls):
    calls.called(A, 0xFD, 10)
    calls.jumped(B, 20)
    calls.returned(0xFD, 0, 30)
    assert told(calls, 30) == ({A: (1, 10, 20, [20]), B: (1, 10, 10, [10])}, 10)


@pytest.mark.parametrize("read", [0xFC, 0xFB, 0x80])
def test_a_pushed_address_may_go_to_what_is_called(calls, read):
    calls.called(A, 0xFD, 10)
    calls.returned(read, B, 20)
    calls.returned(0xFD, 0, 30)
    assert told(calls, 30) == ({A: (1, 10, 20, [20]), B: (1, 10, 10, [10])}, 10)


def test_a_jump_back_in_the_same_call_goes_on_with_it(calls):
    calls.called(A, 0xFD, 10)
    for cycle in range(20, 1000, 20):
        calls.jumped(B, cycle)
        calls.jumped(A, cycle + 10)
    calls.returned(0xFD, 0, 1000)
    found, _ = told(calls, 1000)
    assert found[A][0] == 1
    assert found[B][3] == [10] * 49
    assert shape(calls.main) == {A: {B: {}}}


def test_a_jump_to_a_routine_of_an_outer_call_is_another_call_of_it(calls):
    calls.called(A, 0xFD, 10)
    calls.called(B, 0xFB, 20)
    calls.jumped(A, 30)
    calls.returned(0xFB, 0, 40)
    calls.returned(0xFD, 0, 50)
    found, _ = told(calls, 50)
    assert found[A] == (2, 30, 40, [10, 40])  # of the inner call each cycle counts once
    assert shape(calls.main) == {A: {B: {A: {}}}}


def test_jumps_of_the_main_program_and_of_handlers_are_no_calls(calls):
    calls.jumped(A, 10)
    calls.interrupted("IRQ", C, 0xFF, 20)
    calls.jumped(B, 30)
    calls.returned(0xFF, 0, 40)
    assert told(calls, 50) == ({("IRQ", C): (1, 20, 20, [20])}, 30)


def test_jumps_from_one_to_the_next_have_an_end(calls):
    many = range(0x9000, 0x9000 + 100)
    calls = Calls(0, set(many))
    calls.called(A, 0xFD, 1)
    for cycle, routine in enumerate(many, 2):
        calls.jumped(routine, cycle)
    calls.returned(0xFD, 0, 200)
    found, main = told(calls, 200)
    assert len(found) == module.MOST_TAILS
    assert main + sum(own for _, own, _, _ in found.values()) == 200


def test_a_handler_takes_nothing_from_the_routine_that_it_interrupts(calls):
    calls.called(A, 0xFD, 10)
    calls.interrupted("NMI", C, 0xFB, 20)
    calls.called(A, 0xF8, 30)
    calls.returned(0xF8, 0, 40)
    calls.returned(0xFB, 0, 45)
    calls.returned(0xFD, 0, 50)
    found, _ = told(calls, 50)
    assert found[A] == (2, 15 + 10, 15 + 10, [10, 15])
    assert found["NMI", C] == (1, 15, 25, [25])
    assert calls.tallies[A].longest == 40
    assert shape(calls.main) == {A: {}}
    assert shape(calls.handlers["NMI", C]) == {A: {}}


def test_more_ways_than_can_be_told_apart_are_their_callers(calls, monkeypatch):
    monkeypatch.setattr(module, "MOST_NODES", 1)
    calls.called(A, 0xFD, 10)
    calls.called(B, 0xFB, 20)
    calls.returned(0xFB, 0, 35)
    calls.returned(0xFD, 0, 40)
    found, _ = told(calls, 40)
    assert found == {A: (1, 15, 30, [30]), B: (1, 15, 15, [15])}
    assert (calls.main.below[A].calls, calls.main.below[A].own) == (1, 30)
    assert calls.crowded
