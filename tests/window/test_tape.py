"""Recordings at the window: what the person does is written down, and a recording is played before they take over."""

import json

import pytest

from simkit import Machine
from simkit.commands.new import write_machine
from simkit.hands.tape import Tape
from simkit.outside.journal import Journal
from simkit.outside.player import Player, replay
from simkit.outside.recording import read_recording
from simkit.window.fresh import Fresh


@pytest.fixture
def taped(bench):
    """Gives a window; its tape is what is given as `journal`, `player` and `asked_to_end`."""

    def make(machine, *, reload=None, **tape):
        return bench(machine, reload, tape=Tape(**tape))

    return make


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return write_machine(tmp_path_factory.mktemp("machines") / "hello")[0]


@pytest.fixture
def path(tmp_path):
    return tmp_path / "evening.rec"


EVENINGS = {}


@pytest.fixture
def evening(taped, folder, path):
    """An evening at the window: keys, a chapter, a reset, power off and on, a machine loaded anew; the last machine.

    It is played once for a folder; its recording lies at the path.
    """
    if folder not in EVENINGS:  # tests of other files may come between, and the folder is another then
        machine, fresh = Machine.load(folder), []
        window = taped(machine, journal=Journal(machine, path), reload=lambda: fresh.pop() if fresh else None)
        window.until(lambda: "AA" in machine.screen.text())
        window.stroke("a", "b")
        window.ticks(100)
        window.choose("Mark a chapter")
        assert window.app.notice.text == "Marked: Chapter 1."
        window.choose("Reset")
        window.ticks(100)
        window.choose("Power off")
        window.ticks(10)
        window.choose("Power on")
        window.ticks(600)
        window.stroke("up")
        window.ticks(100)
        image = bytearray(machine.images()[2])
        image[0x300] ^= 1
        fresh.append(Fresh(machine=Machine.load(folder, images={2: bytes(image)})))
        window.until(lambda: window.app.machine is not machine)
        window.ticks(300)
        window.app.tape.journal.close()
        EVENINGS[folder] = path.read_bytes(), window.app.machine
    content, machine = EVENINGS[folder]
    path.write_bytes(content)
    return machine


def test_what_the_person_does_is_written_down_and_replayed_to_the_same_state(evening, folder, path):
    recording = read_recording(path)
    kinds = [entry.kind for entry in recording.entries() if entry.kind != "input"]
    assert kinds == ["chapter", "reset", "reset", "hash", "power", "hash", "reload", "hash", "end"]
    assert [entry.fields["arguments"] for entry in recording.entries() if entry.kind == "input"] == [
        ("a",), ("a",), ("b",), ("b",), ("up",), ("up",),
    ]  # fmt: skip
    player = replay(Machine.load(folder), path)
    assert player.compared == 3
    assert player.machine.state_hashes() == evening.state_hashes()


def test_a_recording_is_played_in_the_window_and_then_the_machine_is_the_persons(evening, taped, folder, path):
    machine = Machine.load(folder)
    again = taped(machine, player=Player(machine, read_recording(path)))
    assert "Replaying evening.rec. Keys and pads wait until it ends; the bar" in again.app.notice.text
    assert again.app.bar.words() == [
        "Pause",
        "One instruction",
        "One frame",
        "Run to a moment",
        "Look inside",
        "Take over",
        "Screenshot",
        "Speed: real",
        "Findings",
        "Full screen",
        "Quit",
    ]
    again.until(lambda: not again.app.tape.playing, 20_000)
    assert again.app.notice.text.startswith("The recording has ended: the machine is yours.")
    assert "not what was recorded" not in again.app.notice.text
    now = again.app.machine
    assert now is not machine
    assert now.fingerprint == evening.fingerprint
    assert "Reset" in again.app.bar.words()
    again.until(lambda: "AA" in now.screen.text())
    again.stroke("a")
    again.until(lambda: "1C F0 1C" in now.screen.text())


def test_chapters_are_told_and_the_title_says_how_far_it_is(evening, taped, folder, path):
    machine = Machine.load(folder)
    again = taped(machine, player=Player(machine, read_recording(path)))
    again.until(lambda: again.app.notice.text == "Chapter: Chapter 1")
    again.until(lambda: ": replaying, " in again.pygame.display.get_caption()[0])
    total = read_recording(path).cycles / 2_000_000
    assert again.pygame.display.get_caption()[0].endswith(f" s of {total:.0f} s")


def test_hands_are_tied_while_a_recording_is_played(evening, taped, folder, path):
    machine = Machine.load(folder)
    again = taped(machine, player=Player(machine, read_recording(path)))
    for _ in range(40):
        again.stroke("q", "w")
        again.pygame.event.post(again.pygame.event.Event(again.pygame.MOUSEBUTTONDOWN, button=1, pos=(5, 5)))
        again.ticks(20)
    assert again.app.hands.keys.held == ()
    again.until(lambda: not again.app.tape.playing, 20_000)
    assert again.app.tape._player.difference is None


