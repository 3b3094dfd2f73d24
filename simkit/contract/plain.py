"""Names and texts of others as they may be shown: nothing in them steers a terminal or turns what stands beside them.

Machines, labels, files and cards get their names from whoever made them. Printed as it is, such a name could clear the
screen, set the window's title, forge a line of its own, or turn the reading direction so that it seems to say something
else (Boucher and Anderson, "Trojan Source", 32nd USENIX Security Symposium, 2023: U+202A to U+202E and U+2066 to
U+2069). Whatever shows a name to people passes it through `plain`.
"""

from __future__ import annotations

import re
import unicodedata

_NOT_PRINTED = re.compile(r"[^\x20-\x7e]")


def plain(text: object) -> str:
    r"""The text in one line, each character that does not print itself written as Python would: `\n`, `\x1b`, `\u202e`.

    Control and format characters, line and paragraph separators, unassigned ones and halves of pairs (bytes of a file
    name that are no UTF-8) are written so; letters of all scripts and spaces stay.
    """
    shown = str(text)
    return shown if shown.isprintable() else _NOT_PRINTED.sub(_written, shown)


def _written(found: re.Match[str]) -> str:
    character = found[0]
    if character.isprintable() or unicodedata.category(character) == "Zs":
        return character
    return character.encode("unicode_escape").decode("ascii")
