"""`simkit replay`: chapters, comparison, the machine at a place, stories, recordings of kits."""

import json
from pathlib import Path

import pytest

from simkit import Machine
from simkit.outside.journal import record


@pytest.fixture
def tape(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    machine = Machine.load("demo:marlpit")
    with record(machine, "a.rec") as journal:
        machine.run(seconds=1)
        journal.chapter("One", "First *line*.\n\nSecond.")
        machine.pads[1].press("start")
        machine.run(seconds=1)
        journal.chapter("Two")
        machine.run(seconds=0.5)
    return tmp_path


def test_it_tells_chapters_and_that_all_is_as_it_was(tape, simkit):
    code, out, _ = simkit("replay", "demo:marlpit", "a.rec")
    assert code == 0
    lines = out.splitlines()
    assert lines[0].split() == ["1.000", "s", "One"]
    assert [line.strip() for line in lines[1:3]] == ["First *line*.", "Second."]
    assert lines[-1].startswith("Replayed as it was recorded: compared at")


def test_a_difference_is_told_with_its_place_and_exit_code_1(tape, simkit):
    text = Path("a.rec").read_text()
    head, mark, tail = text.rpartition('"cpu":"')
    Path("b.rec").write_text(f"{head}{mark}{'0' if tail[0] != '0' else '1'}{tail[1:]}")
    code, out, _ = simkit("replay", "demo:marlpit", "b.rec")
    assert code == 1
    assert "cpu" in out
    assert "cycle 5 000 00" in out
    code, out, _ = simkit("replay", "demo:marlpit", "b.rec", "--json")
    assert (code, json.loads(out)["replayed"]["difference"]["parts"]) == (1, ["cpu"])


@pytest.mark.parametrize(("where", "seconds"), [(("--chapter", "Two"), 2.0), (("--to", "0.25s"), 0.25)])
def test_it_stops_at_a_place_and_shows_the_machine(tape, simkit, where, seconds):
    code, out, _ = simkit("replay", "demo:marlpit", "a.rec", *where, "--png", "a.png")
    assert code == 0
    assert f"Marlpit at {seconds:.3f}" in out
    assert Path("a.png").read_bytes().startswith(b"\x89PNG")
    code, out, _ = simkit("replay", "demo:marlpit", "a.rec", *where, "--json")
    assert json.loads(out)["inside"]["seconds"] == pytest.approx(seconds, abs=1e-4)


def test_an_event_that_never_comes_is_told_with_exit_code_1(tape, simkit):
    code, out, _ = simkit("replay", "demo:marlpit", "a.rec", "--to", 'text:"NEVER"')
    assert code == 1
    assert "did not come" in out


def test_chapters_are_listed_without_playing(tape, simkit, monkeypatch):
    monkeypatch.setattr(Machine, "run", lambda *_, **__: pytest.fail("the machine runs"))
    code, out, _ = simkit("replay", "demo:marlpit", "a.rec", "--chapters")
    assert (code, out.count("\n")) == (0, 4)
    code, out, _ = simkit("replay", "demo:marlpit", "a.rec", "--chapters", "--json")
    assert [one["name"] for one in json.loads(out)["chapters"]] == ["One", "Two"]


def test_a_story_is_written_and_played(tape, simkit):
    Path("story.md").write_text("# Evening\n\n## 1.5s: Later\nIt is *late*.\n")
    code, out, err = simkit("replay", "demo:marlpit", "a.rec", "--story", "story.md", "--out", "told.rec")
    assert (code, err) == (0, "")
    assert "Later" in out
    code, out, _ = simkit("replay", "demo:marlpit", "told.rec", "--chapter", "Later")
    assert code == 0
    assert "Marlpit at 1.5" in out
    Path("story.md").write_text("## 99s: Never\n")
    code, _, err = simkit("replay", "demo:marlpit", "a.rec", "--story", "story.md", "--out", "told.rec")
    assert code == 2
    assert err.startswith("story.md:1: ")


def test_a_recording_of_a_kit_is_played_by_its_title(tape, simkit):
    assert simkit("pack", "demo:marlpit", "--recording", "a.rec", "--out", "m.kit")[0] == 0
    Path("a.rec").unlink()
    code, out, _ = simkit("replay", "m.kit", "a")
    assert code == 0
    assert "Replayed as it was recorded" in out
    code, _, err = simkit("replay", "m.kit", "b")
    assert code == 2
    assert "'a'" in err or "a." in err


@pytest.mark.parametrize(
    "words",
    [
        ["--chapter", "One", "--to", "1s"],
        ["--chapters", "--png", "a.png"],
        ["--story", "story.md"],
        ["--out", "b.rec"],
        ["--story", "story.md", "--out", "b.rec", "--to", "1s"],
        ["--chapter", "Three"],
        ["--to", "nonsense"],
    ],
)
def test_what_does_not_go_together_is_told_before_anything_runs(tape, simkit, words):
    code, out, err = simkit("replay", "demo:marlpit", "a.rec", *words)
    assert (code, out) == (2, "")
    assert len(err.splitlines()) >= 2


def test_a_recording_of_another_machine_is_played_and_nothing_compared_is_told_with_exit_code_1(tape, simkit):
    code, out, err = simkit("replay", "demo:marlpit", "a.rec", "--seed", "9")
    assert code == 1
    assert "Nothing was compared" in out
    assert "seed" in err
