"""TOML files for people: bounded reading, and the line on which each key stands."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from simkit.contract.errors import SimkitError
from simkit.files.bounded import read_bounded

MAX_BYTES = 1_000_000

_HEADER = re.compile(r"\s*(\[\[?)\s*([A-Za-z0-9_.\-\s\"']+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"\s*([A-Za-z0-9_\-]+|\"[^\"]*\"|'[^']*')\s*(?:\.\s*[A-Za-z0-9_\-]+\s*)*=")
_AT = re.compile(r"\(at line (\d+), column (\d+)\)")

Lines = dict[tuple[str, int, str], int]
"""Line by (table, number of the table in its array, key); the key "" is the table's header."""


def read_toml(path: Path) -> tuple[dict[str, Any], Lines]:
    """Content of a TOML file and the lines of its keys.

    Raises:
        SimkitError: no such file, too large, not text, or not TOML; with file and line.
    """
    name = str(path)
    try:
        text = read_bounded(path, MAX_BYTES, "file").decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        raise SimkitError("The file is not UTF-8 text, so it is not TOML.", file=name) from error
    except FileNotFoundError as error:
        raise SimkitError(f"There is no file {path}.", remedy="Correct the path.") from error
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        at = _AT.search(str(error))
        line = int(at[1]) if at else text.count("\n") + 1
        message = _AT.sub("", str(error)).strip()
        raise SimkitError(
            f"Not TOML: {message}.", file=name, line=line, remedy="Strings need quotes; tables look like [[card]]."
        ) from error
    except ValueError as error:  # a number of thousands of digits
        raise SimkitError("A number of the file has far too many digits.", file=name) from error
    except RecursionError as error:
        raise SimkitError("The file nests too deeply.", file=name) from error
    return data, _key_lines(text)


def _key_lines(text: str) -> Lines:
    lines: Lines = {}
    counts: dict[str, int] = {}
    table, number = "", 0
    for line_number, line in enumerate(text.splitlines(), start=1):
        header = _HEADER.match(line)
        if header is not None:
            table = re.sub(r"\s+", "", header[2])
            if header[1] == "[[":
                counts[table] = counts.get(table, -1) + 1
                number = counts[table]
            else:
                number = counts.get(table.split(".")[0], 0)
            lines.setdefault((table, number, ""), line_number)
            continue
        key = _KEY.match(line)
        if key is not None:
            lines.setdefault((table, number, key[1].strip("\"'")), line_number)
    return lines
