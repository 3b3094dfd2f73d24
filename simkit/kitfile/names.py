"""Names of files in a kit: such as every system can have in a folder, and none that leads out of it.

Names that Windows keeps for devices: Microsoft, Naming Files, Paths, and Namespaces (from memory).
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable

MAX_NAME = 240
"""Characters of a name with its folders."""
MAX_DEPTH = 16

_DEVICE = re.compile(r"(?:con|prn|aux|nul|com[0-9¹²³]|lpt[0-9¹²³])(?:\..*)?", re.IGNORECASE)
_FORBIDDEN = frozenset('<>:"|?*\\')


def problem_of(name: str) -> str | None:
    """What is wrong with a name, in words; None: nothing is."""
    if not name or len(name) > MAX_NAME:
        return f"it has {len(name)} characters, and 1 to {MAX_NAME} are allowed"
    parts = name.split("/")
    if len(parts) > MAX_DEPTH:
        return f"it lies {len(parts)} folders deep, and {MAX_DEPTH} are allowed"
    if unicodedata.normalize("NFC", name) != name:
        return "it is not in the composed form of Unicode (NFC)"
    for part in parts:
        if part in ("", ".", ".."):
            return "it leads elsewhere"
        if part != part.strip() or part.endswith("."):
            return "a part of it begins or ends with a blank, or ends with a dot"
        if not part.isprintable() or _FORBIDDEN.intersection(part):
            return "it holds a character that not every system has in names"
        if _DEVICE.fullmatch(part):
            return "some systems keep it for a device"
    return None


def same_for_some(names: Iterable[str]) -> tuple[str, str] | None:
    """Two names that are one for a system that does not tell capitals; or a file and a folder of one name."""
    seen: dict[str, str] = {}
    folders: dict[str, str] = {}
    for name in names:
        folded = name.casefold()
        if folded in seen:
            return seen[folded], name
        seen[folded] = name
        parts = folded.split("/")
        for end in range(1, len(parts)):
            folders.setdefault("/".join(parts[:end]), name)
    return next(((seen[folder], name) for folder, name in folders.items() if folder in seen), None)
