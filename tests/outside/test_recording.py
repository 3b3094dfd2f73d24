"""Recordings: the same input again gives the same run; damaged files are refused with one message."""

import json

import pytest

from simkit import Machine
from simkit.commands.main import main
from simkit.contract.errors import SimkitError
from simkit.outside.recording import Recorder, read_recording


def played(tmp_path):
    """A short game with pad, keyboard, reset and a pulled plug; (machine, path of its recording)."""
    m = Machine.load("demo:marlpit", seed=3)
    recorder = Recorder(m)
    m.run(seconds=0.6)
    m.pads[1].press("start")
    m.run(frames=7)
    m.pads[1].release("start")
    m.keys.type("ab")
    m.pads[1].press("right", "a")
    m.run(frames=30)
    m.pads[2].unplug()
    m.reset()
    m.run(frames=40)
    path = tmp_path / "game.rec"
    recorder.recording().write(path)
    return m, path


def test_a_replayed_run_ends_in_the_same_state(tmp_path):
    m, path = played(tmp_path)
    again = Machine.load("demo:marlpit", seed=3)
    recording = read_recording(path)
    assert recording.queue(again) == []
    again.run(cycles=recording.end)
    assert again.cycle == m.cycle
    assert again.save_state() == m.save_state()
    assert len(recording.events) == 11


def test_another_build_or_seed_is_played_with_a_note(tmp_path):
    _, path = played(tmp_path)
    (note,) = read_recording(path).queue(Machine.load("demo:marlpit", seed=4))
    assert "These differ: seed" in note


def test_input_for_what_is_not_there_is_refused_before_anything_is_queued(tmp_path):
    _, path = played(tmp_path)
    m = Machine.load("demo:traps")
    with pytest.raises(SimkitError, match="'press' at the port 'pads' of slot 4"):
        read_recording(path).queue(m)
    assert m.bus.pending_outside() == []


def test_a_power_cycle_begins_the_recording_anew(tmp_path):
    m = Machine.load("demo:marlpit")
    recorder = Recorder(m)
    m.run(seconds=0.1)
    m.pads[1].press("a")
    m.run(seconds=0.1)
    m.power_cycle()
    m.pads[1].press("b")
    m.run(seconds=0.1)
    (event,) = recorder.recording().events
    assert event[0] == 0
    assert event[4] == (1, "b")


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda c: "{", "not JSON"),
        (lambda c: "[" * 100_000, "not JSON"),
        (lambda c: json.dumps([c]), "no recording"),
        (lambda c: json.dumps({**c, "format": "other"}), "no recording"),
        (lambda c: json.dumps({**c, "version": 1}), "format version 1"),
        (lambda c: json.dumps({**c, "end": "soon"}), "end"),
        (lambda c: json.dumps({**c, "events": {}}), "events"),
        (lambda c: json.dumps({**c, "events": [[5, 4, "pads", "press"]]}), "event number 1"),
        (lambda c: json.dumps({**c, "events": [[-5, 4, "pads", "press", []]]}), "event number 1"),
        (lambda c: json.dumps({**c, "events": [[5, 4, "pads", "press", [[]]]]}), "event number 1"),
        (lambda c: json.dumps({**c, "events": list(reversed(c["events"]))}), "event number 2"),
        (lambda c: json.dumps(c)[:-30], "not JSON"),
    ],
)
def test_a_damaged_recording_is_refused_with_one_message(tmp_path, change, message):
    path = tmp_path / "game.rec"
    content = {
        "format": "simkit-recording", "version": 2, "machine": "Marlpit", "fingerprint": {"parts": {}, "models": {}},
        "end": 9,
        "events": [[1, 4, "pads", "press", [1, "a"]], [3, 4, "pads", "release", [1, "a"]]],
    }  # fmt: skip
    path.write_text(json.dumps(content))
    assert len(read_recording(path).events) == 2
    path.write_text(change(content))
    with pytest.raises(SimkitError, match=message):
        read_recording(path)


@pytest.mark.parametrize("arguments", [[1, "jump"], [9, "a"], [1], ["1", "a"]])
def test_an_event_that_cannot_happen_is_no_fault_of_the_card(tmp_path, arguments):
    path = tmp_path / "game.rec"
    content = {
        "format": "simkit-recording", "version": 2, "machine": "Marlpit", "fingerprint": {"parts": {}, "models": {}},
        "end": 9,
        "events": [[1, 4, "pads", "press", arguments]],
    }  # fmt: skip
    path.write_text(json.dumps(content))
    with pytest.raises(SimkitError, match="which nothing on this machine takes"):
        read_recording(path).queue(Machine.load("demo:marlpit"))


def test_record_replay_and_check_from_the_command_line(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)

    def simkit(*arguments):
        with pytest.raises(SystemExit) as ended:
            main(arguments)
        return ended.value.code, *capsys.readouterr()

    start = ("--pad", "1=start@0.6s..0.7s")
    code, _, err = simkit("run", "demo:marlpit", "--headless", "--for", "1s", *start, "--record", "a.rec")
    assert (code, err) == (0, "Recorded: a.rec\n")
    code, out, _ = simkit("run", "demo:marlpit", "--headless", "--replay", "a.rec", "--text")
    assert code == 0
    assert "1.000 s" in out
    assert "LV01" in out
    code, out, _ = simkit("check", "demo:marlpit", "--replay", "a.rec", "--for", "0.8s", "--json")
    assert code == 0, out
    code, _, err = simkit("check", "demo:marlpit", "--replay", "b.rec")
    assert code == 2
    assert "There is no recording b.rec" in err
