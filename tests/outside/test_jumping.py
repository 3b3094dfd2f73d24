"""Jumps in a recording, forward and back, from stored states and from power-on: exactly what straight play comes to."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simkit import Machine
from simkit.kit.states import few, states_on_the_way
from simkit.outside.entries import Place
from simkit.outside.journal import record
from simkit.outside.jumping import stored_states
from simkit.outside.player import Player
from simkit.outside.recording import read_recording
from tests.examples import examples
from tests.outside.test_histories import ACTIONS, DEMOS, gone_through, machine_of, many_hashes  # noqa: F401


def straight(demo, engine, recording, cycles):
    """A machine that has played straight up to there, and its player."""
    player = Player(machine_of(demo, engine), recording)
    player.run(cycles)
    return player


def still_to_come(machine):
    """Input that is queued, in order; its running number says nothing."""
    return [(cycle, *event) for cycle, _, *event in machine.bus.agenda.pending_outside()]


def same(jumped, played):
    assert jumped.machine.cycle == played.machine.cycle
    assert jumped.machine.state_hashes() == played.machine.state_hashes()
    assert still_to_come(jumped.machine) == still_to_come(played.machine)
    assert (jumped.played, jumped.chapter, jumped.ended) == (played.played, played.chapter, played.ended)
    assert jumped.machine.fingerprint == played.machine.fingerprint


@given(
    demo=st.sampled_from(DEMOS),
    engines=st.permutations(["exact", "auto"]),
    actions=ACTIONS,
    jumps=st.lists(st.integers(0, 1000), min_size=1, max_size=5),
    every=st.sampled_from([0.002, 0.01, 10]),
)
@settings(max_examples=examples(25), deadline=None)
def test_random_jumps_in_random_histories_come_to_what_straight_play_does(
    tmp_path_factory, demo, engines, actions, jumps, every
):
    path = tmp_path_factory.getbasetemp() / "jumps.rec"
    gone_through(path, demo, engines[0], actions)
    recording = read_recording(path)
    states = list(states_on_the_way(machine_of(demo, engines[1]), recording, seconds=every))
    stored = stored_states(recording, states)
    assert [one.at for one in stored] == [at for at, _ in states]
    player = Player(machine_of(demo, engines[1]), recording)
    for jump in jumps:
        cycles = recording.cycles * jump // 1000
        player.jump(cycles, stored)
        same(player, straight(demo, engines[0], recording, cycles))
        assert player.difference is None
    player.run(recording.cycles)
    assert player.ended
    same(player, straight(demo, engines[0], recording, 2 * recording.cycles))


@pytest.fixture
def evening(tmp_path):
    """A recording in which a button is held while a chapter begins."""
    machine, path = Machine.load("demo:marlpit"), tmp_path / "evening.rec"
    with record(machine, path) as journal:
        machine.run(seconds=1)
        machine.pads[1].press("left")
        machine.run(seconds=0.2)
        journal.chapter("Held", "*Left* is held.\n\nIt stays so.")
        machine.run(seconds=1)
        machine.pads[1].release("left")
        machine.run(seconds=1)
    return read_recording(path)


def test_a_jump_runs_no_more_than_from_the_last_state(evening, monkeypatch):
    states = stored_states(evening, states_on_the_way(Machine.load("demo:marlpit"), evening, seconds=1))
    player = Player(Machine.load("demo:marlpit"), evening)
    ran = []
    run = Machine.run

    def counted(machine, **given):
        before = machine.cycle
        cycle = run(machine, **given)
        ran.append(cycle - before)
        return cycle

    monkeypatch.setattr(Machine, "run", counted)
    for cycles in (6_000_000, 2_500_000, 100, 4_100_000):
        ran.clear()
        player.jump(cycles, states)
        assert sum(ran) <= 2_100_000
        assert 0 <= player.played - cycles < 10


def test_what_is_held_at_a_chapter_comes_up_when_the_recording_is_left(evening):
    player = Player(Machine.load("demo:marlpit"), evening)
    states = stored_states(evening, states_on_the_way(Machine.load("demo:marlpit"), evening, seconds=1))
    chapter = evening.chapters[0]
    player.jump(chapter.cycles, states)
    assert player.chapter == "Held"
    player.machine.run(cycles=100_000)
    player.stop()
    assert "left" in " ".join(player.machine.cards[4].words())
    player.let_go()
    player.machine.run(cycles=100_000)
    assert "left" not in " ".join(player.machine.cards[4].words())


def test_chapters_have_captions_and_their_place_in_all_the_time(evening):
    (chapter,) = evening.chapters
    assert (chapter.name, chapter.caption) == ("Held", "*Left* is held.\n\nIt stays so.")
    assert chapter.cycles == chapter.at.cycle == pytest.approx(2_400_000, abs=10)


def test_states_lie_evenly_and_in_bounds():
    states = [(Place(1, number), bytes(100)) for number in range(10)]
    assert few(states, 1000) == states
    assert [at.cycle for at, _ in few(states, 500)] == [1, 3, 5, 7, 9]
    assert [at.cycle for at, _ in few(states, 350)] == [2, 5, 8]
    assert few(states, 99) == []


def test_states_of_another_machine_are_not_used(evening):
    states = stored_states(evening, states_on_the_way(Machine.load("demo:marlpit"), evening, seconds=1))
    other = Machine.load("demo:marlpit", seed=99)
    player = Player(other, evening)
    player.jump(4_000_000, states)
    assert player.machine.fingerprint == other.fingerprint
    assert player.played >= 4_000_000


def test_a_jump_back_behind_a_difference_looks_for_it_anew(evening, tmp_path):
    text = evening.path.read_text().splitlines()
    at = max(number for number, line in enumerate(text) if '"hash"' in line)
    head, mark, tail = text[at].partition('"cpu":"')
    text[at] = f"{head}{mark}{'0' if tail[0] != '0' else '1'}{tail[1:]}"
    path = tmp_path / "spoiled.rec"
    path.write_text("\n".join(text) + "\n")
    recording = read_recording(path)
    player = Player(Machine.load("demo:marlpit"), recording)
    player.run(recording.cycles + 1)
    assert player.difference is not None
    player.jump(1_000_000)
    assert player.difference is None
    player.run(recording.cycles + 1)
    assert player.difference is not None
