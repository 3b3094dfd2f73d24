"""Kills runs that write, in the middle of it, and looks at what they left: never half a file.

    python tests/files/kills.py --seed 1 --kills 200

A process that has loaded everything makes children; each writes one output after another, over older ones and anew,
until it is killed at a random moment. After each kill every file must be whole, with the content that a run gave it,
and every folder complete. At the end one more run writes the same names, and no part may be left. Prints what came of
it as JSON; exit code 1 says that something was half.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from pathlib import Path

from simkit import Machine
from simkit.burn.image import fit, rom_slots, write_files
from simkit.burn.parts import part_named
from simkit.commands.demo import unpack
from simkit.commands.new import write_machine
from simkit.commands.new_card import write_package
from simkit.contract.errors import SimkitError
from simkit.files.growing import GrowingFile
from simkit.files.png import PICTURE
from simkit.files.whole import write_whole
from simkit.testing.coverage import COUNTS, CoverageWatch

LONGEST_SECONDS = 0.1
"""So long a child writes at most before it is killed; about as long as it takes to write everything once."""
CAPTURE = b"".join(b"%04d\n" % line for line in range(200))
TRASH = "trash"


class Outputs:
    """What is written, and what each file may hold."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        bench, marlpit = Machine.load("demo:bench"), Machine.load("demo:marlpit")
        (slot,) = rom_slots(bench)
        self._one, self._two = (fit(bench, slot, part_named(part), split=part == "2764") for part in ("28C256", "2764"))
        self._other = fit(marlpit, rom_slots(marlpit)[0], part_named("28C256"))
        watch = CoverageWatch(marlpit)
        marlpit.run(frames=2)
        self._counts = watch.stop().to_json()
        self._pictures = [marlpit.screen.png(scale=scale) for scale in (1, 3)]
        self._whole: dict[str, set[bytes]] = {}
        self._folders: dict[str, list[str]] = {}
        for turn in range(2):
            self.write(turn)
            for path in self._files():
                self._whole.setdefault(path.relative_to(folder).as_posix(), set()).add(path.read_bytes())
        for name in ("machine", "card", "demo"):
            self._folders[name] = self._inside(folder / name)

    def write(self, turn: int) -> None:
        """Write everything once."""
        write_whole(self.folder / "screen.png", self._pictures[turn % 2], known=PICTURE)
        write_whole(self.folder / "counts.json", self._counts, known=COUNTS)
        for ending in (".bin", ".hex", ".s19"):
            write_files((self._one, self._other)[turn % 2], self.folder / f"rom{ending}")
        write_files(self._two, self.folder / "split.bin")
        for name, write in (
            ("machine", lambda path: write_machine(path / "deep" / "mine")),
            ("card", write_package),
            ("demo", lambda path: unpack("lamps-and-buttons", path)),
        ):
            place, away = self.folder / name, self.folder / TRASH / f"{os.getpid()}-{turn}-{name}"
            with contextlib.suppress(FileNotFoundError):
                away.parent.mkdir(exist_ok=True)
                place.rename(away)
            write(place)
        shutil.rmtree(self.folder / TRASH, ignore_errors=True)
        with GrowingFile(self.folder / "capture.txt", force=True) as capture:
            for line in CAPTURE.splitlines(keepends=True):
                capture.write(line)

    def _files(self) -> list[Path]:
        inside = (path for path in sorted(self.folder.rglob("*")) if path.is_file())
        return [path for path in inside if not {TRASH, ".part"} & {path.relative_to(self.folder).parts[0], path.suffix}]

    def _inside(self, folder: Path) -> list[str]:
        return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*"))

    def faults(self) -> list[str]:
        """What is not whole."""
        found = []
        for path in self._files():
            name, content = path.relative_to(self.folder).as_posix(), path.read_bytes()
            if path.parent.suffix == ".part" or name.split("/")[0].endswith(".part"):
                continue
            if name == "capture.txt":
                whole = CAPTURE.startswith(content) and len(content) % 5 == 0
            else:
                whole = content in self._whole.get(name, ())
            if not whole:
                found.append(f"{name} has {len(content)} bytes that nobody wrote so")
        for name, inside in self._folders.items():
            if (self.folder / name).exists() and self._inside(self.folder / name) != inside:
                found.append(f"{name} holds {self._inside(self.folder / name)}")
        return found

    def parts(self) -> list[str]:
        """Parts that lie beside the outputs."""
        return [path.name for path in self.folder.iterdir() if path.name.endswith(".part")]


def write_until_killed(outputs: Outputs, pipe: int) -> None:
    """What a child does; it leaves by itself only when something is wrong."""
    os.write(pipe, b"x")
    try:
        for turn in range(10_000):
            outputs.write(turn)
    except SimkitError as error:
        print(error, file=sys.stderr, flush=True)
    os._exit(1)


def kill(outputs: Outputs, after_seconds: float) -> bool:
    """Start a child and kill it; whether it was still writing."""
    reading, writing = os.pipe()
    process = os.fork()
    if process == 0:
        write_until_killed(outputs, writing)
    os.close(writing)
    os.read(reading, 1)
    os.close(reading)
    time.sleep(after_seconds)
    os.kill(process, signal.SIGKILL)
    return os.WIFSIGNALED(os.waitpid(process, 0)[1])


def main() -> None:
    """Kill as often as asked, look each time, and tell."""
    parser = argparse.ArgumentParser(description="Kills runs that write, and looks for half files.")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kills", type=int, default=200)
    asked = parser.parse_args()
    chance = random.Random(asked.seed)
    started = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="simkit-kills-") as name:
        outputs = Outputs(Path(name))
        faults, with_parts, parts = [], 0, 0
        for number in range(1, asked.kills + 1):
            if not kill(outputs, chance.uniform(0, LONGEST_SECONDS)):
                faults.append(f"kill {number}: the run had ended by itself")
            faults += [f"kill {number}: {fault}" for fault in outputs.faults()]
            with_parts += len(outputs.parts()) > parts
            parts = len(outputs.parts())
        outputs.write(0)
        faults += [f"{part} is left" for part in outputs.parts()] + outputs.faults()
    seconds = round(time.monotonic() - started, 1)
    print(json.dumps({"kills": asked.kills, "left_a_part": with_parts, "seconds": seconds, "faults": faults}, indent=2))
    sys.exit(1 if faults else 0)


if __name__ == "__main__":
    main()
