"""Kills commands at their writing, each kind of output in turn, and looks at what they left: never half a file.

    python tests/files/command_kills.py --seed 1 --kills 110

A process that has loaded everything makes a child for each kill. The child runs a whole command line, or takes a
window's screenshot; at one of its calls for a file it says so, and is killed within the next milliseconds. Whatever
stands there then must be whole: as the file was before or as it was to become, a folder complete or not there, a
recording readable up to its last whole line and played without a difference, a capture the beginning of what was sent.
Where parts are left the same line runs again, and has to take them away. Prints what came of it as JSON; exit code 1
says that something was half.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import random
import signal
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import Any

from simkit import Machine
from simkit.commands.main import main as command_line
from simkit.contract.errors import SimkitError
from simkit.files.whole import write_new
from simkit.outside.player import replay
from simkit.outside.recording import read_recording
from simkit.window.picture_files import names

LONGEST_SECONDS = 0.004
"""So long after the call a child is killed at the latest."""
TURNS = ({"cycles": "9000c", "machine": "demo:marlpit"}, {"cycles": "14000c", "machine": "demo:video-test-card"})
"""What differs between two runs that write the same names."""

HEADLESS = "--headless --engine exact --for {cycles}"
LINES: dict[str, tuple[str, ...]] = {
    kind: tuple(line.split())
    for kind, line in {
        "record": f"run demo:marlpit {HEADLESS} --pad 1=start@99c..7000c --record {{new}}.rec",
        "picture": f"run {{machine}} {HEADLESS} --png screen.png",
        "capture": "run demo:monitor --engine exact --terminal here --for 0.02s --paste text --capture {new}.txt",
        "burn": "burn {machine} --part 28C256 --out rom.hex",
        "burn-split": "burn {machine} --part 27C64 --split --out split.bin",
        "check": "check {machine} --engine exact --for {cycles} --sarif check.sarif",
        "coverage": "coverage {machine} --engine exact --for {cycles} --save counts.json --html coverage.html",
        "video": "video {machine} --engine exact --at 1f --html video.html --folder pictures",
        "machine": "new machine {new}",
        "card": "new card {new} --package",
        "demo": "demo lamps-and-buttons {new}",
        "screenshot": "",
    }.items()
}
"""Command lines by what they write; {new} is a name that is not there yet. No line: what the window's entry calls."""


