"""TOML files that people wrote: read within bounds, with the place of every key."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Collection
from functools import lru_cache
from pathlib import Path
from typing import Any

import attrs

from simkit.contract.errors import SimkitError
from simkit.files.bounded import read_text
from simkit.machinefile.tomlbounds import check_bounds
from simkit.machinefile.tomlplaces import Place, Places, Step

MAX_BYTES = 200_000
"""Of a file: a machine of 99 cards with all its comments has a fifth of that."""

_AT = re.compile(r" \(at line (\d+), column \d+\)\Z")  # at the end: a key that is quoted may hold the same words

_NEEDS_NUMBER = re.compile(r"[^ !#-\[\]-~]")
_CITED = re.compile(r"^(Cannot declare|Cannot mutate|Cannot redefine|Duplicate|Found invalid character).*", re.DOTALL)
"""What the parser says with words of the file in it, which may be another one than was meant."""


def _without(cited: re.Match[str]) -> str:
    return "A character may not stand here" if cited[1].startswith("Found") else "A key or table is given twice"


@attrs.frozen
class Toml:
    """A TOML file as read.

    Attributes:
        data: what it says.
        places: where it says so.
        file: its path, for messages.
    """

    data: dict[str, Any]
    places: Places = attrs.field(repr=False)
    file: str

    def place(self, *path: Step) -> Place:
        """Where what the path leads to stands; no path: the file."""
        return Place(self.file, self.places, path)


def read_toml(path: Path, what: str = "file", keys: Collection[str] = (), earlier: Collection[str] = ()) -> Toml:
    """Read a TOML file of a known kind.

    A file that says something, and nothing with one of the keys, is taken for one of another kind: no message then
    shows a word of it.

    Args:
        path: of the file.
        what: its kind in words, e.g. "machine file".
        keys: by one of which, at the top, it is known; none, if any TOML will do.
        earlier: other names by which it is known, and which the caller refuses.

    Raises:
        FileError: the system does not let it be read.
        SimkitError: no such file, too large, not text, not TOML, beyond the bounds or of another kind; with the line.
    """
    try:
        text = read_text(path, MAX_BYTES, what)
    except FileNotFoundError as error:
        raise SimkitError(f"There is no {what} {path}.", remedy="Correct the path.") from error
    found = parse_toml(text, str(path))
    if keys and found.data and not any(key in found.data for key in (*keys, *earlier)):
        message = f"This is no {what}: it says nothing of {', '.join(keys)}."
        raise SimkitError(message, file=str(path), remedy=f"Name a {what}.")
    return found


def quoted(text: str) -> str:
    """A text as TOML writes it in quotes; what does not print itself is written as its number."""
    return '"' + _NEEDS_NUMBER.sub(_numbered, text) + '"'


def _numbered(found: re.Match[str]) -> str:
    character = found[0]
    if character in '"\\':
        return f"\\{character}"
    return character if character.isprintable() else f"\\U{ord(character):08X}"


def parse_toml(text: str, file: str) -> Toml:
    """Read TOML text.

    Args:
        text: the text, its lines ended as on any system.
        file: what to call it in messages.

    Raises:
        SimkitError: not TOML, or beyond the bounds; with file and line.
    """
    data, places = _parsed(text.replace("\r\n", "\n"), file)
    return Toml(_own(data), places, file)


@lru_cache(maxsize=32)  # machine files are read over and over by who loads machines often
def _parsed(text: str, file: str) -> tuple[dict[str, Any], Places]:
    check_bounds(text, file)
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        at = _AT.search(str(error))
        line = int(at[1]) if at else text.count("\n") + 1
        message = _CITED.sub(_without, _AT.sub("", str(error)))
        raise SimkitError(
            f"Not TOML: {message}.", file=file, line=line, remedy="Strings need quotes; tables look like [[card]]."
        ) from error
    return data, Places(text)


def _own(value: Any) -> Any:
    """The value with tables and lists of its own."""
    if isinstance(value, dict):
        return {key: _own(inner) for key, inner in value.items()}
    return [_own(inner) for inner in value] if isinstance(value, list) else value
