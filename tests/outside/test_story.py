"""Stories: chapters at the moments that a Markdown file names, in a recording that otherwise stays as it was."""

import pytest

from simkit import Machine
from simkit.contract.errors import SeveralErrors, SimkitError
from simkit.outside.journal import record
from simkit.outside.player import replay
from simkit.outside.recording import read_recording
from simkit.outside.story import read_story, told

STORY = """# An evening

The clubhouse.

## 0.5s: The title
## label:main_loop#3: The loop
It goes round:

```
## 9s: this is no heading
```

### Nor is this

## text:"PRESS: START"+2f: Words
## write:$7F30#100: The hundredth byte
"""


@pytest.fixture
def tape(tmp_path):
    machine, path = Machine.load("demo:marlpit"), tmp_path / "a.rec"
    with record(machine, path) as journal:
        machine.run(seconds=1)
        journal.chapter("An old one")
        machine.pads[1].press("start")
        machine.run(seconds=1)
        machine.power_cycle()
        machine.run(seconds=0.4)
    return path


def story(tmp_path, text):
    path = tmp_path / "story.md"
    path.write_text(text)
    return read_story(path)


def test_headings_say_moments_names_and_captions(tmp_path):
    found = story(tmp_path, STORY)
    assert [(one.name, str(one.moment) if one.moment else None) for one in found] == [
        ("An evening", None),
        ("The title", "0.5s"),
        ("The loop", "label:main_loop#3"),
        ("Words", 'text:"PRESS: START"+2f'),
        ("The hundredth byte", "write:$7F30#100"),
    ]
    assert found[0].caption == "The clubhouse."
    assert found[2].caption == "It goes round:\n\n```\n## 9s: this is no heading\n```\n\n### Nor is this"
    assert [one.line for one in found] == [1, 5, 6, 15, 16]


def test_the_recording_has_the_chapters_where_their_moments_come_and_is_otherwise_as_it_was(tape, tmp_path):
    text = STORY.replace('text:"PRESS: START"+2f', 'text:"PRESS START"+2f')
    made = tmp_path / "told.rec"
    made.write_bytes(told(Machine.load("demo:marlpit"), read_recording(tape), story(tmp_path, text)))
    new = read_recording(made)
    wanted = Machine.load("demo:marlpit")
    assert new.chapters[0].name == "An evening"
    places = {chapter.name: chapter.at.cycle for chapter in new.chapters}
    assert places["The title"] == wanted.run(seconds=0.5)
    for name, moment in (("The loop", "label:main_loop#3"), ("The hundredth byte", "write:$7F30#100")):
        assert places[name] == Machine.load("demo:marlpit").run(moment)
    old = [line for line in tape.read_bytes().splitlines()[1:] if b'"chapter"' not in line]
    assert [line for line in made.read_bytes().splitlines()[1:] if b'"chapter"' not in line] == old
    player = replay(Machine.load("demo:marlpit"), made)
    assert player.compared == replay(Machine.load("demo:marlpit"), tape).compared > 1
    stands = replay(Machine.load("demo:marlpit"), made, chapter="The loop").machine
    assert stands.cycle == places["The loop"]


def test_times_count_all_power_ons_together(tape, tmp_path):
    made = tmp_path / "told.rec"
    chapters = story(tmp_path, "## 2.2s: Switched on again\n")
    made.write_bytes(told(Machine.load("demo:marlpit"), read_recording(tape), chapters))
    (chapter,) = read_recording(made).chapters
    assert (chapter.at.power_on, chapter.at.cycle) == (2, pytest.approx(400_000, abs=20))
    assert chapter.cycles == pytest.approx(4_400_000, abs=10)


@pytest.mark.parametrize(
    ("text", "line", "says"),
    [
        ("## The title\n", 1, "no heading of a chapter"),
        ("\n\n## 2x: The title\n", 3, "2x"),
        ("## 2s:\n", 1, "no heading of a chapter"),
        ("", None, "tells nothing"),
        ("\n\n", None, "tells nothing"),
    ],
)
def test_a_heading_that_is_wrong_is_told_with_its_line(tmp_path, text, line, says):
    with pytest.raises(SimkitError, match=says) as caught:
        story(tmp_path, text)
    assert caught.value.line == line


def test_all_moments_that_do_not_come_are_told_with_their_lines(tape, tmp_path):
    chapters = story(tmp_path, '## 0.1s: A\n## 99s: B\n## text:"NEVER": C\n')
    with pytest.raises(SeveralErrors) as caught:
        told(Machine.load("demo:marlpit"), read_recording(tape), chapters)
    assert [error.line for error in caught.value.errors] == [2, 3]
    with pytest.raises(SimkitError, match="nowhere") as wrong:
        told(Machine.load("demo:marlpit"), read_recording(tape), story(tmp_path, "## label:nowhere: A\n"))
    assert wrong.value.line == 1