def test_the_person_can_take_over_before_the_end(evening, taped, folder, path, tmp_path):
    machine = Machine.load(folder)
    journal = Journal(machine, tmp_path / "more.rec")
    again = taped(machine, journal=journal, player=Player(machine, read_recording(path)))
    again.until(lambda: "AA" in machine.screen.text())
    again.choose("Take over")
    assert again.app.notice.text.startswith("The recording is played no further: the machine is yours.")
    assert machine.bus.agenda.pending_outside() == []
    again.stroke("z")
    again.until(lambda: "1A F0 1A" in machine.screen.text())
    again.choose("Mark a chapter")
    journal.close()
    assert replay(Machine.load(folder), tmp_path / "more.rec").machine.state_hashes() == machine.state_hashes()


def test_what_the_recording_left_pressed_comes_up_when_the_person_takes_over(taped, folder, path):
    machine = Machine.load(folder)
    with Journal(machine, path):
        machine.run(seconds=0.9)
        machine.keys.press("a")
        machine.run(seconds=0.1)
    again = Machine.load(folder)
    window = taped(again, player=Player(again, read_recording(path)))
    window.until(lambda: "1C F0 1C" in again.screen.text())


def test_the_window_does_not_wait_for_time_that_a_loaded_state_has_left_out(taped, folder, path):
    machine = Machine.load(folder)
    with Journal(machine, path):
        machine.run(seconds=40)
        state = machine.save_state()
        machine.power_cycle()
        machine.run(seconds=0.1)
        machine.load_state(state)
        machine.run(seconds=0.1)
    lines = path.read_text().splitlines()
    first = next(number for number, line in enumerate(lines) if '"power"' in line)
    again = [lines[0], json.dumps({**json.loads(lines[first]), "at": [1, 1000]}), *lines[first + 1 :]]
    path.write_text("\n".join(again) + "\n")
    machine = Machine.load(folder)
    window = taped(machine, player=Player(machine, read_recording(path)))
    window.until(lambda: not window.app.tape.playing, 1000)
    assert window.app.tape._player.difference is None


def test_files_that_change_while_a_recording_is_played_wait_until_it_has_ended(evening, taped, folder, path):
    machine = Machine.load(folder)
    asked = []
    again = taped(machine, player=Player(machine, read_recording(path)), reload=lambda: asked.append(1))
    again.ticks(1200)
    assert asked == []
    again.until(lambda: not again.app.tape.playing, 20_000)
    again.ticks(1200)
    assert asked


def test_a_recording_that_has_to_end_is_told_in_the_window(taped, folder, path, monkeypatch):
    from simkit.outside import journal as journal_module

    monkeypatch.setattr(journal_module, "MAX_ENTRIES", 5)
    machine, told = Machine.load(folder), []
    window = taped(machine, journal=Journal(machine, path, tell=told.append))
    window.until(lambda: ": recording" in window.pygame.display.get_caption()[0])
    for _ in range(5):
        window.stroke("a")
        window.ticks(20)
    assert "before the run does: it holds" in window.app.notice.text
    assert told == [window.app.notice.text]
    window.until(lambda: ": recording" not in window.pygame.display.get_caption()[0])
    window.choose("Mark a chapter")
    assert window.app.notice.text == "Nothing is recorded any more."


def test_a_replay_that_is_another_run_is_told_in_the_window(evening, taped, folder, path):
    lines = path.read_text().splitlines()
    path.write_text("\n".join(line for line in lines if '"press","arguments":["b"]' not in line) + "\n")
    machine = Machine.load(folder)
    again = taped(machine, player=Player(machine, read_recording(path)))
    again.until(lambda: "The replay is not what was recorded" in again.app.notice.text, 20_000)
    again.until(lambda: not again.app.tape.playing, 20_000)
    assert "the machine is yours. The replay is not what was recorded" in again.app.notice.text


def test_a_machine_that_fails_while_it_is_replayed_waits_for_better_files(evening, taped, folder, path):
    machine, fresh = Machine.load(folder), []
    again = taped(machine, player=Player(machine, read_recording(path)), reload=lambda: fresh.pop() if fresh else None)
    again.ticks(100)
    machine.bus.watchers.add(probe=fails)
    again.until(lambda: "Stopped" in again.app.going.failure)
    fresh.append(Fresh(machine=Machine.load(folder)))
    again.until(lambda: again.app.machine is not machine)
    assert not again.app.tape.playing
    assert "Reset" in again.app.bar.words()
    again.until(lambda: "AA" in again.app.machine.screen.text())
    again.stroke("a")
    again.until(lambda: again.codes() == ["1C", "F0", "1C"])


def fails(seen):
    raise RuntimeError("a hole in the board")


def test_the_window_closes_when_the_run_is_asked_to_end(taped, folder):
    asked = []
    window = taped(Machine.load(folder), asked_to_end=lambda: bool(asked))
    window.ticks(20)
    assert not window.app._quit
    asked.append(1)
    window.app.run()
