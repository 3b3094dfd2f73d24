"""What was seen of the real machine, as options of a command say it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import attrs

from simkit.commands.running import Running
from simkit.contract.errors import SimkitError

if TYPE_CHECKING:
    from simkit.machine.machine import Machine
    from simkit.suspect.seen import Seen, SeenCapture, SeenHang, SeenMemory, SeenPicture, SeenText

MAX_TEXT_BYTES = 1_000_000
MAX_MEMORY_BYTES = 65_536


@attrs.frozen
class Hands:
    """Input of each run: what the command line says, and what a recording holds.

    Attributes:
        running: the options.
        recorded: input of a recording: cycle, slot, port, action, arguments.
        labels: names and addresses that moments may use, besides those of the machine's own lists.
    """

    running: Running
    recorded: tuple[tuple[int, int, str, str, tuple[str | int | bool, ...]], ...] = ()
    labels: tuple[tuple[str, int], ...] = ()

    def __call__(self, machine: Machine) -> object:
        """Queue it."""
        for name, address in self.labels:
            machine.labels.add(name, address)
        for cycle, slot, port, action, arguments in self.recorded:
            if slot in machine.cards:  # the card may be what is missing
                machine.outside(slot, port, action, *arguments, at=cycle)
        return self.running.script(machine, None)


def recorded_input(path: Path) -> tuple[tuple[int, int, str, str, tuple[str | int | bool, ...]], ...]:
    """Input of a recording, up to the second power-on.

    Raises:
        SimkitError: it is no recording, or something was changed from outside in it, which no real machine lets you.
    """
    from simkit.outside.recording import read_recording

    found = []
    for entry in read_recording(path).entries():
        if entry.at.power_on > 1:
            break
        if entry.kind == "input":
            what = (entry.fields[name] for name in ("slot", "port", "action", "arguments"))
            slot, port, action, arguments = what
            found.append((entry.at.cycle, slot, port, action, tuple(arguments)))
        elif entry.kind.startswith("state"):
            raise SimkitError(
                f"{path}: registers or memory were changed by hand in cycle {entry.at.cycle}.",
                remedy="Record keys, pads and serial input alone.",
            )
    return tuple(found)


def seen_capture(machine: Machine, capture: Path, channels: Path | None, notes: list[str]) -> SeenCapture:
    """A capture of the bus.

    Raises:
        SimkitError: it cannot be read as one.
    """
    from simkit.capture.read import read_capture
    from simkit.records.observed import lines_of
    from simkit.suspect.seen import SeenCapture

    found = read_capture(capture, channels, lines=lines_of(machine), clock_hz=machine.description.clock_hz, notes=notes)
    return SeenCapture(found)


def seen_text(said: str) -> SeenText:
    """A text, or the file that holds it.

    Raises:
        SimkitError: it says nothing.
    """
    from simkit.files.bounded import is_file, read_text
    from simkit.suspect.seen import SeenText

    from_file = "\n" not in said and is_file(Path(said))
    text = read_text(Path(said), MAX_TEXT_BYTES, "text") if from_file else said.replace("\\n", "\n")
    if not text.strip():
        raise SimkitError("--seen-text: the text says nothing.", remedy="Of a blank screen say --seen-nothing.")
    return SeenText(text)


def seen_picture(machine: Machine, path: Path) -> SeenPicture:
    """A picture that the kit wrote, or one with the same palette; its border does not count.

    Raises:
        SimkitError: it is none, or of another size than any screen.
    """
    from simkit.machine.views import Screen
    from simkit.suspect.seen import SeenPicture
    from simkit.testing.golden import PictureError, read_numbers

    try:
        pixels = read_numbers(path)
    except PictureError as error:
        remedy = (
            "Give a picture whose pixels are palette numbers, as `simkit run MACHINE --png` writes it. Of a photograph "
            "say what can be read in it: --seen-text."
        )
        raise SimkitError(error.message, file=error.file, remedy=remedy) from error
    for screen in machine.ports(Screen):
        port = screen.port
        left, _, top, _ = port.margins
        across, down = port.size_with_border
        if pixels.shape == (port.height, port.width):
            return SeenPicture(pixels, screen.slot)
        if pixels.shape == (down, across):
            return SeenPicture(pixels[top : top + port.height, left : left + port.width], screen.slot)
    rows, columns = pixels.shape
    raise SimkitError(
        f"{path} has {columns} by {rows} pixels, which no screen of the machine has.",
        remedy="Give it as the screen shows it, not enlarged.",
    )


def seen_memory(said: str) -> SeenMemory:
    """A dump, FILE@ADDRESS.

    Raises:
        SimkitError: it is not so written, or the file cannot be read.
    """
    from simkit.files.bounded import read_bounded
    from simkit.machinefile.programs import parse_address
    from simkit.suspect.seen import SeenMemory

    name, at, address = said.rpartition("@")
    if not at:
        raise SimkitError(f"--seen-memory {said!r} does not say FILE@ADDRESS.", remedy="Write e.g. 'dump.bin@$0200'.")
    start = parse_address(address)
    try:
        content = read_bounded(Path(name), MAX_MEMORY_BYTES, "memory dump")
    except FileNotFoundError as error:
        raise SimkitError(f"There is no file {name}.", remedy="Correct the path.") from error
    if not content or start + len(content) > 0x1_0000:
        raise SimkitError(
            f"{name} has {len(content)} bytes, from ${start:04X} on.", remedy="A dump holds 1 byte at least, to $FFFF."
        )
    return SeenMemory(start, content)


def seen_hang(machine: Machine, said: str) -> SeenHang:
    """Where it hangs: an address or a label.

    Raises:
        SimkitError: it is neither.
    """
    from simkit.machine.loader import start_address
    from simkit.suspect.seen import SeenHang

    try:
        return SeenHang(start_address(said, machine.labels))
    except SimkitError as error:
        remedy = "Write '$8123', or a label of a list that the machine file or --labels names."
        raise SimkitError(f"--hangs-at: {said!r} is neither an address nor a label.", remedy=remedy) from error


def memory_places(machine: Machine, start: int, size: int) -> Sequence[tuple[int, int] | None]:
    """Slot and offset of the RAM behind each address; None where there is none."""
    found: list[tuple[int, int] | None] = []
    for address in range(start, start + size):
        rams = [
            (seat.slot, offset)
            for seat, offset in machine.bus.where(address)
            if seat.plain is not None and seat.plain.read is not None and seat.plain.write is not None
        ]
        found.append(rams[0] if rams else None)
    return found


def at_least_one(seen: Sequence[Seen]) -> None:
    """Refuse a search for nothing.

    Raises:
        SimkitError: nothing was seen.
    """
    if not seen:
        raise SimkitError(
            "What was seen is not said, so there is nothing to explain.",
            remedy="Give --seen CAPTURE, --seen-text, --seen-picture, --seen-memory, --hangs-at or --seen-nothing.",
        )
