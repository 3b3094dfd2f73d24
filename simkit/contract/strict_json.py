"""JSON as the kit's own files hold it: objects in which no name stands twice, and no numbers but whole ones."""

from __future__ import annotations

import json
from typing import Any


def strict_object(content: bytes) -> dict[str, Any] | None:
    """A JSON object without what no file of the kit holds: names twice, fractions, NaN, numbers without end; else None.

    Source: IETF, RFC 8259, The JavaScript Object Notation (JSON) Data Interchange Format, 2017: section 4 leaves open
    what a name means that stands twice.
    """
    try:
        found = _DECODER.decode(content.decode("utf-8"))
    except (ValueError, RecursionError):
        return None
    return found if isinstance(found, dict) else None


def _each_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a name stands twice")
    return found


def _refuse(text: str) -> Any:
    raise ValueError("no whole number")


_DECODER = json.JSONDecoder(object_pairs_hook=_each_once, parse_float=_refuse, parse_constant=_refuse)
