"""Faults that no single fault explains: the list fits the machines and programs it is about."""

import random
from fractions import Fraction
from itertools import islice

import attrs
import pytest

from simkit.backplane.fault_sentences import read_fault
from simkit.machine.machine import Machine
from simkit.measure import outside_drawn
from simkit.measure.outside import KINDS, ROM_SLOT, TWO_FAULTS, address_of, changed_bytes, outside
from simkit.measure.outside_drawn import counts, pairs, strobes
from simkit.measure.outside_list import LATE_STROBES, LIST_SEED, PAIRS, PROGRAM_ERRORS
from simkit.measure.played import PLAYED
from simkit.records.recorder import Recorder


@pytest.fixture(scope="module")
def machines():
    return {name: Machine.load(played.machine) for name, played in PLAYED.items()}


@pytest.fixture(scope="module")
def listed(machines):
    return outside({name: machine.labels for name, machine in machines.items()})


def test_errors_in_programs_stand_where_the_list_says_and_are_more_than_a_bit(machines):
    for program, place, before, after, words in PROGRAM_ERRORS:
        machine = machines[program]
        at = address_of(machine.labels, place)
        old, new = bytes.fromhex(before), bytes.fromhex(after)
        assert bytes(machine.peek(at + n) for n in range(len(old))) == old, (program, place, words)
        assert len(old) == len(new)
        assert sum((one ^ other).bit_count() for one, other in zip(old, new, strict=True)) > 1, place


def test_all_of_them_are_faults_that_their_machine_takes(machines, listed):
    for case in listed:
        for fault in case.faults:
            read_fault(fault)
        machines[case.program].description.with_faults(case.faults)


def test_there_are_as_many_of_each_kind_as_a_measurement_needs(listed):
    for kind in KINDS:
        assert sum(case.kind == kind for case in listed) >= 50, kind
    assert sum(case.kind == TWO_FAULTS for case in listed) >= 100
    assert len({(case.program, case.faults) for case in listed}) == len(listed)


def test_two_faults_are_at_two_places(listed):
    assert all(one != two for _, one, two in PAIRS)


def test_an_error_in_a_program_is_made_of_bytes_of_its_rom(machines):
    at = machines["pad-test"].labels["show_pad"] + 63
    faults = changed_bytes(machines["pad-test"].labels, "show_pad+63", "6932")
    assert faults == (f"slot {ROM_SLOT}: byte at ${at:04X} = $69", f"slot {ROM_SLOT}: byte at ${at + 1:04X} = $32")


def test_strobes_are_drawn_from_all_places_each_once_and_the_same_again():
    drawn = list(strobes("pad-test", 3))
    assert drawn == list(strobes("pad-test", 3)) != list(strobes("pad-test", 4))
    assert len(set(drawn)) == len(drawn)
    places = {fault.partition(":")[0] for (fault,) in drawn}
    assert {f"slot {slot}" for slot in range(1, 6)} < places
    assert all(read_fault(fault) for (fault,) in drawn)


@pytest.fixture
def short(monkeypatch):
    """The program of the pads for a short while."""
    monkeypatch.setitem(PLAYED, "pad-test", attrs.evolve(PLAYED["pad-test"], seconds=Fraction(1, 10)))
    outside_drawn._trial.cache_clear()
    outside_drawn._run.cache_clear()
    yield
    outside_drawn._trial.cache_clear()
    outside_drawn._run.cache_clear()


@pytest.mark.usefixtures("short")
def test_two_faults_count_where_both_show_and_not_where_one_hides_the_other():
    shown, other = "slot 4: pin D6 inverted", "slot 4: setting port_2 = 5"
    assert counts("pad-test", (shown, other))
    assert not counts("pad-test", (shown, "slot 3: pin D2 low"))  # nobody reads the keyboard
    assert not counts("pad-test", (shown, "slot 2: selected by never"))  # the program never begins
    assert counts("pad-test", ("slot 1: pins D0 to D7 late",))
    assert not counts("pad-test", ("slot 3: pins D0 to D7 late",))


@pytest.mark.slow
def test_the_list_is_what_its_seed_draws():
    listed = [(one, other) for program, one, other in PAIRS if program == "pad-test"]
    drawn = (both for both in pairs("pad-test", LIST_SEED) if counts("pad-test", both))
    assert list(islice(drawn, 3)) == listed[:3]
    listed = [(fault,) for program, fault in LATE_STROBES if program == "pad-test"]
    drawn = (fault for fault in strobes("pad-test", LIST_SEED) if counts("pad-test", fault))
    assert list(islice(drawn, 3)) == listed[:3]


def is_noticed(case):
    """Whether a run with its faults is another, on the bus or on the screen, than the same without."""
    played = PLAYED[case.program]
    both = [Machine.load(played.machine, seed=77, faults=faults) for faults in ((), case.faults)]
    for machine in both:
        played.put_hands_on(machine, 88)
    end = 0
    while end < played.cycles(both[0]):
        end += 20_000
        seen = []
        for machine in both:
            with Recorder(machine) as recorder:
                machine.run_to(end)
            seen.append((recorder.cycles.words.tobytes(), machine.cpu.halted, machine.screen.pixels.tobytes()))
        if seen[0] != seen[1]:
            return True
    return False


def _some(chosen, cases, count):
    return chosen.sample(cases, min(count, len(cases)))


def sampled(listed, count, seed):
    chosen = random.Random(seed)
    return [case for kind in KINDS for case in _some(chosen, [one for one in listed if one.kind == kind], count)]


def test_programs_notice_them(listed):
    soon = [case for case in listed if case.program == "pad-test"]
    assert [case.words for case in sampled(soon, 2, 1) if not is_noticed(case)] == []


@pytest.mark.slow
def test_programs_notice_more_of_them(listed):
    assert [case.words for case in sampled(listed, 15, 2) if not is_noticed(case)] == []
