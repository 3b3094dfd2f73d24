"""What a path for an output leads to: what may be written there, and how it appears at one go or not at all."""

from __future__ import annotations

import contextlib
import errno
import os
import stat
import sys
from collections.abc import Iterator
from pathlib import Path

import attrs

from simkit.contract.errors import FileError, SimkitError, file_error
from simkit.files.bounded import pieces
from simkit.files.formats import MAX_BYTES, Format
from simkit.files.parts import Part, clear_left_overs, write_all, write_inside
from simkit.files.streams import is_stream_mode, open_stream, own_stream


class TakenError(SimkitError):
    """Something stands there that is not written over."""


@attrs.frozen
class Rules:
    """What an output may do.

    Attributes:
        what: the output in words, for messages.
        known: what it may be written over; None: over nothing.
        force: written over any file.
        make_folders: folders that are not there are made.
    """

    what: str
    known: Format | None
    force: bool
    make_folders: bool = False


class Unit:
    """What appears at one go.

    Attributes:
        path: of it, as people wrote it.
        replaces: whether a file with something in it stands there.
        cleared: left-overs of killed runs that were removed on the way.
        can_be_undone: whether `undo` helps.
    """

    can_be_undone = True

    def __init__(self, path: Path) -> None:
        self.path = path
        self.replaces = False
        self.cleared: list[Path] = []

    def build(self) -> None:
        """Do what can fail for want of room."""

    def commit(self, *, keep: bool) -> None:
        """Let it appear; with `keep`, what stood there is kept until `clean`, for `undo`."""

    def undo(self) -> None:
        """As it was before, whether or not it had appeared."""

    def clean(self) -> None:
        """Leave nothing beside it."""


class Stream(Unit):
    """What goes to a device or a pipe."""

    can_be_undone = False

    def __init__(self, path: Path, content: bytes) -> None:
        super().__init__(path)
        self._content = content

    def commit(self, *, keep: bool) -> None:
        """Pour it in."""
        handle = open_stream(self.path)
        try:
            write_all(handle, self._content)
        finally:
            os.close(handle)


class File(Unit):
    """A file.

    Args:
        path: of it.
        place: where the links of the path lead.
        content: of it.
        size: of the file that stands there; None: there is none.
        rules: for what may stand there when it appears.
    """

    def __init__(self, path: Path, place: Path, content: bytes, size: int | None, rules: Rules) -> None:
        super().__init__(path)
        self.replaces = bool(size)
        self._rules = rules
        self._place = place
        self._content = content
        self._there = size is not None
        self._part, self._before = Part(place), Part(place)
        self._made: os.stat_result | None = None

    def build(self) -> None:
        """Write it beside its place."""
        self.cleared = clear_left_overs(self._place)
        self._part.make_file(self._content, self._place if self._there else None)
        self._made = self._part.path.stat()

    def commit(self, *, keep: bool) -> None:
        """Give it its name."""
        if not self._there:
            try:
                os.link(self._part.path, self._place)  # unlike a rename it fails when something has got that name
            except FileExistsError:
                refuse_foreign(self.path, self._place.lstat().st_size, self._rules)
                self.replaces = self._there = True
            except OSError:  # a file system without links
                self._part.path.rename(self._place)
                return
            else:
                return
        if keep:
            with contextlib.suppress(OSError):
                os.link(self._place, self._before.path)
        self._part.path.replace(self._place)

    def undo(self) -> None:
        """Take it away, or put what stood there back."""
        with contextlib.suppress(OSError):
            if not _is(self._place, self._made):
                return
            if self._there:
                self._before.path.replace(self._place)
            else:
                self._place.unlink()

    def clean(self) -> None:
        """Remove the part and what was kept."""
        self._part.drop()
        self._before.drop()


class Folder(Unit):
    """A folder that is not there yet, with all that is in it.

    Attributes:
        contents: by path below it.
    """

    def __init__(self, path: Path, place: Path) -> None:
        super().__init__(path)
        self.place = place
        self.contents: dict[Path, bytes] = {}
        self._part = Part(place)
        self._made: os.stat_result | None = None

    def build(self) -> None:
        """Fill it beside its place."""
        self.cleared = clear_left_overs(self.place)
        self._part.make_folder()
        self._made = self._part.path.stat()
        for path, content in self.contents.items():
            inside = self._part.path / path
            inside.parent.mkdir(parents=True, exist_ok=True)
            write_inside(inside, content)

    def commit(self, *, keep: bool) -> None:
        """Give it its name."""
        try:
            self._part.path.rename(self.place)
        except OSError as error:
            if os.path.lexists(self.place):
                raise taken(self.path, None) from error
            raise

    def undo(self) -> None:
        """Take its name away; `clean` removes it."""
        with contextlib.suppress(OSError):
            if _is(self.place, self._made):
                self.place.rename(self._part.path)

    def clean(self) -> None:
        """Remove the part."""
        self._part.drop()


