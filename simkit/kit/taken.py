"""The files that make a machine, each with what it is in a kit; none from outside of its project without a word."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

import attrs

from simkit.contract.errors import Errors, SimkitError
from simkit.files.bounded import is_file, is_folder
from simkit.kitfile.unpacking import kit_around
from simkit.machinefile.catalogue import FILE_PREFIX
from simkit.machinefile.description import Description
from simkit.machinefile.shipped import shipped_folder

PROJECT_MARKS = (".git", "pyproject.toml")
CONTROLS = "controls.toml"
SOURCE_SUFFIXES = (".asm", ".inc", ".labels", ".lst", ".s", ".cfg", ".a65")
"""What belongs to a ROM image besides the image itself."""
MOST_INCLUDED = 2_000
INCLUDED = "included"
"""Folder in a kit of what somebody includes from outside of the project."""


@attrs.frozen
class Taken:
    """A file that goes into a kit.

    Attributes:
        path: of the file, as it lies on this computer, links followed.
        role: as the manifest has it.
        place: its name in the kit; "": where it lies to the machine file, which finds it there.
    """

    path: Path
    role: str
    place: str = ""


def project_of(machine_file: Path) -> Path:
    """Folder of the project that a machine belongs to.

    The nearest folder above it with `.git` or `pyproject.toml`; of a shipped machine the folder that ships it; of one
    in a kit the kit; else the machine's own folder.
    """
    machine_file = machine_file.resolve()
    kit = kit_around(machine_file)
    if kit is not None:
        return kit
    shipped = shipped_folder().resolve()
    if machine_file.is_relative_to(shipped / "demo"):
        return shipped
    for folder in machine_file.parents:
        if any(os.path.lexists(folder / mark) for mark in PROJECT_MARKS):
            return folder
    return machine_file.parent


def files_of(description: Description, *, sources: bool = False) -> Iterator[Taken]:
    """The files of a machine as it is described; with their sources if wanted."""
    for number, path in enumerate(description.files):
        yield Taken(path, "base" if number else "machine")
    if description.parts_file is not None:
        yield Taken(description.parts_file, "parts")
    for card in description.cards:
        if card.kind.startswith(FILE_PREFIX):
            file = card.kind.removeprefix(FILE_PREFIX).rpartition(":")[0]
            yield Taken(Path(card.place("kind").file).parent / file, "card")
        if card.image is not None:
            yield Taken(card.image, "image")
        for path in card.labels:
            yield Taken(path, "labels")
        for path in card.listing:
            yield Taken(path, "listing")
        for path in card.constants:
            yield Taken(path, "constants")
        if card.schematic is not None:
            yield Taken(card.schematic, "schematic")
    for decode in description.decoders():
        for part in decode.parts:
            if part.fuses is not None:
                yield Taken(part.fuses, "fuses")
    for program in description.programs:
        yield Taken(program.path, "program")
    controls = description.path.with_name(CONTROLS)
    if is_file(controls):
        yield Taken(controls, "controls")
    if sources:
        images = [card.image for card in description.cards if card.image is not None]
        for path in dict.fromkeys(found for image in images for found in sources_of(image)):
            yield Taken(path, "source")


def sources_of(image: Path) -> list[Path]:
    """What an image was built from: files and a folder of the same name, include files, drivers."""
    found = []
    for path in sorted(image.parent.iterdir()):
        same_name = path.stem == image.stem and path.suffix in SOURCE_SUFFIXES
        if path.is_file() and (same_name or path.suffix == ".inc" or path.name == "build.py"):
            found.append(path)
    for parts in (image.with_suffix(""), image.with_name("drivers")):
        if parts.is_dir():
            found += files_in(parts)
    return found


def files_in(folder: Path) -> list[Path]:
    """Files of a folder and those below it; what begins with a dot, and what Python has compiled, stays out.

    Raises:
        SimkitError: far too many are there.
    """
    found: list[Path] = []
    for place, folders, files in os.walk(folder):
        folders[:] = sorted(name for name in folders if not name.startswith(".") and name != "__pycache__")
        found += [path for name in sorted(files) if not name.startswith(".") and is_file(path := Path(place, name))]
        if len(found) > MOST_INCLUDED:
            raise SimkitError(
                f"There are more than {MOST_INCLUDED} files in {folder}, and no more can be in a kit.",
                remedy="Name the folders or files that are needed.",
            )
    return found


def included(paths: Iterable[Path], project: Path) -> Iterator[Taken]:
    """Files that somebody includes by name, and those in folders that are.

    What lies in the project keeps its place; anything else lies in a folder for itself, unless the machine names it.

    Raises:
        SimkitError: nothing is there, or far too many files are.
    """
    for path in paths:
        real = path.resolve()
        place = "" if real.is_relative_to(project) else f"{INCLUDED}/{real.name}"
        if is_file(path):
            yield Taken(path, "other", place)
        elif is_folder(path):
            for found in files_in(real):
                inside = found.relative_to(real).as_posix()
                yield Taken(found, "other", place and f"{place}/{inside}")
        else:
            raise SimkitError(f"--include {path}: nothing is there.", remedy="Correct the path.")


def checked(taken: Iterable[Taken], project: Path, allowed: Sequence[Path]) -> list[Taken]:
    """Each file once, by its first role, links followed, in the order of their paths.

    It lies where the machine finds it, if it is taken for that as well.

    Args:
        taken: files.
        project: those in it may be taken.
        allowed: files and folders outside of it that may be taken as well.

    Raises:
        SimkitError: one is not there, or lies outside; SeveralErrors for several.
    """
    roots = [project.resolve(), *(path.resolve() for path in allowed)]
    errors = Errors()
    found: dict[Path, Taken] = {}
    for one in taken:
        real = one.path.resolve()
        if not is_file(real):
            errors.add(SimkitError(f"There is no {one.role} file {one.path}.", remedy="Build it, or correct the path."))
        elif not any(real.is_relative_to(root) for root in roots):
            errors.add(
                SimkitError(
                    f"{one.path} ({one.role}) lies outside of the machine's project, {project}.",
                    remedy=f"Add --include {one.path} if everybody who gets the kit may have it.",
                )
            )
        else:
            before = found.get(real, one)
            found[real] = Taken(real, before.role, before.place and one.place)
    errors.raise_any()
    return sorted(found.values(), key=lambda one: one.path)
