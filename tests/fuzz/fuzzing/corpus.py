"""Sound files to begin with: those that come with the kit, and those that the kit writes."""

from __future__ import annotations

import io
import json
import tomllib
import zipfile
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from simkit.machine.machine import Machine
from simkit.machinefile.read import read_description
from simkit.machinefile.shipped import demo_folder, shipped_folder
from simkit.outside.journal import record

MACHINE = "machine.toml"
BASE, ROM, LABELS, CARD, FUSES = "base.toml", "rom.bin", "rom.labels", "trap_card.py", "rom.jed"


@cache
def machines() -> list[dict[str, bytes | dict[str, Any]]]:
    """Files of every demo machine by name in one folder; machine files as trees."""
    return [_machine(path) for path in sorted(demo_folder().rglob(MACHINE))]


def _machine(path: Path) -> dict[str, bytes | dict[str, Any]]:
    """A machine and its base with all that they name, brought into one folder."""
    tree = tomllib.loads(path.read_text(encoding="utf-8"))
    files: dict[str, bytes | dict[str, Any]] = {}
    if "base" in tree:
        files |= _machine((path.parent / tree["base"]).resolve())
        if BASE in files:  # a base of a base: the lowest counts here
            files.pop(MACHINE)
        else:
            files[BASE] = files.pop(MACHINE)
        tree["base"] = BASE
    for card in tree.get("card", []):
        for key, name in (("image", ROM), ("labels", LABELS)):
            if key in card:
                files[name] = (path.parent / card[key]).read_bytes()
                card[key] = name
        for part in card.get("decode", {}).values():
            if isinstance(part, dict) and "fuses" in part:
                files[FUSES] = (path.parent / part["fuses"]).read_bytes()
                part["fuses"] = FUSES
        if str(card.get("kind", "")).startswith("file:"):
            files[CARD] = (path.parent / CARD).read_bytes()
    return {MACHINE: tree, **files}


@cache
def cards_of(demo: str) -> dict[int, str]:
    """Kind of the card in each slot of a demo machine."""
    return {card.slot: card.kind for card in Machine.load(f"demo:{demo}").description.cards}


def _shipped(pattern: str) -> list[bytes]:
    return [path.read_bytes() for path in sorted((shipped_folder() / "roms").glob(pattern))]


@cache
def label_lists() -> list[bytes]:
    """Label lists of the ROMs."""
    return _shipped("*.labels")


@cache
def listings() -> list[bytes]:
    """Listings of the ROMs, the first lines of each."""
    return [b"\n".join(text.split(b"\n")[:400]) for text in _shipped("*.lst")]


@cache
def roms() -> list[bytes]:
    """Images of the ROMs."""
    return _shipped("*.bin")


@cache
def controls() -> dict[str, Any]:
    """The controls file."""
    from simkit.hands.controls import DEFAULTS

    return tomllib.loads(DEFAULTS.read_text(encoding="utf-8"))


@cache
def parts() -> dict[str, Any]:
    """A table of parts: one of each kind."""
    from simkit.machinefile.figures import FOLDER

    found: dict[str, Any] = {"source": {}, "part": []}
    for path in sorted(FOLDER.glob("*.toml")):
        tree = tomllib.loads(path.read_text(encoding="utf-8"))
        found["source"] |= tree["source"]
        found["part"] += tree["part"][:2]
    return found


@cache
def accepted() -> dict[str, Any]:
    """A file of accepted findings."""
    return tomllib.loads((demo_folder() / "traps" / "accepted.toml").read_text(encoding="utf-8"))


@cache
def written() -> dict[str, bytes]:
    """One file of each format that the kit writes, by the ending of its name."""
    from simkit.rom.images import write_image
    from simkit.testing.coverage import CoverageWatch

    machine = Machine.load("demo:marlpit")
    watch = CoverageWatch(machine)
    machine.pads[1].press("start", at=2_000)
    machine.run(cycles=40_000)
    with TemporaryDirectory() as folder:
        picture = Path(folder) / "a.png"
        machine.screen.save_png(picture)
        png = picture.read_bytes()
    rom = roms()[0][:512]
    return {
        "counts": watch.stop().to_json().encode(),
        "png": png,
        "hex": write_image(rom, ".hex", address=0x8000),
        "s19": write_image(rom, ".s19", address=0x8000),
        "recording": recording(),
    }


def recorded_machine() -> Machine:
    """A machine just switched on, of which there is a recording."""
    return Machine(read_description("demo:marlpit"))


def recording() -> bytes:
    """A recording with every kind of entry."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "a.rec"
        machine = recorded_machine()
        with record(machine, path) as journal:
            machine.pads[1].press("start", "left")
            machine.run(cycles=5_000)
            machine.poke(0x300, 0x41)
            machine.cpu.x = 5
            journal.chapter("one")
            machine.reset()
            machine.run(cycles=2_000)
            state = machine.save_state()
            machine.power_cycle()
            machine.run(cycles=1_000)
            machine.load_state(state)
            fresh = recorded_machine()
            journal.go_on_with(fresh)
            fresh.keys.press("a")
            fresh.run(cycles=2_000)
        return path.read_bytes()


@cache
def kit() -> tuple[dict[str, Any], dict[str, bytes]]:
    """Manifest and files of a kit with a recording and states on its way."""
    from simkit.kit.packing import Asked, pack
    from simkit.kitfile.reading import kit_of

    with TemporaryDirectory() as folder:
        path = Path(folder) / "evening.rec"
        path.write_bytes(recording())
        packed = pack(recorded_machine(), Asked(recordings=[path], poster=b"no picture"))
    return json.loads(packed.manifest.content()), dict(kit_of(packed.content, Path("a.kit")).contents)


def old_recording(version: int) -> dict[str, Any]:
    """A recording of one of the versions before, which nothing writes any more."""
    said: dict[str, Any] = {"identity": "00ff"} if version == 1 else {"fingerprint": {"parts": {}, "models": {}}}
    events = [[1, 4, "pads", "press", [1, "a"]], [3, 4, "pads", "release", [1, "a"]]]
    events += [[30, -1, "machine", "reset", [True]], [40, -1, "machine", "reset", [False]]]
    return {
        "format": "simkit-recording",
        "version": version,
        "machine": "Marlpit",
        **said,
        "end": 9000,
        "events": events,
    }


@cache
def _serial_machine() -> tuple[Machine, bytes]:
    machine = Machine.load("demo:monitor")
    machine.run(cycles=20_000)
    return machine, machine.save_state()


def serial_machine() -> Machine:
    """A machine that listens on its serial line, always in the same state."""
    machine, state = _serial_machine()
    machine.load_state(state)
    return machine


@cache
def state_machine() -> Machine:
    """A machine whose states are damaged; a state that is refused leaves it as it is."""
    machine = Machine.load("demo:bench")
    machine.run(cycles=5_000)
    return machine


@cache
def state() -> bytes:
    """A state of that machine."""
    return state_machine().save_state()


@cache
def state_entries() -> dict[str, bytes]:
    """What lies in it, by name."""
    with zipfile.ZipFile(io.BytesIO(state())) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


@cache
def trees(name: str) -> list[Any]:
    """A written file that is JSON, or JSON a line, as trees."""
    data = written()[name]
    try:
        return [json.loads(data)]
    except ValueError:
        return [json.loads(line) for line in data.splitlines()]
