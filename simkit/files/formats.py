"""By what the kit knows a file of its own again: only such a file is written over without being told to.

A format that gets a file of the kit has its `Format` beside the code that writes it; here is how most of them know.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import attrs

MAX_BYTES = 64_000_000
"""As much of a file as is looked at, from its beginning on."""
_HEAD = 2_000


@attrs.frozen
class Format:
    """A kind of file that the kit writes.

    Attributes:
        name: in words, e.g. "a picture written by simkit".
        knows: whether the content of a file is of this kind; of a large one its first MAX_BYTES.
    """

    name: str
    knows: Callable[[bytes], bool]


def json_format(name: str, format_name: str) -> Format:
    """JSON whose first object, in the file or in its first line, says `"format": format_name`."""

    def knows(content: bytes) -> bool:
        return any(
            isinstance(found, dict) and found.get("format") == format_name
            for found in (_json(content.partition(b"\n")[0]), _json(content))
        )

    return Format(name, knows)


def sarif_format(name: str, driver: str) -> Format:
    """SARIF whose only run was made by the tool `driver` (SARIF 2.1.0, 3.19.8)."""

    def knows(content: bytes) -> bool:
        try:
            return [run["tool"]["driver"]["name"] for run in _json(content)["runs"]] == [driver]
        except (TypeError, KeyError, IndexError):
            return False

    return Format(name, knows)


def html_format(name: str, generator: str) -> Format:
    """A page that names its maker as HTML does: `<meta name=generator content="...">` near its beginning."""
    return Format(name, lambda content: generator_meta(generator).encode() in content[:_HEAD])


def generator_meta(generator: str) -> str:
    """The line for the head of a page that `html_format` knows again (HTML Living Standard, 4.2.5.1)."""
    return f'<meta name=generator content="{generator}">'


def _json(text: bytes) -> Any:
    try:
        return json.loads(text)
    except (ValueError, RecursionError):
        return None