def _is(place: Path, made: os.stat_result | None) -> bool:
    return made is not None and os.path.samestat(place.lstat(), made)


def add_unit(units: list[Unit], path: Path, content: bytes, rules: Rules) -> None:
    """Add the unit of an output, or put the output to the folder among them that it lies in.

    Raises:
        SimkitError: the rules forbid it, or the path is wrong.
        OSError, ValueError: the system's word about the path; see `told`.
    """
    if own_stream(path) is not None:
        units.append(Stream(path, content))
        return
    try:
        found = path.stat()
    except FileNotFoundError:
        _add_new(units, path, content, rules)
        return
    if is_stream_mode(found.st_mode):
        units.append(Stream(path, content))
        return
    if not stat.S_ISREG(found.st_mode):
        kind = "a folder" if stat.S_ISDIR(found.st_mode) else "a disk or a socket"
        raise SimkitError(f"The {rules.what} {path} cannot be written: it is {kind}.", remedy="Name a file.")
    refuse_foreign(path, found.st_size, rules)
    place = Path(os.path.realpath(path))
    if not os.access(path, os.W_OK) or not os.access(place.parent, os.W_OK | os.X_OK):
        raise PermissionError(errno.EACCES, "the file or its folder is write-protected")
    units.append(File(path, place, content, found.st_size, rules))


def _add_new(units: list[Unit], path: Path, content: bytes, rules: Rules) -> None:
    place = Path(os.path.realpath(path))
    top = place
    while not os.path.lexists(top.parent) and top.parent != top:  # a drive that is not there has no parent
        top = top.parent
    if not top.parent.is_dir():
        raise NotADirectoryError(errno.ENOTDIR, f"{top.parent} is not a folder")
    if top != place and not rules.make_folders:
        raise FileNotFoundError(errno.ENOENT, f"there is no folder {path.parent}")
    if not os.access(top.parent, os.W_OK | os.X_OK):
        raise PermissionError(errno.EACCES, f"the folder {top.parent} is write-protected")
    if top == place:
        units.append(File(path, place, content, None, rules))
        return
    for unit in units:
        if isinstance(unit, Folder) and unit.place == top:
            break
    else:
        depth = len(place.relative_to(top).parts)
        unit = Folder(path.parents[depth - 1], top)
        units.append(unit)
    unit.contents[place.relative_to(top)] = content


def refuse_foreign(path: Path, size: int, rules: Rules) -> None:
    """Refuse to write over a file with something in it, unless the rules allow it.

    Raises:
        TakenError: they do not.
    """
    if rules.force or not size:
        return
    known = rules.known
    if known is None or not known.knows(_beginning(path, rules.what)):
        raise taken(path, known)


def _beginning(path: Path, what: str) -> bytes:
    """As much of a file as is looked at; most are there as a whole."""
    with contextlib.closing(pieces(path, sys.maxsize, what, MAX_BYTES)) as found:
        return next(found, b"")


def taken(path: Path, known: Format | None) -> TakenError:
    """What is told of a file that stays."""
    is_not = f" and is not {known.name}" if known is not None else ""
    return TakenError(f"{path} exists{is_not}; it stays as it is.", remedy="Choose another name, or add --force.")


@attrs.define
class InHand:
    """The path that is in hand when the system says no."""

    path: Path = attrs.field(factory=Path)


@contextlib.contextmanager
def told(what: str) -> Iterator[InHand]:
    """Tell what the system says against the path in hand.

    Raises:
        FileError: no room, no permission, a device that fails.
        SimkitError: the path is wrong.
    """
    at = InHand()
    try:
        yield at
    except BrokenPipeError:
        raise  # whoever read has gone: nothing is wrong with the path
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        message = f"The {what} {at.path} cannot be written: {reason}."
        if isinstance(error, ValueError):
            raise SimkitError(message, remedy="Correct the path.") from error
        told = file_error(message, error, remedy="Name a file in a folder that is there.")
        if isinstance(told, FileError):
            told.remedy = "Make room, change the rights, or name a file elsewhere."
        raise told from error
