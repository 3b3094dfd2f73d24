"""What is in a ROM's part at the end of a run, into a file: what the program wrote is taken out."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from simkit.contract.errors import SimkitError

if TYPE_CHECKING:
    from simkit.machine.machine import Machine

RomFiles = Mapping[int, Path]
"""File by slot."""


def rom_files(texts: Iterable[str]) -> RomFiles:
    """What `--rom-out SLOT=FILE` says.

    Raises:
        SimkitError: it says something else, or one slot or file twice.
    """
    found: dict[int, Path] = {}
    for text in texts:
        said = re.fullmatch(r"([0-9]{1,3})=(.+)", text, re.DOTALL)
        if said is None:
            raise SimkitError(f"--rom-out {text!r} does not say SLOT=FILE.", remedy="Write e.g. --rom-out 2=after.bin.")
        slot, path = int(said[1]), Path(said[2])
        if slot in found:
            raise SimkitError(f"--rom-out names slot {slot} twice.", remedy="Give one file a slot.")
        found[slot] = path
    return found


def check_rom_files(files: RomFiles, *, force: bool) -> None:
    """Check that the files can be written.

    Raises:
        SimkitError: one cannot; says which and why.
    """
    from simkit.files.whole import check_output
    from simkit.rom.images import image_format

    for path in files.values():
        check_output(path, what="image", known=image_format(path.suffix), force=force)


def check_rom_slots(machine: Machine, files: RomFiles) -> None:
    """Check that there are ROMs in the slots.

    Raises:
        SimkitError: one holds none; says which do.
    """
    from simkit.burn.image import rom_content

    for slot in files:
        rom_content(machine, slot)


def write_roms(machine: Machine, files: RomFiles, *, force: bool) -> list[str]:
    """Write the contents as they are now; gives sentences on what they are.

    Raises:
        FileError: the system does not let one be written.
        SimkitError: something is there that is not written over.
    """
    from simkit.burn.image import rom_content
    from simkit.commands.say import say_notes
    from simkit.files.whole import write_whole
    from simkit.rom.images import image_format, write_image

    images = machine.images()
    lines = []
    for slot, path in files.items():
        inside, image = rom_content(machine, slot), images.get(slot, b"")
        content, known = write_image(inside, path.suffix), image_format(path.suffix)
        say_notes(write_whole(path, content, what="image", known=known, force=force))
        changed = sum(was != byte for was, byte in zip(image, inside, strict=False))
        rest = len(inside[len(image) :].rstrip(b"\xff"))
        more = f", and {rest} behind it" if rest else ""
        lines.append(f"Slot {slot} as the part holds it now: {path}; {changed} bytes are not the image's{more}.")
    return lines
