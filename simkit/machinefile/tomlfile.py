"""TOML files that people wrote: read within bounds, with the place of every key."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import attrs

from simkit.contract.errors import SimkitError
from simkit.files.bounded import read_bounded
from simkit.machinefile.tomlbounds import check_bounds
from simkit.machinefile.tomlplaces import Place, Places, Step

MAX_BYTES = 1_000_000

_AT = re.compile(r" \(at line (\d+), column \d+\)\Z")  # at the end: a key that is quoted may hold the same words


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


def read_toml(path: Path) -> Toml:
    """Read a TOML file.

    Raises:
        SimkitError: no such file, too large, not text, not TOML, or beyond the bounds; with file and line.
    """
    try:
        text = read_bounded(path, MAX_BYTES, "file").decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise SimkitError("The file is not UTF-8 text, so it is not TOML.", file=str(path)) from error
    except FileNotFoundError as error:
        raise SimkitError(f"There is no file {path}.", remedy="Correct the path.") from error
    return parse_toml(text, str(path))


def parse_toml(text: str, file: str) -> Toml:
    """Read TOML text.

    Args:
        text: the text, its lines ended as on any system.
        file: what to call it in messages.

    Raises:
        SimkitError: not TOML, or beyond the bounds; with file and line.
    """
    text = text.replace("\r\n", "\n")
    check_bounds(text, file)
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        at = _AT.search(str(error))
        line = int(at[1]) if at else text.count("\n") + 1
        message = _AT.sub("", str(error))
        raise SimkitError(
            f"Not TOML: {message}.", file=file, line=line, remedy="Strings need quotes; tables look like [[card]]."
        ) from error
    return Toml(data, Places(text), file)
