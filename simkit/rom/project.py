"""The folder of the project that a machine file is part of: the nearest above it that is under version control.

Machine file, sources and what is built often lie side by side in it. As whoever hands over a machine folder also names
the files that are read of it, that folder has to be the user's own: its version control belongs to whoever runs the
kit, and it is not a home folder nor any above one, where people keep everything else.
"""

from __future__ import annotations

import os
from pathlib import Path

MARKS = (".git", ".hg", ".svn")
"""What version control keeps at the top of a project."""
SOURCE_ENDINGS = frozenset(
    (
        ".s",
        ".asm",
        ".a65",
        ".s65",
        ".65s",
        ".65c",
        ".a",
        ".inc",
        ".i",
        ".mac",
        ".def",
        ".src",
        ".equ",
        ".lib",
        ".c",
        ".h",
        ".cc",
        ".cpp",
        ".cxx",
        ".hpp",
        ".hh",
        ".rs",
    )
)
"""Ends of names of sources: what else lies in a project is no business of a debug file."""


def project_of(folder: Path) -> Path | None:
    """Folder of the project that a folder is in, links followed, or None."""
    try:
        home = Path(os.path.realpath(Path.home()))
    except RuntimeError:  # nobody knows where it is
        return None
    real = Path(os.path.realpath(folder))
    for above in (real, *real.parents):
        if above == above.parent or home.is_relative_to(above):
            return None
        for mark in MARKS:
            if os.path.lexists(above / mark):
                return above if _is_own(above / mark) else None
    return None


def _is_own(path: Path) -> bool:
    """Whether a file belongs to whoever runs this; where the system knows no owners, everything does."""
    try:
        return not hasattr(os, "geteuid") or path.lstat().st_uid == os.geteuid()
    except OSError:
        return False
