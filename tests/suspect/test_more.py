"""Further runs of the few that come near: other power-ups and hands, kept, and left where somebody ends them."""

from concurrent.futures import Executor, Future

import attrs
import pytest

from simkit.machine.machine import Machine
from simkit.suspect.more import More
from simkit.suspect.outcome import run
from simkit.suspect.rank import rank
from simkit.suspect.seen import SeenText
from simkit.suspect.sound import Sound
from simkit.suspect.trial import Trial
from tests.suspect.conftest import Here

FAULT = "slot 2: pin D3 low"


def left(run):
    """What is asked of a further run: what is shown, remembered and executed at the end."""
    looks = [(look.cycle, look.pictures, look.texts) for look in run.looks]
    end = run.stretches[-1]
    return looks, run.memory, run.cycle, run.halted, run.is_wild, run.pc, end.since, end.packed, end.fetches


def test_further_power_ups_are_none_that_were_had_and_none_of_machine_files(trial, outcomes):
    more = More(trial, outcomes.names)
    assert len({*more.seeds, *trial.seeds, 1}) == len(more.seeds) + len(trial.seeds) + 1


@pytest.mark.parametrize("executor", [None, Here()], ids=["here", "elsewhere"])
def test_they_leave_what_a_run_under_that_power_up_leaves_and_are_made_once(trial, outcomes, executor, monkeypatch):
    more = More(trial, outcomes.names, executor, power_ups=1)
    found = more.of([FAULT, FAULT])
    assert set(found) == {FAULT}
    (seed,), (one,) = more.seeds, found[FAULT]
    followed = run(trial, seed, FAULT, outcomes.names, Sound.of(trial, seed, outcomes.names))
    assert followed.parted is not None
    assert left(one) == left(followed)
    assert len(one.stretches) == 1  # whatever else came over the bus is not asked
    monkeypatch.setattr("simkit.suspect.more.run", None)
    assert more.of([FAULT]) == found


def test_those_under_the_first_power_ups_are_not_made_again_when_more_are_wanted(trial, outcomes):
    more = More(trial, outcomes.names, power_ups=3)
    first = more.of([FAULT], 2)[FAULT]
    assert more.of([FAULT])[FAULT][:2] == first
    assert len(more.kept[FAULT]) == 3


def test_it_is_waited_longer_before_one_of_the_few_has_gone_wild(trial, outcomes):
    impatient, seed, fault = attrs.evolve(trial, most_accesses=400), 505, "slot 5: line A0 inverted"
    ended = run(impatient, seed, fault, outcomes.names, Sound.of(trial, seed, outcomes.names))
    (own,) = More(impatient, outcomes.names, power_ups=1).of([fault])[fault]
    assert (ended.is_wild, own.is_wild) == (True, False)
    assert ended.cycle < own.cycle


def test_hands_come_at_other_moments_in_each(trial):
    def press(machine):
        machine.keys.press("a", at=50_000)

    trial = Trial.of(Machine.load("demo:keyboard-test"), 100_000, press)
    moments = set()
    for seed in (*trial.seeds, *More(trial, ()).seeds):
        machine = trial.machine(seed)
        trial.prepared(machine, seed)
        moments.add(machine.bus.agenda.pending_outside()[0][0])
    assert len(moments) == 12


class Later(Executor):
    """Has not come to it yet."""

    def submit(self, call, /, *arguments, **words):
        return Future()


@pytest.mark.parametrize("executor", [None, Later()], ids=["here", "elsewhere"])
def test_who_ends_them_gets_the_ranking_by_the_runs_that_are_there(trial, outcomes, executor):
    asked = []
    more = More(trial, outcomes.names, executor, goes_on=lambda part: asked.append(part) or False)
    symptom = [SeenText("KEYBOARD TEST")]
    assert more.of([FAULT]) == {}
    assert rank(outcomes, symptom, more=more) == rank(outcomes, symptom)
    assert all(0 <= part <= 1 for part in asked)
