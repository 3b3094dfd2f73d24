"""The one writer of files: whole or not at all, and never over something that is not the kit's own.

- A file is written beside its place and renamed when it is complete on the disk. Several files, and folders that are
  made for them, are all complete before the first appears; when one cannot be, all is as before. Ctrl-C and a full
  disk leave nothing behind. What a run leaves that was killed, the next one that writes the same name takes away
  (`parts.py`).
- What is there is written over if it is empty or of the format that is about to be written, or if `force` says so; it
  keeps its rights. A link stays, and what it leads to is written.
- Devices and pipes get the content as they are: /dev/stdout, /dev/null, a named pipe that somebody reads.
- Two runs that write one name do not mix: it has in the end what the later one wrote.

`check_output` tells before the work whether its outcome can be written. A file that grows while the program runs is
`growing.py`'s. What is overwritten is given back, for whoever talks to people.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

import attrs

from simkit.contract.errors import SimkitError
from simkit.files.formats import Format
from simkit.files.outputs import Folder, InHand, Rules, TakenError, Unit, add_unit, told


@attrs.frozen
class Written:
    """What came of writing.

    Attributes:
        files: all of them, as they were named.
        overwritten: paths under which something stood.
        cleared: left-overs of killed runs that are gone now.
    """

    files: tuple[Path, ...] = ()
    overwritten: tuple[Path, ...] = ()
    cleared: tuple[Path, ...] = ()

    def notes(self) -> list[str]:
        """In sentences, for people."""
        return [
            *(f"Overwrites {path}" for path in self.overwritten),
            *(f"Removes {path}, which a run that was killed had left" for path in self.cleared),
        ]


def write_whole(
    path: Path, content: str | bytes, *, what: str = "file", known: Format | None = None, force: bool = False
) -> Written:
    """Write one file; see `write_together`."""
    return write_together({path: content}, what=what, known=known, force=force)


def write_together(
    contents: Mapping[Path, str | bytes],
    *,
    what: str = "file",
    known: Format | None = None,
    force: bool = False,
    make_folders: bool = False,
) -> Written:
    """Write files: all of them, or none.

    Args:
        contents: text (written as UTF-8) or bytes by path.
        what: the files in words, e.g. "picture"; stands in the messages.
        known: what they may be written over; None: over nothing.
        force: write over any file.
        make_folders: make the folders that are not there; they, too, appear complete or not at all.

    Raises:
        FileError: the system does not let one be written: no room, no permission.
        SimkitError: something is there that is not written over, or a path is wrong. Nothing has changed then, but for
            what a device or pipe has taken.
    """
    rules = Rules(what, known, force, make_folders)
    units: list[Unit] = []
    with told(what) as at:
        for path, content in contents.items():
            at.path = path
            add_unit(units, path, content.encode() if isinstance(content, str) else content, rules)
        _appear(units, at)
    return Written(
        files=tuple(contents),
        overwritten=tuple(unit.path for unit in units if unit.replaces),
        cleared=tuple(part for unit in units for part in unit.cleared),
    )


def write_folder(folder: Path, contents: Mapping[Path, bytes], *, what: str = "file") -> Written:
    """Write a folder that is not there with all that is in it; of several runs that write one, one does.

    Args:
        folder: of which the one above is there.
        contents: by path in it.
        what: the files in words.

    Raises:
        FileError: the system does not let it be written.
        TakenError: something of that name is there, perhaps since a moment ago.
    """
    unit = Folder(folder, Path(os.path.realpath(folder)))
    unit.contents |= contents
    with told(what) as at:
        _appear([unit], at)
    return Written(files=tuple(folder / path for path in contents), cleared=tuple(unit.cleared))


def _appear(units: Sequence[Unit], at: InHand) -> None:
    """Have all of them appear, or none."""
    try:
        for unit in units:
            at.path = unit.path
            unit.build()
        for unit in sorted(units, key=lambda unit: unit.can_be_undone):
            at.path = unit.path
            unit.commit(keep=len(units) > 1)
    except BaseException:
        for unit in reversed(units):
            unit.undo()
        raise
    finally:
        for unit in units:
            unit.clean()


def write_new(paths: Iterable[Path], content: bytes, *, what: str = "file") -> Path:
    """Write a file under the first of the names that nothing has; gives that name.

    Raises:
        FileError, SimkitError: as `write_together`; or no name is free.
    """
    for path in paths:
        if not os.path.lexists(path):
            with contextlib.suppress(TakenError):  # another run was quicker
                write_whole(path, content, what=what)
                return path
    raise SimkitError(f"The {what} cannot be written: each name for it is taken.", remedy="Move some files away.")


def check_output(
    *paths: Path,
    what: str = "file",
    known: Format | None = None,
    force: bool = False,
    make_folders: bool = False,
) -> None:
    """Tell before the work what would keep its outcome from being written; arguments as of `write_together`.

    Raises:
        FileError: the file or its folder is write-protected.
        SimkitError: something is there that is not written over, or a path is wrong.
    """
    with told(what) as at:
        for path in paths:
            at.path = path
            add_unit([], path, b"", Rules(what, known, force, make_folders))
