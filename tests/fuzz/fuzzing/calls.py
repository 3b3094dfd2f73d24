"""What is done with an input in process: each parser's public function, and the command line."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from fuzzing import corpus
from fuzzing.sample import Sample

if TYPE_CHECKING:
    from simkit.machine.machine import Machine

RUN_CYCLES = 60
PLAYED_CYCLES = 30_000


def _machine(sample: Sample) -> None:
    from simkit.address_map.whole import address_map
    from simkit.address_map.words import map_lines
    from simkit.commands.say import say
    from simkit.machine.machine import Machine

    machine = Machine.load("." if not sample.argv else sample.argv[0])
    say(*map_lines(address_map(machine)))
    machine.run(cycles=RUN_CYCLES)
    assert machine.save_state()


def _settings(sample: Sample) -> None:
    from simkit.commands.options import parse_settings
    from simkit.machine.machine import Machine

    Machine.load(sample.argv[0], settings=parse_settings(sample.argv[1:])).run(cycles=RUN_CYCLES)


def _labels(sample: Sample) -> None:
    from simkit.rom.labels import Labels, read_labels

    Labels(read_labels(Path(sample.argv[0])))


def _constants(sample: Sample) -> None:
    from simkit.address_map.compared import compare
    from simkit.address_map.includes import read_include
    from simkit.commands.map import comparison_lines
    from simkit.commands.say import say
    from simkit.machine.machine import Machine

    found = compare(Machine.load("demo:marlpit"), read_include(Path(sample.argv[0])))
    say(*comparison_lines(found, "Marlpit"))


def _listing(sample: Sample) -> None:
    from simkit.rom.listing import read_listing

    listing = read_listing(Path(sample.argv[0]))
    for address in (0, 0x8000, 0xFFFF):
        listing.row(address)


def _tool_file(sample: Sample) -> None:
    from simkit.rom.labels import read_labels
    from simkit.rom.listing import completed, read_rows

    path, notes = Path(sample.argv[0]), list[str]()
    labels = read_labels(path, notes)
    rows = completed(read_rows(path, notes), "65C02", lambda _, length: bytes(length))
    print(*notes, *labels, *((row.place, row.text, row.data) for row in rows[:99]))


def _fuses(sample: Sample) -> None:
    from simkit.commands.say import say
    from simkit.logic.fuses.equations import equations
    from simkit.logic.fuses.jedec import load_fuse_map
    from simkit.logic.fuses.program import programmed
    from simkit.logic.fuses.vectors import vectors_that_fail

    fuse_map = load_fuse_map(Path(sample.argv[0]))
    program = programmed(sample.argv[1], fuse_map)
    say(*fuse_map.notes, *vectors_that_fail(program, fuse_map), *equations(program, {}).values(), program.signature)


def _image(sample: Sample) -> None:
    from simkit.rom.images import read_image

    size = int(sample.argv[1])
    assert 0 < len(read_image(Path(sample.argv[0]), size)) <= size


def _toml(sample: Sample) -> None:
    from simkit.machinefile.merge import KNOWN_BY
    from simkit.machinefile.tomlfile import read_toml

    toml = read_toml(Path(sample.argv[0]), "machine file", KNOWN_BY)
    for key in toml.data:
        assert toml.place(key).line != 0


def _recording(sample: Sample) -> None:
    from simkit.outside.player import Player
    from simkit.outside.recording import read_recording

    recording = read_recording(Path(sample.argv[0]))
    player = Player(corpus.recorded_machine(), recording)
    while not player.ended and player.played < PLAYED_CYCLES:
        player.run(PLAYED_CYCLES)
    assert all(note.isprintable() for note in player.notes)


def _state(sample: Sample) -> None:
    machine = corpus.state_machine()
    data = sample.files[sample.argv[0]]
    assert isinstance(data, bytes)
    try:
        machine.load_state(data)
    finally:
        machine.load_state(corpus.state())


def _picture(sample: Sample) -> None:
    from simkit.testing.golden import read_numbers

    assert read_numbers(Path(sample.argv[0])).size


def _counts(sample: Sample) -> None:
    from simkit.testing.coverage import Counts

    counts = Counts.from_json(Path(sample.argv[0]))
    counts.to_json()


def _controls(sample: Sample) -> None:
    from simkit.hands.controls import read_controls

    read_controls(Path(sample.argv[0])).toml()


def _parts(sample: Sample) -> None:
    from simkit import Machine
    from simkit.budget.drawn import drawn, most_urgent
    from simkit.budget.whole import budget
    from simkit.budget.words import budget_data, budget_lines
    from simkit.looks.drawing import svg

    machine = Machine.load(sample.argv[0])
    for column in ("worst", "typical"):
        found = budget(machine, column)
        assert all(isinstance(line, str) for line in budget_lines(found))
        json.dumps(budget_data(found))
        card = most_urgent(found)
        if card is not None:
            assert svg(drawn(found, card))


def _accepted(sample: Sample) -> None:
    from simkit.check.result.accept import read_accepted

    read_accepted(Path(sample.argv[0]))


def _select(sample: Sample) -> None:
    from simkit.backplane.select import Select, ranges

    select = Select(sample.argv)
    ranges(select.table(dict.fromkeys({*select.lines, "RW", "PHI2"}, True)))


def _clock(sample: Sample) -> None:
    from simkit.contract.clock import parse_hz

    assert parse_hz(sample.argv[0]) > 0


def _moment(sample: Sample) -> None:
    """What is read is written so that it is read to the same."""
    from simkit.machine.moments import parse_moment

    found = parse_moment(sample.argv[0])
    assert parse_moment(str(found)) == found


def _script(sample: Sample) -> None:
    """Typing and pads, queued on a machine that has both."""
    from simkit.commands.script import Script
    from simkit.machine.machine import Machine

    machine = Machine.load("demo:marlpit")
    typed = [text for kind, text in zip(sample.argv[::2], sample.argv[1::2], strict=True) if kind == "type"]
    pads = [text for kind, text in zip(sample.argv[::2], sample.argv[1::2], strict=True) if kind == "pad"]
    Script(machine, machine.screen, typed, pads)
    machine.run(cycles=RUN_CYCLES)


def _paste(sample: Sample) -> None:
    """A text pasted into a machine, until all of it was sent or for a while."""
    from simkit.outside.serial_host import Feeder, Paste

    machine = corpus.serial_machine()
    paste = Paste.read(Path(sample.argv[0]), max(0, int(sample.argv[1])))
    feeder = Feeder(machine, machine.serial)
    feeder.paste(paste)
    for _ in range(20):
        feeder.feed(machine.cycle + RUN_CYCLES)
        machine.run(cycles=RUN_CYCLES)


def _capture(sample: Sample) -> None:
    """A capture, by the channel file beside it if there is one."""
    from simkit.capture.read import read_capture

    notes = list[str]()
    channels = Path(sample.argv[1]) if len(sample.argv) > 1 else None
    captured = read_capture(Path(sample.argv[0]), channels, notes=notes)
    assert not (captured.levels & ~captured.known).any()
    assert (captured.time[1:] >= captured.time[:-1]).all()
    print(*notes)


def _kit(sample: Sample) -> None:
    """A kit: read, unpacked into a folder, and loaded as a machine, whose recordings are played from states of it."""
    from simkit.cpu.core.compiled import cache_folder
    from simkit.kitfile.reading import read_kit
    from simkit.kitfile.unpacking import KITS, unpack
    from simkit.machine.machine import Machine

    path = Path(sample.argv[0])
    try:
        kit = read_kit(path)
        unpack(kit, Path("out"))
        assert all(Path("out", name).read_bytes() == content for name, content in kit.contents.items())
        machine = Machine.load(path)
        machine.run(cycles=RUN_CYCLES)
        for one in kit.manifest.recordings:
            _play_from_states(Machine(machine.description), Path("out", one.file), one.states)
    finally:
        shutil.rmtree(cache_folder() / KITS, ignore_errors=True)


def _play_from_states(machine: Machine, path: Path, states: Sequence[tuple[tuple[int, int], str]]) -> None:
    from simkit.outside.entries import Place
    from simkit.outside.jumping import stored_states
    from simkit.outside.player import Player
    from simkit.outside.recording import read_recording

    recording = read_recording(path)
    stored = stored_states(recording, {Place(*at): Path("out", name).read_bytes() for at, name in states})
    player = Player(machine, recording)
    for cycles in (recording.cycles // 2, 0, recording.cycles):
        player.jump(min(cycles, PLAYED_CYCLES), stored)


def _command(sample: Sample) -> None:
    from simkit.commands.main import main

    main(list(sample.argv))


CALLS: dict[str, Callable[[Sample], None]] = {
    "machine": _machine,
    "settings": _settings,
    "labels": _labels,
    "fuses": _fuses,
    "constants": _constants,
    "toolfile": _tool_file,
    "listing": _listing,
    "image": _image,
    "toml": _toml,
    "recording": _recording,
    "state": _state,
    "picture": _picture,
    "counts": _counts,
    "controls": _controls,
    "parts": _parts,
    "accepted": _accepted,
    "select": _select,
    "clock": _clock,
    "moment": _moment,
    "script": _script,
    "paste": _paste,
    "capture": _capture,
    "kit": _kit,
    "command": _command,
}
"""By the name that a sample gives; each raises SimkitError for what is wrong, and nothing else."""


def without_display() -> None:
    """No window opens: a run without --headless says so and runs for a while."""
    for name in ("DISPLAY", "WAYLAND_DISPLAY", "SDL_VIDEODRIVER"):
        os.environ.pop(name, None)
