"""A kit as a folder: unpacked where somebody wants it, or in the user's cache to be read from there."""

from __future__ import annotations

import os
from pathlib import Path

from simkit.contract.errors import SimkitError, file_error
from simkit.cpu.core.compiled import cache_folder
from simkit.files.bounded import is_file, read_bounded
from simkit.files.outputs import TakenError
from simkit.files.parts import take_away
from simkit.files.whole import Written, write_folder, write_together
from simkit.kitfile.manifest import MAX_FILE_BYTES
from simkit.kitfile.reading import Kit

KITS = "kits"
"""Folder in the user's cache folder."""


def unpack(kit: Kit, folder: Path, *, force: bool = False) -> Written:
    """Write the files of a kit into a folder: all of them, or none.

    Args:
        kit: as it was read.
        folder: made if it is not there.
        force: write over files that are there.

    Raises:
        FileError: the system does not let one be written.
        SimkitError: a file is already there; nothing is written then.
    """
    contents = {folder / name: content for name, content in kit.contents.items()}
    root = Path(os.path.realpath(folder))
    for path in contents:
        if not Path(os.path.realpath(path)).is_relative_to(root):
            raise SimkitError(
                f"{path} is reached through a link that leads out of {folder}. Nothing was written.",
                remedy="Unpack into another folder.",
            )
    there = [str(path) for path in contents if os.path.lexists(path)]
    if there and not force:
        more = f" and {len(there) - 4} more" if len(there) > 4 else ""
        raise SimkitError(
            f"Already there: {', '.join(there[:4])}{more}. Nothing was written.",
            remedy="Unpack into another folder, or add --force.",
        )
    return write_together(contents, what="file of the kit", force=force, make_folders=True)


def at_home(kit: Kit) -> Path:
    """Folder in the user's cache in which the kit lies unpacked, just as it is; mended where anything in it is not.

    Raises:
        FileError: the system does not let it be written.
        SimkitError: the user has no cache folder.
    """
    kits = _kits()
    if kits is None:
        raise SimkitError(
            "There is no cache folder to unpack the kit in.", remedy="Unpack it: simkit unpack KIT FOLDER."
        )
    folder = kits / kit.manifest.identity
    was_there = os.path.lexists(folder)
    if _is_as_packed(kit, folder):
        return folder
    if was_there:  # else it may be another run's, which has begun to use it by now
        take_away(folder)  # with links in it, which are not followed
    try:
        kits.mkdir(parents=True, exist_ok=True, mode=0o700)
    except OSError as error:
        raise file_error(f"The folder {kits} cannot be made: {error.strerror}.", error) from error
    contents = {Path(name): content for name, content in kit.contents.items()}
    try:
        write_folder(folder, contents, what="file of the kit")
    except TakenError:
        if not _is_as_packed(kit, folder):  # another run was quicker
            raise
    return folder


def kit_around(path: Path) -> Path | None:
    """Folder of the kit that a file lies in, in the user's cache folder; None: it lies in no kit there."""
    kits = _kits()
    real = Path(os.path.realpath(path))
    if kits is None or not real.is_relative_to(kits):
        return None
    inside = real.relative_to(kits).parts
    return kits / inside[0] if inside else None


def _kits() -> Path | None:
    try:
        return Path(os.path.realpath(cache_folder() / KITS))
    except RuntimeError:  # the user has no home folder
        return None


def _is_as_packed(kit: Kit, folder: Path) -> bool:
    """Whether a folder holds the files of a kit, no others, and no links."""
    there: dict[str, Path] = {}
    for place, folders, files in os.walk(folder):
        inside = [Path(place, name) for name in (*folders, *files)]
        if any(path.is_symlink() for path in inside):
            return False
        there |= {Path(place, name).relative_to(folder).as_posix(): Path(place, name) for name in files}
    if folder.is_symlink() or there.keys() != kit.contents.keys():
        return False
    return all(
        is_file(path)
        and path.stat().st_size == kit.manifest.files[name].size
        and read_bounded(path, MAX_FILE_BYTES, "file of the kit") == kit.contents[name]
        for name, path in there.items()
    )
