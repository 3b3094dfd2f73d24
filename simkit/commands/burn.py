"""`simkit burn`: the image for the programmer, and the comparison with what it read back."""

from __future__ import annotations

import datetime
import os
import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from simkit.commands import exits
from simkit.commands.options import ForceOption, JsonOption, MachineOptions, help_text, takes_machine
from simkit.commands.say import say, say_json, say_notes, say_text
from simkit.contract.errors import SimkitError

if TYPE_CHECKING:
    from simkit.burn.image import Burn
    from simkit.burn.verify import Comparison

LARGEST_DUMP = 1 << 20

HELP = help_text(
    "Write the image for a programmer, or compare what the programmer read back (--verify).",
    "The image holds what the machine's ROM card shows, padded, repeated or split for the part. The ending of the file "
    "says the format: .hex Intel HEX, .s19 S-record, anything else raw binary. Printed are size, CRC-32, 16-bit sum, "
    "SHA-256, the vectors, and a label to stick on the part.",
    examples=(
        "simkit burn my-machine --slot 2 --part 28C256 --out my-rom.bin",
        "simkit burn my-machine --slot 2 --part 27C64 --split --out my-rom.hex",
        "simkit burn my-machine --slot 2 --part 27C512 --at 0x8000 --out my-rom.bin",
        "simkit burn my-machine --slot 2 --part 28C256 --verify read-back.bin",
        "simkit burn my-machine --slot 2 --part 27C64 --split --piece 2 --verify read-back.bin",
    ),
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("burn", help=HELP)(takes_machine(burn))


def burn(
    options: MachineOptions,
    slot: Annotated[
        int | None, typer.Option("--slot", metavar="N", help="Slot of the ROM; the only one if left out.")
    ] = None,
    part: Annotated[
        str | None,
        typer.Option("--part", metavar="PART", help="Part number, e.g. 28C256, or its size in bytes: 32768, 0x8000."),
    ] = None,
    out: Annotated[Path | None, typer.Option("--out", metavar="FILE", help="File to write.")] = None,
    split: Annotated[bool, typer.Option("--split", help="Several smaller parts: FILE-1, FILE-2, ...")] = False,
    at: Annotated[
        str | None,
        typer.Option(
            "--at",
            metavar="OFFSET",
            help="Place the content there in a larger part, e.g. 0x4000, instead of repeating it.",
        ),
    ] = None,
    piece: Annotated[
        int | None,
        typer.Option("--piece", metavar="N", help="Which of the split parts DUMP was read from, 1 the first."),
    ] = None,
    verify: Annotated[
        Path | None, typer.Option("--verify", metavar="DUMP", help="Compare this file, read back from the part.")
    ] = None,
    date: Annotated[
        str | None, typer.Option("--date", metavar="DATE", help="Date on the label; today if left out.")
    ] = None,
    force: ForceOption = False,
    as_json: JsonOption = False,
) -> None:
    """Burn or verify (see HELP)."""
    from simkit.burn.image import fit, label_text, rom_slots, write_files
    from simkit.burn.parts import part_or_size
    from simkit.files.streams import is_stdout

    if out is not None and verify is not None:
        raise SimkitError("--out writes an image, --verify reads a dump.", remedy="Give one of the two.")
    loaded = options.load()
    if slot is None:
        roms = rom_slots(loaded)
        if len(roms) != 1:
            raise SimkitError(f"The machine has {len(roms)} ROMs.", remedy="Say which: --slot N.")
        slot = roms[0]
    if part is None:
        raise SimkitError("Which part is it?", remedy="Give --part, e.g. --part 28C256.")
    if piece is not None and verify is None:
        raise SimkitError("--piece says which part a dump is of.", remedy="Give it with --verify DUMP.")
    if split and at is not None:
        raise SimkitError(
            "--split fills several small parts, --at a place in a larger one.", remedy="Give one of the two."
        )
    fitted = fit(loaded, slot, part_or_size(part), split=split, at=None if at is None else _offset(at))
    if verify is not None:
        _verify(fitted, verify, piece, as_json=as_json)
        return
    paths: tuple[Path, ...] = ()
    if out is not None:
        written = write_files(fitted, out, force=force)
        say_notes(written)
        paths = written.files
    elsewhere = out is not None and is_stdout(out)
    day = date if date is not None else datetime.date.today().isoformat()
    texts = [label_text(fitted, number, day) for number in range(len(fitted.images))]
    warnings = [warning.message for warning in loaded.warnings]
    if as_json:
        more = {"warnings": warnings, "files": [str(path) for path in paths], "labels": texts}
        say_json({**_as_dict(fitted), **more}, error=elsewhere)
        return
    lines = [*(f"Note: {line}" for line in warnings), *_lines(fitted), *(f"Written: {path}" for path in paths)]
    if not paths:
        lines.append("Nothing written: give --out FILE.")
    say(*lines, error=elsewhere)
    say_text("\n".join(texts), error=elsewhere)


def _offset(text: str) -> int:
    found = re.fullmatch(r"(?:0[xX]|(\$))?([0-9A-Fa-f]{1,8})", text.strip())
    hexadecimal = found is not None and len(found[0]) > len(found[2])
    if found is None or not (hexadecimal or found[2].isdecimal()):
        raise SimkitError(f"--at {text!r} is no offset.", remedy="Write e.g. 0x4000 or 16384.")
    return int(found[2], 16 if hexadecimal else 10)


def _as_dict(fitted: Burn) -> dict[str, Any]:
    from simkit.burn.image import Sums

    parts = []
    for data in fitted.images:
        sums = Sums.of(data)
        parts.append(
            {"size": len(data), "crc32": f"{sums.crc32:08X}", "sum16": f"{sums.sum16:04X}", "sha256": sums.sha256}
        )
    return {
        "machine": fitted.machine,
        "slot": fitted.slot,
        "part": fitted.part.name,
        "parts": parts,
        "fit": fitted.remark,
        "vectors": dict(fitted.vectors),
    }


def _lines(fitted: Burn) -> list[str]:
    from simkit.burn.image import Sums

    lines = [f"{fitted.machine}, slot {fitted.slot}, for {fitted.part.name}: {fitted.remark}"]
    for number, data in enumerate(fitted.images, start=1):
        sums = Sums.of(data)
        head = f"Part {number}: " if len(fitted.images) > 1 else ""
        lines += [
            f"{head}{len(data)} bytes",
            f"  CRC-32    {sums.crc32:08X}",
            f"  16-bit sum {sums.sum16:04X}",
            f"  SHA-256   {sums.sha256}",
        ]
    if fitted.vectors:
        lines.append("Vectors: " + ", ".join(f"{name} ${address:04X}" for name, address in fitted.vectors.items()))
    else:
        lines.append("Vectors: not in this part.")
    return lines


def _verify(fitted: Burn, dump: Path, piece: int | None, *, as_json: bool) -> None:
    from simkit.burn.verify import compare
    from simkit.rom.images import HEX_SUFFIXES, is_text, read_image

    count = len(fitted.images)
    if count > 1 and piece is None:
        raise SimkitError(
            f"The content is split over {count} parts; one dump cannot hold it.",
            remedy=f"Say which part was read: --piece 1 to --piece {count}.",
        )
    if piece is not None and not 1 <= piece <= count:
        raise SimkitError(
            f"There is no part {piece}: the content is in {count}.", remedy="Count from 1, lowest addresses first."
        )
    if not os.path.lexists(dump):
        raise SimkitError(
            f"There is no dump {dump}.", remedy="Correct the path, or read the part and save what the programmer shows."
        )
    contents = dict(enumerate(fitted.images, start=1))
    expected = contents.pop(piece or 1)
    found = read_image(dump, len(expected) if dump.suffix.lower() in HEX_SUFFIXES else LARGEST_DUMP, what="dump")
    if dump.suffix.lower() not in HEX_SUFFIXES and is_text(found):
        raise SimkitError(
            f"The dump {dump} is a text file.", remedy="Name what the programmer read; hex files end in .hex or .s19."
        )
    result = compare(expected, found, contents)
    if as_json:
        say_json({"dump": str(dump), **result.as_dict()})
    else:
        say(*_verify_lines(result, len(expected), dump))
    if result.differences:
        raise typer.Exit(exits.FOUND)


def _verify_lines(result: Comparison, size: int, dump: Path) -> list[str]:
    if not result.differences:
        return [f"{dump}: all {size} bytes are as they should be."]
    lines = [f"{dump}: {result.differences} of {size} bytes differ."]
    lines += [f"  offset ${at:05X}: ${found:02X}, should be ${right:02X}" for at, right, found in result.first]
    for pattern in result.patterns:
        lines += [f"{pattern.name}: {pattern.what}", f"  Likely: {pattern.cause}"]
    if not result.patterns:
        lines.append("No single cause explains all of it: a bad contact that comes and goes, or another image.")
    return lines
