"""The example pages: what they show is what the machines do today."""

import importlib.util
from pathlib import Path

import pytest

from simkit import Machine
from simkit.outside.player import replay
from simkit.outside.recording import read_recording

HERE = Path(__file__).parents[2] / "demo" / "pages"


@pytest.fixture(scope="module")
def make():
    spec = importlib.util.spec_from_file_location("example_pages", HERE / "make.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("name", ["slug-watch", "workshop", "backquotes"])
def test_a_recording_is_what_is_recorded_anew(make, name, tmp_path):
    """If not: python demo/pages/make.py --record, and read whether the captions are still true."""
    path = tmp_path / "a.rec"
    make.RECORDINGS[name](path)
    assert path.read_bytes() == (HERE / f"{name}.rec").read_bytes()


def test_the_captions_are_true_where_a_program_can_tell(make):
    machine = Machine.load("demo:marlpit")
    recording = read_recording(HERE / "slug-watch.rec")
    assert [chapter.name for chapter in recording.chapters][2] == "To the left"
    player = replay(machine, HERE / "slug-watch.rec", chapter="To the left")
    assert any("left" in line for line in player.machine.cards[4].words())
    player = replay(
        Machine.load("demo:stories/backquotes", **make.BACKQUOTES), HERE / "backquotes.rec", chapter="More of them"
    )
    assert "`" in player.machine.screen.text()
    player = replay(Machine.load("demo:monitor"), HERE / "workshop.rec")
    assert "0400 holds a9 3c 60" in player.machine.serial.text()
    lamps = next(card.ports["lamps"] for card in player.machine.cards.values() if "lamps" in card.ports)
    assert lamps.levels == (True, *[False] * 6, True)
    assert all(notes.is_file() for notes in map(make.notes_of, make.PAGES))
