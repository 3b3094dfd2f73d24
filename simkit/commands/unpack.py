"""`simkit unpack`: a kit as a folder; or what is in it."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import Annotated, Any

import attrs
import typer

from simkit.commands.options import ForceOption, JsonOption, help_text
from simkit.commands.packing import card_lines, file_lines, files_as_dicts
from simkit.commands.say import say, say_json, say_notes

HELP = help_text(
    "Unpack a kit into a folder, in which the machine runs and can be changed; without a folder tell what is in it. "
    "Each file is checked against the kit's manifest before anything is written.",
    "A folder is a program: cards that came along as Python files run with your rights when you run the machine from "
    "it. Run those of people whom you would let run a program here. No file that exists is written over, unless "
    "--force says so.",
    examples=("simkit unpack slug-watch.kit", "simkit unpack slug-watch.kit my-copy", "simkit run slug-watch.kit"),
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("unpack", help=HELP)(unpack)


def unpack(
    kit: Annotated[Path, typer.Argument(metavar="KIT", help="The kit.")],
    folder: Annotated[Path | None, typer.Argument(metavar="[FOLDER]", help="Where to unpack it.")] = None,
    force: ForceOption = False,
    as_json: JsonOption = False,
) -> None:
    """Unpack a kit, or tell of it (see HELP)."""
    from simkit.kitfile.reading import read_kit
    from simkit.kitfile.unpacking import unpack as unpack_into
    from simkit.machinefile.packed import code_in, not_here, notes_on

    found = read_kit(kit)
    manifest = found.manifest
    own = code_in(found)
    written = unpack_into(found, folder, force=force) if folder is not None else None
    if written is not None:
        say_notes(written)
    machine = (folder / manifest.machine).parent if folder is not None else None
    notes = [*filter(None, map(not_here, manifest.cards)), *notes_on(manifest)]
    if as_json:
        told: dict[str, Any] = {"identity": manifest.identity, "name": manifest.name, "about": manifest.about}
        told |= {"machine": str(folder / manifest.machine) if folder is not None else manifest.machine}
        told |= {"files": files_as_dicts(manifest), "cards": [attrs.asdict(card) for card in manifest.cards]}
        told |= {"own_cards": own}
        say_json(told | {"notes": notes, "recordings": [one.title for one in manifest.recordings]})
        return
    say(f"{manifest.name}{f': {manifest.about}' if manifest.about else ''}", *file_lines(manifest))
    say(*card_lines(manifest, own), *notes, f"Its identity: {manifest.identity}")
    if machine is not None:
        path = machine if Path(manifest.machine).name == "machine.toml" else machine / Path(manifest.machine).name
        say(f"{len(manifest.files)} files are in {folder}. Run the machine with: simkit run {shlex.quote(str(path))}")
    else:
        say(f"Unpack it: simkit unpack {shlex.quote(str(kit))} FOLDER")