class Kills:
    """A folder in which commands are killed.

    Args:
        folder: an empty one.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.left: Counter[str] = Counter()
        (folder / "shots").mkdir()
        (folder / "text").write_text("help\n" * 3)
        self._machine = Machine.load("demo:marlpit")
        self._machine.run(frames=2)
        self._shown: set[bytes] = {self._machine.screen.png()}
        self._whole: dict[str, set[bytes]] = {}
        self._trees: dict[str, dict[str, bytes]] = {}
        self.calls: dict[str, int] = {}
        for kind in LINES:
            for turn in (0,) if any("{new}" in word for word in LINES[kind]) else (0, 1):
                code, self.calls[kind] = self.run(kind, turn, f"{kind}-{turn}")
                if code not in (0, 1):
                    raise SystemExit(f"{kind} gives {code} when nobody kills it")
                for path in self._files():
                    self._whole.setdefault(path.relative_to(folder).as_posix(), set()).add(path.read_bytes())
            if (folder / f"{kind}-0").is_dir():
                self._trees[kind] = self._tree(folder / f"{kind}-0", f"{kind}-0")

    def _files(self) -> list[Path]:
        return [path for path in sorted(self.folder.rglob("*")) if path.is_file()]

    @staticmethod
    def _tree(folder: Path, name: str) -> dict[str, bytes]:
        """Content by path, as if the folder had the name NEW."""

        def neutral(data: bytes) -> bytes:
            for form in (name, name.replace("-", "_"), name.title().replace("-", ""), name.replace("-", " ")):
                data = data.replace(form.encode(), b"NEW").replace(form.capitalize().encode(), b"NEW")
            return data

        return {
            neutral(path.relative_to(folder).as_posix().encode()).decode(): neutral(path.read_bytes())
            for path in sorted(folder.rglob("*"))
            if path.is_file()
        }

    # children ---------------------------------------------------------------------------------------------------------

    def run(self, kind: str, turn: int, new: str, kill_at: int = 0, after_seconds: float = 0.0) -> tuple[int, int]:
        """Run a line in a child; gives its exit code, -9 if it was killed, and how often it called for a file.

        Args:
            kind: of the line.
            turn: which of TURNS.
            new: the name that is not there yet.
            kill_at: call at which to kill it; 0: not at all.
            after_seconds: time behind that call.
        """
        reading, writing = os.pipe()
        process = os.fork()
        if process == 0:
            os.close(reading)
            self._child([word.format(new=new, **TURNS[turn]) for word in LINES[kind]], writing)
        os.close(writing)
        calls = 0
        while os.read(reading, 1):
            calls += 1
            if calls == kill_at:
                time.sleep(after_seconds)
                os.kill(process, signal.SIGKILL)
        os.close(reading)
        return os.waitstatus_to_exitcode(os.waitpid(process, 0)[1]), calls

    def _child(self, line: list[str], writing: int) -> None:
        code: Any = 70
        try:
            os.chdir(self.folder)
            nowhere = os.open(os.devnull, os.O_RDWR)
            for descriptor in (0, 1, 2):
                os.dup2(nowhere, descriptor)
            sys.stdin, sys.stdout, sys.stderr = (open(number, mode) for number, mode in ((0, "r"), (1, "w"), (2, "w")))  # noqa: SIM115, PTH123
            sys.addaudithook(lambda event, arguments: self._say(writing, event, arguments))
            if line:
                command_line(line)
            else:
                write_new(names(Path("shots"), self._machine), self._machine.screen.png(), what="picture")
            code = 0
        except SystemExit as ended:
            code = ended.code
        finally:
            os._exit(code if isinstance(code, int) else 1)

    def _say(self, writing: int, event: str, arguments: tuple[Any, ...]) -> None:
        """One byte for each call that makes, names or removes a file of the folder."""
        if event in ("os.mkdir", "os.rename", "os.link", "os.remove", "os.chmod", "os.rmdir") or (
            event == "open" and isinstance(arguments[2], int) and arguments[2] & (os.O_WRONLY | os.O_RDWR)
        ):
            path = arguments[0]
            if isinstance(path, str | os.PathLike) and (self.folder / path).is_relative_to(self.folder):
                os.write(writing, b".")

    # what they leave --------------------------------------------------------------------------------------------------

    def parts(self) -> list[str]:
        """Parts that lie beside the outputs."""
        return [path.relative_to(self.folder).as_posix() for path in self.folder.rglob("*.part")]

    def faults(self, kind: str, new: str) -> list[str]:
        """What is not whole."""
        found = []
        for path in self._files():
            name = path.relative_to(self.folder).as_posix()
            content = path.read_bytes()
            if any(part.endswith(".part") for part in name.split("/")) or name.split("/")[0] == new:
                continue
            if name == f"{new}.rec":
                found += self._of_recording(path)
            elif name == f"{new}.txt":
                whole = next(iter(self._whole["capture-0.txt"]))
                found += [] if whole.startswith(content) else [f"{name} is not the beginning of what was sent"]
            elif name.startswith("shots/"):
                found += [] if content in self._shown else [f"{name} is no whole picture"]
            elif not name.endswith((".rec", ".txt")) and content not in self._whole.get(name, {content}):
                found.append(f"{name} has {len(content)} bytes that nobody wrote so")
        if (self.folder / new).exists() and self._tree(self.folder / new, new) != self._trees[kind]:
            found.append(f"{new} holds {sorted(self._tree(self.folder / new, new))}")
        return found

    def _of_recording(self, path: Path) -> list[str]:
        try:
            recording = read_recording(path)
        except SimkitError as error:
            told = str(error)
            self.left["recordings killed before their first line"] += 1
            return [] if "is empty" in told or "cut off within its first line" in told else [f"{path.name}: {told}"]
        player = replay(Machine.load("demo:marlpit"), path)
        self.left["recordings cut off" if recording.cut else "whole recordings"] += 1
        if player.difference is not None or not player.ended:
            return [f"{path.name} plays otherwise: {player.difference}"]
        return []


def kill(kills: Kills, kind: str, number: int, chance: random.Random) -> list[str]:
    """Kill one line, look, and have it run again where parts are left; gives the faults."""
    for attempt in range(20):
        new, turn = f"{kind}-{number}-{attempt}x", chance.randrange(2)
        at = chance.randint(1, kills.calls[kind])
        code, _ = kills.run(kind, turn, new, at, chance.uniform(0, LONGEST_SECONDS))
        faults = kills.faults(kind, new)
        if kills.parts():
            kills.left["runs that left parts"] += 1
            again, _ = kills.run(kind, turn, new)
            faults += kills.faults(kind, new) + [f"{part} is left by the next run ({again})" for part in kills.parts()]
        if faults or code == -signal.SIGKILL:
            return [f"{kind}, kill {number} at call {at} of {kills.calls[kind]}: {fault}" for fault in faults]
    return [f"{kind}, kill {number}: it always ends before it can be killed"]


def main() -> None:
    """Kill as often as asked, each kind in turn, and tell."""
    parser = argparse.ArgumentParser(description="Kills commands at their writing, and looks for half files.")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kills", type=int, default=110)
    asked = parser.parse_args()
    chance = random.Random(asked.seed)
    started = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="simkit-kills-", ignore_cleanup_errors=True) as name:
        kills = Kills(Path(name).resolve())
        faults, done = [], Counter[str]()
        for number in range(asked.kills):
            kind = list(LINES)[number % len(LINES)]
            faults += kill(kills, kind, number, chance)
            done[kind] += 1
    told = {"kills": done, "left": kills.left, "seconds": round(time.monotonic() - started, 1), "faults": faults}
    print(json.dumps(told, indent=2))
    sys.exit(1 if faults else 0)


if __name__ == "__main__":
    with contextlib.suppress(BrokenPipeError):
        main()
