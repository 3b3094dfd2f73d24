"""What to write instead, when a card's file imports a part of the kit that is not where it says."""

from __future__ import annotations

import ast
from pathlib import Path

from simkit import contract
from simkit.contract.errors import SimkitError
from simkit.files.bounded import read_bounded

MAX_BYTES = 1_000_000

_KIT = "simkit"


def import_remedy(error: BaseException | None) -> str | None:
    """The import line to write, when an import of the kit failed in a card's file; else None.

    Args:
        error: what the import of the card's file raised.
    """
    if not isinstance(error, ImportError) or (error.name or "").split(".")[0] != _KIT:
        return None
    file, line = _place(error)
    try:
        tree = ast.parse(read_bounded(file, MAX_BYTES, "card"))
    except (OSError, ValueError, SyntaxError, RecursionError, SimkitError):
        return None
    wanted = [
        alias.name
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == _KIT
        for alias in node.names
    ]
    known = sorted({name for name in wanted if name in contract.__all__}, key=_import_order)
    others = sorted({name for name in wanted if name not in contract.__all__})
    text = f"{file.name}:{line}: write `from simkit.contract import {', '.join(known or ('Card', '...'))}`"
    if others:
        return f"{text}; {', '.join(others)} {'is' if len(others) == 1 else 'are'} not for cards."
    return f"{text}: it is the one import of a card."


def _place(error: ImportError) -> tuple[Path, int]:
    """File and line of the import that failed: the last frame that is not the import machinery's."""
    file, line = Path(), 0
    frame = error.__traceback__
    while frame is not None:
        name = frame.tb_frame.f_code.co_filename
        if not name.startswith("<frozen"):
            file, line = Path(name), frame.tb_lineno
        frame = frame.tb_next
    return file, line


def _import_order(name: str) -> tuple[bool, str]:
    return not name.isupper(), name
