"""Makes the example pages: Slug Watch, the workshop machine, a bug story. Run it from anywhere.

python demo/pages/make.py site             # three pages and a list of them; look: simkit page --serve site/slug-watch
python demo/pages/make.py --record         # plays and records anew what the pages show, when a card behaves otherwise
"""

import argparse
import subprocess
import sys
from pathlib import Path

from simkit import Machine
from simkit.outside.journal import record

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
BACKQUOTES = {"seed": 43, "faults": ["slot 5: write data end early, 1 in 200"]}
PAGES = {
    "slug-watch": ["demo:marlpit", "--poster", "2s", "--sources"],
    "workshop": ["demo:monitor", "--sources"],
    "backquotes": [
        *("demo:stories/backquotes", "--seed", f"{BACKQUOTES['seed']}", "--fault", BACKQUOTES["faults"][0]),
        *("--poster", "0.5s"),
    ],
}
"""Words of `simkit page` for each, besides the notes and recordings that lie here under its name."""


def slug_watch(path):
    """The game, from its title to a walk through the beds."""
    machine = Machine.load("demo:marlpit")
    pad = machine.pads[1]
    with record(machine, path, force=True) as journal:
        machine.run(screen_text="PRESS START")
        machine.run(frames=1)
        journal.chapter(
            "The title is there",
            "The program has filled the memory of the video chip and switched the picture on. From here on it "
            "looks, once a frame, whether somebody presses **Start** or **Enter**.",
        )
        machine.run(seconds=2)
        pad.press("start")
        machine.run(seconds=0.1)
        pad.release("start")
        machine.run(seconds=1.5)
        journal.chapter(
            "Night in the beds",
            "The gardener stands where he begins. Open *CPU, slots and registers* below the picture and watch "
            "slot 4, the pads: what is held is in a shift register that the card clocks by itself.",
        )
        machine.run(seconds=1)
        pad.press("left")
        machine.run(label="main_loop")
        journal.chapter(
            "To the left",
            "Left is held. The program reads pad 1 at `$7F22`, where a pressed button is a **0**, and walks the "
            "gardener to the left.",
        )
        machine.run(seconds=1)
        pad.release("left")
        for button, seconds in (("up", 0.7), ("right", 1.2), ("down", 0.5), ("a", 0.2), ("left", 0.6), ("a", 0.2)):
            pad.press(button)
            machine.run(seconds=seconds)
            pad.release(button)
            machine.run(seconds=0.1)
        journal.chapter("Take over", "Press *Take over* below the picture, and the rest of the night is yours.")
        machine.run(seconds=4)


def workshop(path):
    """The monitor: words, lamps, a program of three bytes."""
    machine = Machine.load("demo:monitor")

    def type_line(text):
        machine.serial.send(text.encode() + b"\r")
        machine.run(seconds=0.02 * len(text) + 0.6)

    with record(machine, path, force=True) as journal:
        machine.run(seconds=0.5)
        journal.chapter(
            "It is there", "The monitor says its name over the serial line, 19200 baud, and waits for a word."
        )
        type_line("help")
        journal.chapter("What it can do", "`help` lists all that it knows. All numbers are hexadecimal.")
        machine.run(seconds=1)
        type_line("lamps 81")
        journal.chapter("Lamps", "Bits 7 and 0 of the port: the first lamp and the last one are lit.")
        machine.run(seconds=1)
        type_line("put 0400 a9 3c 60")
        type_line("look 0400 to 0402")
        journal.chapter("Three bytes", "`LDA #$3C` and `RTS`, put into RAM by hand and looked at again.")
        machine.run(seconds=1)
        type_line("go 0400")
        journal.chapter("It runs", "The program was called, and came back.")
        machine.run(seconds=1)


def backquotes(path):
    """The pad tester on a video card that takes data too late now and then."""
    machine = Machine.load("demo:stories/backquotes", **BACKQUOTES)
    with record(machine, path, force=True) as journal:
        machine.run(label="screen_put")
        journal.chapter(
            "Where letters go",
            "At `screen_put` the tester stores a letter in the data port of the video card, and then returns. The"
            " byte of that `RTS` is `$60`: a backquote, if it were a letter.",
        )
        machine.run(until=lambda m: "`" in m.screen.text(), timeout=5)
        machine.run(frames=1)
        journal.chapter(
            "The first backquote",
            "One store in two hundred ends too early for the card, and it takes what lies on the lines one cycle "
            "later. On the bus all is right; a comparison of a capture says so.",
        )
        machine.run(seconds=1)
        machine.pads[1].press("a", "left")
        machine.run(seconds=0.5)
        journal.chapter(
            "More of them",
            "A and Left are held, the tester writes their names, and each word is another chance. Open "
            "*Findings*: the program does nothing wrong. The story tells what was soldered in the end.",
        )
        machine.pads[1].release("a", "left")
        machine.run(seconds=2)


RECORDINGS = {"slug-watch": slug_watch, "workshop": workshop, "backquotes": backquotes}
INDEX = """<!doctype html>
<html lang=en><meta charset=utf-8><title>Machines of the gardening society</title>
<meta name=viewport content="width=device-width">
<h1>Machines of the gardening society</h1>
<ul>
<li><a href="slug-watch/index.html">Slug Watch on Marlpit</a>, a game for one or two pads
<li><a href="workshop/index.html">The workshop machine</a> with its serial monitor
<li><a href="backquotes/index.html">Backquotes</a>, a bug story
</ul>
</html>
"""


def notes_of(name):
    """The notes that go on a page."""
    return ROOT / "demo" / "stories" / name / "story.md" if name == "backquotes" else HERE / f"{name}.md"


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", nargs="?", type=Path, help="where to put the pages")
    parser.add_argument("--record", action="store_true", help="record anew what they show")
    parser.add_argument("--runtime", help="folder of the npm package pyodide")
    asked = parser.parse_args()
    if asked.folder is None and not asked.record:
        parser.error("name a folder for the pages, or --record")
    for name, play in RECORDINGS.items() if asked.record else ():
        play(HERE / f"{name}.rec")
        print(f"recorded {HERE / f'{name}.rec'}")
    for name, words in PAGES.items() if asked.folder is not None else ():
        more = ["--recording", str(HERE / f"{name}.rec"), "--notes", str(notes_of(name))]
        more += ["--licence", str(ROOT / "LICENSE")]
        more += ["--runtime", asked.runtime] if asked.runtime else []
        command = [sys.executable, "-m", "simkit", "page", *words, *more, "--out", str(asked.folder / name)]
        if subprocess.run(command, check=False).returncode:
            raise SystemExit(1)
    if asked.folder is not None:
        (asked.folder / "index.html").write_text(INDEX, encoding="utf-8")


if __name__ == "__main__":
    main()
