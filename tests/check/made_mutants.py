"""Mistakes of the kinds builders make, drawn by chance from a seed, put one at a time into the project's own ROMs.

`python -m tests.check.made_mutants --seed 4711 --count 200 --out mutants.jsonl` makes them, plays each as `PLAYED`
says and writes a line each: what was changed, which rules the check found broken, and whether the machine still shows
the same. Only instructions are changed that run when the ROM is played as it is. A mutant that no rule notices either
breaks none (a wrong picture is a wrong program, but a sound one) or shows a rule that is missing: that is for people
to read.
"""

from __future__ import annotations

import argparse
import contextlib
import functools
import importlib.util
import io
import json
import random
import re
import shutil
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import attrs

from simkit import Machine
from simkit.check.run import check
from simkit.machine.views import Lamps, Screen, Serial
from simkit.testing.coverage import CoverageWatch
from tests.check.test_mutants import PLAYED, ROOT

SLOT = 2
"""Of the ROM, in all these machines."""

_STATEMENT = re.compile(r"^(?P<label>[A-Za-z_]\w*:)?\s*(?P<name>[a-z]{3})(?:\s+(?P<operand>[^;]*?))?\s*(?:;.*)?$")
_OTHER = {
    "beq": "bne", "bne": "beq", "bcc": "bcs", "bcs": "bcc", "bmi": "bpl", "bpl": "bmi", "bvc": "bvs", "bvs": "bvc",
    "clc": "sec", "sec": "clc", "inc": "dec", "dec": "inc", "inx": "dex", "dex": "inx", "iny": "dey", "dey": "iny",
    "sei": "cli", "cli": "sei", "cld": "sed", "and": "ora", "ora": "and", "asl": "lsr", "lsr": "asl", "rol": "ror",
    "ror": "rol", "adc": "sbc", "sbc": "adc", "tax": "txa", "txa": "tax", "tay": "tya", "tya": "tay", "cpx": "cpy",
    "cpy": "cpx", "ldx": "ldy", "ldy": "ldx", "stx": "sty", "sty": "stx", "tsb": "trb", "trb": "tsb",
}  # fmt: skip
_CALLS = {"jsr": "jmp", "jmp": "jsr", "rts": "rti", "rti": "rts"}
_STORES = {"sta": "lda", "lda": "sta", "stx": "ldx", "ldx": "stx", "stz": "lda"}
_CARD = re.compile(r"\b(?:KEYBOARD|PAD|VIDEO|SERIAL|PORTS)_[A-Z_0-9]+\b")


@attrs.frozen
class Mutant:
    """One mistake.

    Attributes:
        rom: which ROM.
        kind: of mistake.
        file: source file, from the folder of the ROMs.
        line: in it, from 1.
        old: what stands there.
        new: what stands there instead; "" for a line that is left out.
    """

    rom: str
    kind: str
    file: str
    line: int
    old: str
    new: str


def changes(line: str) -> list[tuple[str, str]]:
    """Kinds of mistake that can be made in a line of source, and the line then."""
    found = _STATEMENT.match(line)
    if found is None:
        return []
    name, operand = found["name"], (found["operand"] or "").strip()
    start, end = found.span("name")
    label = found["label"] or ""
    made = [("instruction forgotten", label)]
    for kind, table in (("opposite", _OTHER), ("call or return mistaken", _CALLS)):
        if name in table:
            made.append((kind, line[:start] + table[name] + line[end:]))
    if name in _STORES and operand and not operand.startswith("#"):
        made.append(("load for store", line[:start] + _STORES[name] + line[end:]))
    if not operand:
        return made
    at, stop = found.span("operand")

    def with_operand(kind: str, text: str) -> None:
        if text != operand:
            made.append((kind, f"{line[:at]}{text}{line[at + len(line[at:stop].rstrip()) :]}"))

    if operand.startswith("#"):
        with_operand("# forgotten", operand[1:])
        with_operand("one too many", f"{operand}+1")
        with_operand("one too few", f"{operand}-1")
        with_operand("halves exchanged", operand.translate({ord("<"): ">", ord(">"): "<"}))
    elif name not in ("jsr", "jmp") and not name.startswith("b"):
        with_operand("# too much", f"#{operand}" if "," not in operand and not operand.startswith("(") else operand)
        with_operand("wrong index", re.sub(r",\s*([xy])$", lambda m: f",{'y' if m[1] == 'x' else 'x'}", operand))
        with_operand("index forgotten", re.sub(r",\s*[xy]$", "", operand))
        with_operand("register beside", _CARD.sub(lambda m: f"{m[0]}+1", operand))
        if not _CARD.search(operand) and "," not in operand:
            with_operand("cell beside", f"{operand}+1")
    return made


def exchanged(first: str, second: str) -> bool:
    """Whether two lines in a row are instructions that can be exchanged: no label at the second."""
    here, there = _STATEMENT.match(first), _STATEMENT.match(second)
    return here is not None and there is not None and not there["label"] and not here["label"] and first != second


