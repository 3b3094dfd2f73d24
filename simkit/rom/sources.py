"""Files that a label list, a debug file or a listing names: where they lie, and what may be read of them.

They are looked for beside the file that names them, one folder down and in the folders above it up to the third: builds
write into folders of their own. What is not found gives its bare name and no lines.

Whoever made a debug file chose the names in it, and lines of sources stand in reports that people send on. So a file is
read only from where its reader means to be read from (`Sources.content`): below the folder of the file that names it,
of the machine file, or of one that SIMKIT_SOURCES names, and sources, by their names, also elsewhere in the machine
file's project (`simkit.rom.project`); what a kit names, in that kit alone; after links are followed; a plain file; none
whose name, or whose folder's, begins with a dot. What else a name leads to is told as a place, without a word of it.
"""

from __future__ import annotations

import contextlib
import os
import re
import stat
from collections.abc import Iterator, Sequence
from functools import cached_property
from itertools import islice
from pathlib import Path, PureWindowsPath

from simkit.contract.errors import SimkitError
from simkit.contract.plain import plain
from simkit.files.bounded import is_folder, lines_of, read_bounded, text_of
from simkit.kitfile.unpacking import kit_around
from simkit.rom.project import SOURCE_ENDINGS, project_of

MAX_SOURCES = 500
"""Source files that are looked for."""
MAX_LOOKED_AT, MAX_FOLDERS = 1000, 50
"""Entries of the file's folder that are looked at, and folders among them in which sources may lie."""
MAX_SOURCE_BYTES = 8_000_000
"""Of all that one file names; beyond it nothing more is read."""
FOLDERS_UP = 3
FOLDERS_KEPT = 3
"""Of a path that leads elsewhere: another computer's, as a rule. Its end is looked for here."""
SOURCES_VARIABLE = "SIMKIT_SOURCES"

_ADDRESS = re.compile(r"\$(?:[0-9A-Fa-f]{2}|[0-9A-Fa-f]{4})\b|0[xX][0-9A-Fa-f]{4}\b|\b0?[0-9A-Fa-f]{4}[hH]\b")
_DEFINED = re.compile(r"^[^;=]*?(?::?=|\.alias\b|\.?\b[Ee][Qq][Uu]\b|\.define\b)\s*(?:\S+\s+(?=\$))?(.*)$")


