"""Names of files in a kit: such as every system can have in a folder, none that leads out of it, and none that hides.

What begins with a dot is not shown by many systems, and some programs act on it unasked, such as version control on
its folder.

Names that Windows keeps for devices: Microsoft, Naming Files, Paths, and Namespaces (from memory). Bytes of a name:
POSIX NAME_MAX, which is 255 on the usual file systems (from memory). Which names are one where capitals are not told
apart: The Unicode Standard, 3.13 Default Case Algorithms, D145 canonical caseless match (from memory).
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable

MAX_NAME = 240
"""Characters of a name with its folders."""
MAX_DEPTH = 16
MAX_PART_BYTES = 255
"""Of one folder or file, in UTF-8."""

_DEVICE = re.compile(r"(?:con|prn|aux|nul|conin\$|conout\$|com[0-9¹²³]|lpt[0-9¹²³]) *(?:\..*)?", re.IGNORECASE)
_FORBIDDEN = frozenset('<>:"|?*\\')


def problem_of(name: str) -> str | None:
    """What is wrong with a name, in words; None: nothing is."""
    if len(name) > MAX_NAME:
        return f"it has {len(name)} characters, and {MAX_NAME} are allowed"
    parts = name.split("/")
    if len(parts) > MAX_DEPTH:
        return f"it lies {len(parts)} folders deep, and {MAX_DEPTH} are allowed"
    if unicodedata.normalize("NFC", name) != name:
        return "it is not in the composed form of Unicode (NFC)"
    for part in parts:
        if part in ("", ".", ".."):
            return "it leads elsewhere"
        if part != part.strip() or part.startswith(".") or part.endswith("."):
            return "a part of it begins or ends with a blank or a dot"
        if not part.isprintable() or _FORBIDDEN.intersection(part):
            return "it holds a character that not every system has in names"
        if len(part.encode()) > MAX_PART_BYTES:
            return f"a part of it has more than {MAX_PART_BYTES} bytes"
        if _DEVICE.fullmatch(part):
            return "some systems keep it for a device"
    return None


def caseless(name: str) -> str:
    """What two names have in common that some system takes for one."""
    return unicodedata.normalize("NFD", unicodedata.normalize("NFD", name).casefold())


def same_for_some(names: Iterable[str]) -> tuple[str, str] | None:
    """Two names that are one for a system that does not tell capitals apart; or a file and a folder of one name."""
    seen: dict[str, str] = {}
    folders: dict[str, str] = {}
    for name in names:
        folded = caseless(name)
        if folded in seen:
            return seen[folded], name
        seen[folded] = name
        parts = folded.split("/")
        for end in range(1, len(parts)):
            folders.setdefault("/".join(parts[:end]), name)
    return next(((seen[folder], name) for folder, name in folders.items() if folder in seen), None)
