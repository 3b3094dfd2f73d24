"""What commands print: the one place where text goes to people, so that no name in it can steer their terminal.

Results go to standard output; notes, and everything when standard output is taken by something else, to standard error.
"""

from __future__ import annotations

import json
import sys
from typing import Any

from simkit.contract.plain import plain
from simkit.files.whole import Written


def say(*lines: object, error: bool = False, flush: bool = False) -> None:
    """Print lines, each in one line whatever it holds; see `plain`.

    Args:
        lines: one an argument; none prints an empty line.
        error: on standard error.
        flush: at once, even if nobody sits at a terminal.
    """
    print(*map(plain, lines), sep="\n", file=sys.stderr if error else sys.stdout, flush=flush)


def say_text(text: str, *, error: bool = False) -> None:
    """Print a text whose line ends are ours; no name in it may hold one (`plain`)."""
    say(*text.removesuffix("\n").split("\n"), error=error)


def say_json(found: Any, *, error: bool = False) -> None:
    """Print for programs. Names are whole in it: what is not ASCII, or steers a terminal, JSON writes as numbers."""
    text = json.dumps(found, indent=2, default=str).replace("\x7f", "\\u007f")
    print(text, file=sys.stderr if error else sys.stdout)


def say_written(written: Written) -> None:
    """Tell on standard error which files were written, and what is to be said about it."""
    say(*(f"Written: {path}" for path in written.files), *written.notes(), error=True)


def say_notes(written: Written) -> None:
    """Tell on standard error what is to be said about files that were written: what was overwritten, and the like."""
    if notes := written.notes():
        say(*notes, error=True)


class JsonRows:
    """One JSON document with a list that is printed row by row, however long it is.

    Args:
        found: what stands before the list.
        name: of the list.
    """

    def __init__(self, found: dict[str, Any], name: str) -> None:
        text = json.dumps({**found, name: []}, indent=2, default=str)
        print(text.removesuffix("]\n}"), end="")
        self._between = ""

    def add(self, row: dict[str, Any]) -> None:
        """Print a row more."""
        text = json.dumps(row, default=str).replace("\x7f", "\\u007f")
        print(f"{self._between}\n    {text}", end="")
        self._between = ","

    def close(self, found: dict[str, Any]) -> None:
        """Print the end of the list, and what stands behind it."""
        text = json.dumps(found, indent=2, default=str).removeprefix("{")
        print(f"\n  ],{text}")
