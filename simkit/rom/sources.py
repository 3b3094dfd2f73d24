"""Source files that a label list, a debug file or a listing names: where they lie, and what stands in a line.

They are looked for beside the file that names them, one folder down and in the folders above it up to the third: builds
write into folders of their own. What is not found, too large or no text gives its bare name and no lines.
"""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Iterator
from functools import cached_property
from pathlib import Path

from simkit.contract.errors import SimkitError
from simkit.files.bounded import is_file, is_folder, lines_of, read_text

MAX_SOURCES = 500
"""Source files, and folders they may lie in, that are looked for."""
MAX_SOURCE_BYTES = 8_000_000
"""Of all sources of one file; beyond it no more text is read."""
FOLDERS_UP = 3

_ADDRESS = re.compile(r"\$(?:[0-9A-Fa-f]{2}|[0-9A-Fa-f]{4})\b|0[xX][0-9A-Fa-f]{4}\b|\b0?[0-9A-Fa-f]{4}[hH]\b")
_DEFINED = re.compile(r"^[^;=]*?(?::?=|\.alias\b|\.?\b[Ee][Qq][Uu]\b|\.define\b)\s*(?:\S+\s+(?=\$))?(.*)$")


class Sources:
    """Finds and reads the sources that one file names.

    Args:
        named_in: the file; its folder is where the search begins.
    """

    def __init__(self, named_in: Path) -> None:
        self._folder = named_in.parent
        self._paths: dict[str, str] = {}
        self._lines: dict[str, list[str]] = {}
        self._left_bytes = MAX_SOURCE_BYTES

    def path(self, name: str) -> str:
        """Path of a source file; its bare name where it is not found, or when there are too many to look for."""
        if name not in self._paths:
            if len(self._paths) >= MAX_SOURCES:
                return name
            found = next((path for path in self._candidates(name.replace("\\", "/")) if is_file(path)), None)
            self._paths[name] = name if found is None else os.path.normpath(found)
        return self._paths[name]

    def lines(self, name: str) -> list[str]:
        """Lines of a source file; none where it cannot be read."""
        if name not in self._lines:
            if len(self._lines) >= MAX_SOURCES:
                return []
            lines: list[str] = []
            with contextlib.suppress(FileNotFoundError, SimkitError):
                path = Path(self.path(name))
                if is_file(path):
                    text = read_text(path, self._left_bytes, "source")
                    self._left_bytes -= len(text)
                    lines = lines_of(text)
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

    def _candidates(self, name: str) -> Iterator[Path]:
        yield self._folder / name
        yield from (folder / name for folder in self._folders)
        above = self._folder
        for _ in range(FOLDERS_UP):
            above = above / ".."
            yield above / name
        if "/" in name:
            yield self._folder / name.rpartition("/")[2]

    @cached_property
    def _folders(self) -> list[Path]:
        with contextlib.suppress(OSError):
            return sorted(path for path in self._folder.iterdir() if is_folder(path))[:MAX_SOURCES]
        return []