class Sources:
    """Finds and reads the files that one file names.

    Attributes:
        refused: what is there and was not read, with the reason as a sentence.
        found: paths of the files that are there.

    Args:
        named_in: the file; its folder is where the search begins.
        folders: others below which files may be read, and whose projects hold sources: that of the machine file.
    """

    def __init__(self, named_in: Path, folders: Sequence[Path] = ()) -> None:
        self.refused: dict[str, str] = {}
        self.found: set[str] = set()
        self._named_in = named_in
        self._folder = named_in.parent
        self._kit = kit_around(named_in)
        self._roots, self._projects = (
            _readable(self._folder, folders) if self._kit is None else ([self._kit], list[Path]())
        )
        self._paths: dict[str, str | None] = {}
        self._lines: dict[str, list[str]] = {}
        self._left_bytes = MAX_SOURCE_BYTES

    @property
    def asked(self) -> bool:
        """Whether any file was looked for."""
        return bool(self._paths)

    def path(self, name: str) -> str:
        """Path of a source file; its bare name where it is not found, or when there are too many to look for."""
        return self._path(name) or plain(name)

    def size(self, name: str) -> int | None:
        """Bytes of a file that may be read; None of any other."""
        path = self._path(name)
        with contextlib.suppress(OSError):
            return None if path is None or self._why_not(path) else Path(path).stat().st_size
        return None

    def content(self, name: str, what: str) -> bytes:
        """Content of a file; nothing where it is not there or may not be read, which `refused` tells then.

        Args:
            name: as the file says it.
            what: "source" or "image".
        """
        path = self._path(name)
        if path is None:
            return b""
        why = self._why_not(path)
        if why is None:
            try:
                content = read_bounded(Path(os.path.realpath(path)), self._left_bytes, what)
            except FileNotFoundError:
                return b""
            except SimkitError as error:
                why = error.message
            else:
                self._left_bytes -= len(content)
                return content
        self.refused.setdefault(path, why)
        return b""

    def remarks(self) -> list[str]:
        """A sentence about what was not read."""
        if not self.refused:
            return []
        path, why = next(iter(self.refused.items()))
        more = len(self.refused) - 1
        others = f" (and {more} more)" if more else ""
        return [f"{plain(path)}{others} is not read; places in it are told without its text. {plain(why)}"]

    def lines(self, name: str) -> list[str]:
        """Lines of a source file; none where it cannot be read."""
        if name not in self._lines:
            if len(self._lines) >= MAX_SOURCES:
                return []
            lines: list[str] = []
            try:
                lines = lines_of(text_of(self.content(name, "source"), "", "source"))
            except SimkitError as error:
                self.refused.setdefault(self.path(name), f"{error.message} {error.remedy or ''}".strip())
            self._lines[name] = lines
        return self._lines[name]

    def line(self, name: str, number: int) -> str:
        """A line of a source file, from 1; nothing where it is not there."""
        lines = self.lines(name)
        return lines[number - 1] if 0 < number <= len(lines) else ""

    def is_number_only(self, name: str, number: int) -> bool:
        """Whether a source line defines a name as a number that is not written as an address.

        Addresses are written with two or four hexadecimal digits; `COUNT = 3` and `MASK = %0100` are numbers. A line
        that cannot be seen, or that defines by an expression of other names, is not known to be one.
        """
        text = self.line(name, number).split(";")[0]
        match = _DEFINED.match(text)
        if match is None or not match[1].strip():
            return False
        value = match[1].strip()
        return not _ADDRESS.search(value) and bool(re.match(r"[-+%\d'\"$]", value))

    def _why_not(self, path: str) -> str | None:
        """Why a file is not to be read, as a sentence, or None: the one place where that is decided."""
        real = Path(os.path.realpath(path))
        roots = [root for root in self._roots if real.is_relative_to(root)]
        in_project = [root for root in self._projects if real.is_relative_to(root)]
        if real.suffix.lower() in SOURCE_ENDINGS:
            roots += in_project
        elif in_project and not roots:
            return (
                f"It lies in the project, but outside of the folders of the machine file and of {self._named_in}, "
                f"and is not called as sources are (.s, .asm, .inc ...). Give it such a name, or name its folder in "
                f"the environment variable {SOURCES_VARIABLE}."
            )
        if not roots and self._kit is not None:
            return "It lies outside of the kit, which reads nothing else."
        if not roots:
            return (
                f"It lies outside of the folders of the machine file and of {self._named_in}, and in no project of "
                f"the machine file's (a folder of yours with .git). Put the machine file into a folder that holds "
                f"both, or name the folder in the environment variable {SOURCES_VARIABLE}."
            )
        below = [real.relative_to(root).parts for root in roots]
        if all(any(part.startswith(".") for part in parts) for parts in below):
            return "Its name or that of its folder begins with a dot. Give it another name."
        return None

    def _path(self, name: str) -> str | None:
        if name not in self._paths:
            if len(self._paths) >= MAX_SOURCES:
                return None
            path = self._paths[name] = self._found(name)
            if path is not None:
                self.found.add(path)
        return self._paths[name]

    def _found(self, name: str) -> str | None:
        """Path of the first plain file of that name."""
        odd = None
        for path in self._candidates(name):
            try:
                mode = path.stat().st_mode
            except (OSError, ValueError):  # also names that none can have, links in a circle
                continue
            if stat.S_ISREG(mode):
                return os.path.normpath(path)
            odd = odd or path
        if odd is not None and name:
            self.refused.setdefault(os.path.normpath(odd), "It is a folder, a device or a pipe.")
        elif self._leads_away(name):
            self.refused.setdefault(name, self._why_not(name) or "")
        return None

    def _leads_away(self, name: str) -> bool:
        """Whether a name is a path from a root, or on another computer, that may not be read; it is not even looked at.

        Looking is enough to open a connection where a path may name a computer of the network.
        """
        whole = name.startswith(("/", "\\")) or PureWindowsPath(name).drive != ""
        roots = (*self._roots, *self._projects)
        return whole and not any(Path(os.path.normpath(name)).is_relative_to(root) for root in roots)

    def _candidates(self, name: str) -> Iterator[Path]:
        slashed = name.replace("\\", "/")
        parts = [part for part in slashed.split("/") if part]
        if self._leads_away(name):
            for kept in range(min(FOLDERS_KEPT + 1, len(parts) - 1), 0, -1):
                yield from (root.joinpath(*parts[-kept:]) for root in (*self._roots, *self._projects))
            return
        yield self._folder / slashed
        yield from (below / slashed for below in self._folders)
        above = self._folder
        for _ in range(FOLDERS_UP):
            above = above / ".."
            yield above / slashed
        if len(parts) > 1:
            yield self._folder / parts[-1]

    @cached_property
    def _folders(self) -> list[Path]:
        with contextlib.suppress(OSError):
            beside = islice(self._folder.iterdir(), MAX_LOOKED_AT)
            return sorted(islice((path for path in beside if is_folder(path)), MAX_FOLDERS))
        return []


def _readable(folder: Path, folders: Sequence[Path]) -> tuple[list[Path], list[Path]]:
    """Folders below which files may be read, and those of projects, below which sources may be."""
    named = [Path(word) for word in os.environ.get(SOURCES_VARIABLE, "").split(os.pathsep) if word]
    given = [Path.cwd() / one for one in (folder, *folders, *named)]
    roots = [Path(found(one)) for one in given for found in (os.path.normpath, os.path.realpath)]
    projects = (project_of(one) for one in folders)
    return (
        list(dict.fromkeys(root for root in roots if root != root.parent)),  # all lies below the top
        [root for root in dict.fromkeys(projects) if root is not None],
    )
