"""`simkit pack`: a machine and all that it is made of as one file."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from simkit.commands.options import ForceOption, JsonOption, MachineOptions, help_text
from simkit.commands.packing import Packing, card_lines, file_lines, files_as_dicts, packs_machine
from simkit.commands.say import say, say_json, say_notes

HELP = help_text(
    "Pack a machine as a kit: one file with its machine file, images, labels and listings, and with recordings, "
    "notes, sources and a licence if you name them. Whoever gets it runs the same machine: simkit run FILE.kit. Each "
    "file that goes in is listed.",
    "A file from outside of the machine's project (the nearest folder above it with .git or pyproject.toml, else its "
    "own folder) is refused, unless --include names it. Cards that lie beside the machine as Python files go along as"
    " source; from a kit nothing of them is run, but on a page, where the browser keeps them in, or unpacked.",
    "--fault, --image, --labels, --set, --seed, --clock and --start are kept in the kit: so a bug is shared in one "
    "file.",
    examples=(
        "simkit pack my-machine --out my-machine.kit",
        "simkit pack demo:marlpit --out slug-watch.kit --recording evening.rec --notes story.md --sources",
        'simkit pack my-machine --fault "slot 4: D3 stuck low" --out bug.kit',
    ),
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("pack", help=HELP)(packs_machine(pack))


def pack(
    options: MachineOptions,
    packing: Packing,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="The kit to write; it ends in .kit.")
    ] = None,
    force: ForceOption = False,
    as_json: JsonOption = False,
) -> None:
    """Pack a machine (see HELP)."""
    from simkit.contract.errors import SimkitError
    from simkit.files.whole import check_output, write_whole
    from simkit.kitfile.reading import is_kit
    from simkit.kitfile.writing import KIT

    if out is None:
        raise SimkitError("--out says where to put the kit.", remedy="Write e.g. --out my-machine.kit.")
    if not is_kit(out):
        raise SimkitError(f"--out {out}: kits end in .kit.", remedy=f"Name it {out.stem or 'machine'}.kit.")
    check_output(out, what="kit", known=KIT, force=force)
    _, packed = packing.pack(options)
    say_notes(write_whole(out, packed.content, what="kit", known=KIT, force=force))
    manifest = packed.manifest
    if as_json:
        about = {"file": str(out), "bytes": len(packed.content), "identity": manifest.identity, "name": manifest.name}
        say_json(about | {"files": files_as_dicts(manifest)})
        return
    say(f"{out}: {manifest.name}, {len(manifest.files)} files, {len(packed.content)} bytes.", *file_lines(manifest))
    own = [card.kind for card in manifest.cards if not card.package]
    how = f"Run it from a folder: simkit unpack {out} FOLDER" if own else f"Run it: simkit run {out}"
    say(*card_lines(manifest, own), f"Its identity: {manifest.identity}", how)
