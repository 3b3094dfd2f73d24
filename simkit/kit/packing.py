"""Packs a machine: its files in the folders in which they find one another, the manifest, a poster."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from pathlib import Path

import attrs

from simkit.contract.errors import SimkitError
from simkit.files.bounded import read_bounded
from simkit.files.temporary import temporary_folder
from simkit.kit.changes import VARIANT, Changes
from simkit.kit.places import free_name, names_in_kit, tell_of_here
from simkit.kit.states import few, states_on_the_way
from simkit.kit.taken import Taken, checked, files_of, included, project_of
from simkit.kit.whole_paths import refuse_whole_paths
from simkit.kitfile.manifest import MAX_FILE_BYTES, Manifest, Needed, Recorded
from simkit.kitfile.reading import kit_of
from simkit.kitfile.unpacking import unpack
from simkit.kitfile.writing import described, kit_bytes
from simkit.machine.machine import Machine
from simkit.machinefile.catalogue import FILE_PREFIX, package_of
from simkit.machinefile.description import CardDescription
from simkit.machinefile.packed import refuse_what_leads_out
from simkit.outside.recording import read_recording

POSTER = "poster.png"


@attrs.frozen(kw_only=True)
class Asked:
    """What is to go into a kit besides what makes the machine.

    Attributes:
        notes: Markdown files.
        recordings: recordings of the machine.
        licence: text of the licence, or None.
        sources: whether sources of the ROMs go along.
        include: files and folders that go along, also from outside of the project.
        changes: what the machine has been given besides what its file says, or None.
        poster: a PNG of the machine, or None.
        goes_on: told how much is done of what takes long, 0 to 1; False ends it.
    """

    notes: Sequence[Path] = ()
    recordings: Sequence[Path] = ()
    licence: Path | None = None
    sources: bool = False
    include: Sequence[Path] = ()
    changes: Changes | None = None
    poster: bytes | None = None
    goes_on: Callable[[float], bool] = lambda part: True

    def named(self) -> list[Taken]:
        """Files that somebody has named for the kit: they may lie anywhere."""
        return [
            *(Taken(path, "notes", f"notes/{path.name}") for path in self.notes),
            *(Taken(path, "recording", f"recordings/{path.name}") for path in self.recordings),
            *([Taken(self.licence, "licence", self.licence.name)] if self.licence is not None else []),
            *(self.changes.files() if self.changes is not None else []),
        ]


@attrs.frozen
class Packed:
    """A kit that was packed.

    Attributes:
        manifest: what it says of itself.
        content: of the file.
        origin: for each of its files the one that it was taken from; what was made for the kit has none.
        telling: names of files in which stands where on this computer the project or the user's home lies.
    """

    manifest: Manifest
    content: bytes = attrs.field(repr=False)
    origin: dict[str, Path]
    telling: list[str]


def pack(machine: Machine, asked: Asked) -> Packed:
    """Pack a machine as it was loaded.

    Args:
        machine: whose files are packed; what was done to it since it was loaded is not.
        asked: what goes along.

    Raises:
        FileError: a file cannot be read.
        SimkitError: a file is missing, lies outside of the project, is too large, cannot be named in a kit, or is named
            by its whole path.
    """
    description = machine.description
    refuse_whole_paths(description.path)
    project = project_of(description.path)
    named = asked.named()
    taken = checked(
        [*named, *files_of(description, sources=asked.sources), *included(asked.include, project)],
        project,
        [*(one.path for one in named), *asked.include],
    )
    names = names_in_kit(taken, project)
    contents = {names[one.path]: read_bounded(one.path, MAX_FILE_BYTES, f"{one.role} file") for one in taken}
    roles = {names[one.path]: one.role for one in taken}

    def add(name: str, role: str, content: bytes) -> str:
        name = free_name(name, contents)
        contents[name], roles[name] = content, role
        return name

    machine_name = names[description.path.resolve()]
    if asked.changes is not None:
        changed = asked.changes.machine_file(Path(machine_name), {path: Path(name) for path, name in names.items()})
        roles[machine_name] = "base"
        machine_name = add(str(Path(machine_name).with_name(VARIANT).as_posix()), "machine", changed)
    recordings = tuple(_recorded(machine, path, names[path.resolve()], asked.goes_on, add) for path in asked.recordings)
    poster = add(POSTER, "poster", asked.poster) if asked.poster is not None else None
    manifest = Manifest(
        name=description.name,
        about=description.about,
        machine=machine_name,
        files={name: described(roles[name], content) for name, content in contents.items()},
        cards=tuple(_needed(card) for card in description.cards),
        fingerprint=machine.fingerprint.to_data(),
        notes=tuple(names[path.resolve()] for path in asked.notes),
        recordings=recordings,
        licence=names[asked.licence.resolve()] if asked.licence is not None else None,
        poster=poster,
    )
    origin = {name: path for path, name in names.items()}
    packed = Packed(manifest, kit_bytes(manifest, contents), origin, tell_of_here(contents, project))
    _check_itself(packed, machine)
    return packed


def _recorded(
    machine: Machine,
    path: Path,
    name: str,
    goes_on: Callable[[float], bool],
    add: Callable[[str, str, bytes], str],
) -> Recorded:
    """A recording with the states on its way, so that others can jump in it."""
    fresh = Machine(machine.description, machine.images(), engine=machine.engine)
    states = [
        ((at.power_on, at.cycle), add(f"{name}.states/{at.power_on}-{at.cycle}.state", "state", state))
        for at, state in few(list(states_on_the_way(fresh, read_recording(path), goes_on=goes_on)))
    ]
    return Recorded(name, path.stem, tuple(states))


def _check_itself(packed: Packed, machine: Machine) -> None:
    """Load the machine from the kit, as whoever gets it does, and see that it is the one that was packed.

    Raises:
        SimkitError: it is not, or it names files that are not in the kit.
    """
    with temporary_folder() as home:
        kit = kit_of(packed.content, Path(f"{packed.manifest.name}.kit"))
        unpack(kit, home / "kit")
        machine_file = home / "kit" / packed.manifest.machine
        try:
            refuse_what_leads_out(machine_file, home / "kit", str(machine.description.path))
            found = Machine.load(machine_file).fingerprint
        except SimkitError as error:
            told = str(error).replace(str(home / "kit") + os.sep, "")
            raise SimkitError(
                "The machine cannot be loaded from its kit.",
                file=str(machine.description.path),
                lines=told.splitlines(),
                remedy="Name its files by paths that count from the machine file, without links that lead elsewhere.",
            ) from error
        differ = found.other_parts(machine.fingerprint)
        if differ:
            raise SimkitError(
                f"The machine in the kit would be another one than this: {', '.join(differ)} differ.",
                file=str(machine.description.path),
                remedy="Say what was given on the command line in the machine file.",
            )


def _needed(card: CardDescription) -> Needed:
    """A card and the package that brings it."""
    if card.kind.startswith(FILE_PREFIX):
        return Needed(card.slot, card.kind, "", "", card.card.model)
    return Needed(card.slot, card.kind, *package_of(card.kind), card.card.model)