@functools.cache
def _builder():
    spec = importlib.util.spec_from_file_location("roms_build", ROOT / "roms" / "build.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def assembled(rom: str, folder: Path) -> dict[str, Path] | None:
    """The files of a ROM whose sources lie in a folder; None: the assembler found an error."""
    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        try:
            return _builder().assemble(folder / f"{rom}.asm", folder)
        except (SystemExit, Exception):  # noqa: BLE001 - the assembler is not ours; what it cannot take is no mutant
            return None


def copied(folder: Path) -> Path:
    """A copy of the sources."""
    kept = shutil.ignore_patterns("*.bin", "*.lst", "rules", "video-mistakes")
    return Path(shutil.copytree(ROOT / "roms", folder / "roms", ignore=kept, dirs_exist_ok=True))


def played(rom: str, written: dict[str, Path], *, counted: bool = False):
    """The machine when it has been checked, the result, and how often each address was executed where asked for."""
    demo, play = PLAYED[rom]
    machine = Machine.load(ROOT / "demo" / demo, images={SLOT: written["bin"]})
    machine.read_labels(written["labels"])
    if counted:
        watch = CoverageWatch(machine)
        machine.run(seconds=play(machine))
        return machine, None, watch.stop()
    return machine, check(machine, seconds=play(machine)), None


def shown(machine: Machine) -> list[object]:
    """What people see of it."""
    found: list[object] = [screen.pixels.tobytes().hex() for screen in machine.ports(Screen)]
    found += [bytes(plug.received).hex() for plug in machine.ports(Serial)]
    return found + [list(lamps.levels) for lamps in machine.ports(Lamps)]


@functools.cache
def lines_that_run(rom: str) -> list[tuple[str, int]]:
    """Lines of source, by file, whose instructions run when the ROM is played as it is."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = copied(Path(scratch))
        written = assembled(rom, folder)
        assert written is not None
        machine, _, counts = played(rom, written, counted=True)
        listing = machine.source_lines.listing
        found = set()
        for address in counts.ran:
            row = listing.row(address)
            if row is not None:
                found.add((Path(row.file).resolve().relative_to(folder.resolve()).as_posix(), row.line))
        return sorted(found)


def drawn(seed: int, count: int) -> list[Mutant]:
    """So many different mutants; each kind is as likely as another, and each ROM."""
    chance = random.Random(seed)
    found: dict[tuple[str, int, str], Mutant] = {}
    while len(found) < count:
        rom = chance.choice(sorted(PLAYED))
        kinds: dict[str, list[Mutant]] = {}
        for file, number in lines_that_run(rom):
            lines = (ROOT / "roms" / file).read_text().splitlines()
            line = lines[number - 1]
            for kind, new in changes(line):
                kinds.setdefault(kind, []).append(Mutant(rom, kind, file, number, line, new))
            if number < len(lines) and exchanged(line, lines[number]):
                pair = "\n".join((line, lines[number])), "\n".join((lines[number], line))
                kinds.setdefault("lines exchanged", []).append(Mutant(rom, "lines exchanged", file, number, *pair))
        mutant = chance.choice(kinds[chance.choice(sorted(kinds))])
        key = mutant.file, mutant.line, mutant.new
        if key not in found and _differs(mutant):
            found[key] = mutant
    return list(found.values())


def put(mutant: Mutant, folder: Path) -> dict[str, Path] | None:
    """The files of a ROM with a mistake in it; None: it does not assemble."""
    path = copied(folder) / mutant.file
    lines = path.read_text().splitlines()
    lines[mutant.line - 1 : mutant.line - 1 + len(mutant.old.split("\n"))] = mutant.new.split("\n")
    path.write_text("\n".join([*lines, ""]))
    return assembled(mutant.rom, folder / "roms")


@functools.cache
def _right_image(rom: str) -> bytes:
    with tempfile.TemporaryDirectory() as scratch:
        written = assembled(rom, copied(Path(scratch)))
        assert written is not None
        return written["bin"].read_bytes()


def _differs(mutant: Mutant) -> bool:
    """Whether it assembles, and to other bytes."""
    with tempfile.TemporaryDirectory() as scratch:
        written = put(mutant, Path(scratch))
        return written is not None and written["bin"].read_bytes() != _right_image(mutant.rom)


@functools.cache
def _right_sight(rom: str) -> str:
    with tempfile.TemporaryDirectory() as scratch:
        written = assembled(rom, copied(Path(scratch)))
        assert written is not None
        return json.dumps(shown(played(rom, written)[0]))


def looked_at(mutant: Mutant) -> dict[str, object]:
    """What the check finds in it."""
    with tempfile.TemporaryDirectory() as scratch:
        written = put(mutant, Path(scratch))
        assert written is not None
        machine, result, _ = played(mutant.rom, written)
        found = [{"rule": one.rule.name, "message": one.message, "label": one.label} for one in result.open]
        same = json.dumps(shown(machine)) == _right_sight(mutant.rom)
    return attrs.asdict(mutant) | {"findings": found, "halted": result.halted, "shows_the_same": same}


def main() -> None:
    """Make them, look at them, write a line each, and tell how many were noticed."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--seed", type=int, required=True)
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--workers", type=int, default=2)
    asked = parser.parse_args()
    mutants = drawn(asked.seed, asked.count)
    noticed = 0
    with ProcessPoolExecutor(asked.workers) as pool, asked.out.open("w") as out:
        for number, found in enumerate(pool.map(looked_at, mutants), start=1):
            out.write(json.dumps(found) + "\n")
            noticed += bool(found["findings"])
            print(f"\r{number} of {len(mutants)}, {noticed} noticed", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)


if __name__ == "__main__":
    main()
