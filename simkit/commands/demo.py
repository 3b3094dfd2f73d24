"""`simkit demo`: the machines that come with the kit, listed, or unpacked into a folder to be changed."""

from __future__ import annotations

import os
import shlex
from pathlib import Path
from typing import Annotated

import attrs
import typer

from simkit.commands.options import ForceOption, JsonOption, help_text
from simkit.commands.say import say, say_json, say_notes
from simkit.contract.errors import SimkitError
from simkit.files.bounded import read_bounded, read_text
from simkit.files.whole import Written, write_together

HELP = help_text(
    "List the machines that come with the kit, or unpack one with its ROMs and their sources into a folder.",
    "No file that exists is written over, unless --force says so.",
    examples=(
        "simkit demo",
        "simkit demo marlpit my-copy",
        "simkit run my-copy/demo/marlpit",
        "simkit run demo:marlpit",
    ),
)

MAX_FILE_BYTES = 16_000_000
SOURCE_SUFFIXES = (".asm", ".inc", ".labels", ".lst")
"""What belongs to a ROM image besides the image itself."""


@attrs.frozen
class Demo:
    """A machine that comes with the kit.

    Attributes:
        name: as in demo:NAME.
        title: name in its file.
        about: first comment of its file.
        path: its machine file.
    """

    name: str
    title: str
    about: str
    path: Path


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("demo", help=HELP)(demo)


def demo(
    name: Annotated[str | None, typer.Argument(metavar="[NAME]", help="The machine to unpack.")] = None,
    folder: Annotated[
        Path | None, typer.Argument(metavar="[FOLDER]", help="Where to; the machine's name if not given.")
    ] = None,
    force: ForceOption = False,
    as_json: JsonOption = False,
) -> None:
    """List or unpack the demo machines (see HELP)."""
    if name is None:
        _list(as_json)
        return
    target = folder if folder is not None else Path(name)
    machine_file, written = unpack(name, target, force=force)
    say_notes(written)
    if as_json:
        say_json({"machine": str(machine_file), "files": [str(path) for path in written.files]})
        return
    machine = shlex.quote(str(machine_file.parent))
    say(f"{len(written.files)} files are in {target}. Run the machine with: simkit run {machine}")


def _list(as_json: bool) -> None:
    demos = shipped_demos()
    if as_json:
        say_json([{"name": d.name, "title": d.title, "about": d.about} for d in demos])
        return
    width = max((len(d.name) for d in demos), default=0)
    say(*(f"demo:{d.name:<{width}}  {d.title}{f': {d.about}' if d.about else ''}" for d in demos))
    say("", "Run one: simkit run demo:NAME. Unpack one to change it: simkit demo NAME FOLDER.")


def shipped_demos() -> list[Demo]:
    """All machines that come with the kit, by name."""
    from simkit.machinefile.merge import KNOWN_BY, MACHINE_FILE
    from simkit.machinefile.shipped import demo_folder
    from simkit.machinefile.tomlfile import MAX_BYTES, read_toml

    folder = demo_folder()
    found = []
    for path in sorted(folder.rglob(MACHINE_FILE)):
        name = path.parent.relative_to(folder).as_posix()
        first = read_text(path, MAX_BYTES, "machine file").partition("\n")[0]
        title = read_toml(path, "machine file", KNOWN_BY).data.get("name", name)
        found.append(Demo(name, str(title), first.lstrip("# ").strip() if first.startswith("#") else "", path))
    return found


def unpack(name: str, target: Path, *, force: bool = False) -> tuple[Path, Written]:
    """Copy a demo machine with everything it needs, in folders as they lie in the kit.

    Args:
        name: of the machine.
        target: folder to put it in.
        force: write over files that are there.

    Returns:
        The machine file, and what was written.

    Raises:
        FileError: the system does not let one be written; nothing is written then.
        SimkitError: no such machine, or a file is already there; nothing is written then.
    """
    from simkit.machinefile.read import machine_path, read_description
    from simkit.machinefile.shipped import shipped_folder

    root = shipped_folder().resolve()
    machine_file = machine_path(f"demo:{name}").resolve()
    description = read_description(machine_file)
    needed = {path.resolve() for path in description.files}
    folders = {path.parent for path in needed}
    for card in description.cards:
        for path in (card.image, card.labels):
            if path is not None:
                needed.update(_with_sources(path.resolve()))
    for beside in folders:
        needed.update(path for path in beside.iterdir() if path.is_file())
    copies = {path: target / path.relative_to(root) for path in sorted(needed)}
    there = [str(copy) for copy in copies.values() if os.path.lexists(copy)]
    if there and not force:
        raise SimkitError(
            f"Already there: {', '.join(there[:4])}{f' and {len(there) - 4} more' if len(there) > 4 else ''}. "
            "Nothing was written.",
            remedy=f"Unpack into another folder, simkit demo {name} FOLDER, or add --force.",
        )
    contents = {copy: read_bounded(path, MAX_FILE_BYTES, "file") for path, copy in copies.items()}
    written = write_together(contents, what="copy", force=force, make_folders=True)
    return target / machine_file.relative_to(root), written


def _with_sources(image: Path) -> list[Path]:
    """An image and what it was built from: files and a folder of the same name, include files, drivers."""
    found = [image] if image.is_file() else []
    for path in image.parent.iterdir():
        same_name = path.stem == image.stem and path.suffix in SOURCE_SUFFIXES
        if path.is_file() and (same_name or path.suffix == ".inc" or path.name == "build.py"):
            found.append(path)
    for parts in (image.with_suffix(""), image.with_name("drivers")):
        if parts.is_dir():
            found += [path for path in parts.rglob("*") if path.is_file() and "__pycache__" not in path.parts]
    return found
