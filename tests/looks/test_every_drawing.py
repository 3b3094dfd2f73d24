"""Every SVG that a command writes: no text lies over another, none is cut off, none is under 6 pt."""

from xml.etree import ElementTree

import pytest
import typer

from simkit.commands.app import COMMANDS, build_app
from simkit.looks.drawing import Drawing, Words
from simkit.machinefile.shipped import shipped_folder
from tests.looks.boxes import check_texts

STORY = shipped_folder() / "demo" / "stories" / "dark-screen"
DRAWN = {
    "map": [("map", "demo:marlpit"), ("map", "demo:monitor"), ("map", "demo:decoders")],
    "budget": [("budget", "demo:decoders"), ("budget", "demo:marlpit", "--slot", "5", "--clock", "8 MHz")],
    "trace": [
        ("trace", "demo:marlpit", "--from", "label:interrupt", "--for", "+40c"),
        ("trace", "demo:monitor", "--from", "0c", "--for", "12c"),
    ],
    "check": [
        ("check", "demo:marlpit", "--time", "--for", "0.4s"),
        ("check", "demo:monitor", "--time", "--for", "0.1s"),
    ],
    "compare": [("compare", STORY, STORY / "dark.sr")],
}
"""Command lines by command; --svg is added."""


def drawing_of(path) -> Drawing:
    """The texts of an SVG file with its size."""
    root = ElementTree.parse(path).getroot()
    words = [
        Words(
            (float(one.get("x")), float(one.get("y"))),
            one.text or "",
            int(float(one.get("font-size"))),
            anchor=one.get("text-anchor"),
        )
        for one in root.iter("{http://www.w3.org/2000/svg}text")
    ]
    return Drawing(int(root.get("width")), int(root.get("height")), "", words)


def test_every_command_that_draws_is_tried():
    drawing = set()
    for name in COMMANDS:
        command = typer.main.get_command(build_app([name]))
        for inner in getattr(command, "commands", {name: command}).values():
            if any("--svg" in parameter.opts for parameter in inner.params):
                drawing.add(name)
    assert drawing == set(DRAWN)


@pytest.mark.parametrize(
    "words", [one for lines in DRAWN.values() for one in lines], ids=lambda one: " ".join(map(str, one[:2]))
)
def test_its_texts_can_be_read(words, simkit, tmp_path):
    path = tmp_path / "drawn.svg"
    assert simkit(*words, "--svg", path)[0] in (0, 1)
    drawing = drawing_of(path)
    assert len(drawing.things) > 10
    check_texts(drawing)
