"""`simkit demo`: the machines that come with the kit, listed, told of, or unpacked into a folder."""

from __future__ import annotations

import os
import shlex
from itertools import takewhile
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
    "List the machines that come with the kit; with a name tell more of one; with a folder too, unpack it there with "
    "its ROMs and their sources.",
    "No file that exists is written over, unless --force says so.",
    examples=(
        "simkit demo",
        "simkit demo marlpit",
        "simkit demo marlpit my-copy",
        "simkit run my-copy/demo/marlpit",
        "simkit run demo:marlpit",
    ),
)

MAX_FILE_BYTES = 16_000_000
DEMO = "demo:"


@attrs.frozen
class Demo:
    """A machine that comes with the kit.

    Attributes:
        name: as in demo:NAME.
        title: name in its file.
        about: what it is, in a few words.
        path: its machine file.
        remarks: the comment at the top of its file.
    """

    name: str
    title: str
    about: str
    path: Path
    remarks: tuple[str, ...]


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("demo", help=HELP)(demo)


def demo(
    name: Annotated[str | None, typer.Argument(metavar="[NAME]", help="The machine to tell of, or to unpack.")] = None,
    folder: Annotated[Path | None, typer.Argument(metavar="[FOLDER]", help="Where to unpack it.")] = None,
    force: ForceOption = False,
    as_json: JsonOption = False,
) -> None:
    """List, tell of or unpack the demo machines (see HELP)."""
    if name is None:
        _list(as_json)
        return
    name = name.removeprefix(DEMO)
    if folder is None:
        _tell(name, as_json)
        return
    machine_file, written = unpack(name, folder, force=force)
    say_notes(written)
    if as_json:
        say_json({"machine": str(machine_file), "files": [str(path) for path in written.files]})
        return
    machine = shlex.quote(str(machine_file.parent))
    say(f"{len(written.files)} files are in {folder}. Run the machine with: simkit run {machine}")


def _list(as_json: bool) -> None:
    demos = shipped_demos()
    if as_json:
        say_json([{"name": d.name, "title": d.title, "about": d.about} for d in demos])
        return
    width = max((len(d.name) for d in demos), default=0)
    say(*(f"{DEMO}{d.name:<{width}}  {d.about or d.title}" for d in demos))
    say("", "More of one: simkit demo NAME. Run it: simkit run demo:NAME. Unpack it: simkit demo NAME FOLDER.")


def _tell(name: str, as_json: bool) -> None:
    """Everything that the list leaves out, of one machine."""
    from simkit.machinefile.read import machine_path, read_description

    path = machine_path(f"{DEMO}{name}")
    found = next(one for one in shipped_demos() if one.path == path)
    description = read_description(path)
    cards = [{"slot": card.slot, "kind": card.kind, "select": list(card.select)} for card in description.cards]
    if as_json:
        told = {"name": name, "title": found.title, "about": found.about, "remarks": list(found.remarks)}
        say_json({**told, "cpu": description.cpu, "clock": description.clock_text, "cards": cards, "file": str(path)})
        return
    say(f"{DEMO}{name}  {found.title}{f': {found.about}' if found.about else ''}", "", *found.remarks, "")
    say(f"{description.cpu} at {description.clock_text}; simkit cards --machine {DEMO}{name} tells more of its cards:")
    width = max(len(card.kind) for card in description.cards)
    say(*(f"  slot {card.slot:<2}  {card.kind:<{width}}  {', '.join(card.select)}" for card in description.cards))
    say("", f"Run it: simkit run {DEMO}{name}", f"Unpack it to change it: simkit demo {name} FOLDER")


def shipped_demos() -> list[Demo]:
    """All machines that come with the kit, by name."""
    from simkit.machinefile.merge import KNOWN_BY, MACHINE_FILE
    from simkit.machinefile.shipped import demo_folder
    from simkit.machinefile.tomlfile import MAX_BYTES, read_toml

    folder = demo_folder()
    found = []
    for path in sorted(folder.rglob(MACHINE_FILE)):
        name = path.parent.relative_to(folder).as_posix()
        head = takewhile(lambda line: line.startswith("#"), read_text(path, MAX_BYTES, "machine file").split("\n"))
        data = read_toml(path, "machine file", KNOWN_BY).data
        remarks = tuple(line.removeprefix("#").removeprefix(" ") for line in head)
        found.append(Demo(name, str(data.get("name", name)), str(data.get("about", "")), path, remarks))
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
    from simkit.kit.taken import sources_of
    from simkit.machinefile.read import machine_path, read_description
    from simkit.machinefile.shipped import shipped_folder

    root = shipped_folder().resolve()
    machine_file = machine_path(f"{DEMO}{name}").resolve()
    description = read_description(machine_file)
    needed = {path.resolve() for path in description.files}
    folders = {path.parent for path in needed}
    for card in description.cards:
        for path in (card.image, *card.labels, *card.listing):
            if path is not None:
                needed.update([path.resolve()] if path.is_file() else [])
                needed.update(sources_of(path.resolve()))
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
