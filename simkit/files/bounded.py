"""Reading files that people hand in: regular files only, up to a size; a device or a pipe would never end."""

from __future__ import annotations

import stat
from pathlib import Path

from simkit.contract.errors import SimkitError


def read_bounded(path: Path, most_bytes: int, what: str) -> bytes:
    """Content of a file.

    Args:
        path: of the file.
        most_bytes: largest size accepted.
        what: the file in words, e.g. "image"; stands in the messages.

    Raises:
        FileNotFoundError: there is no such file; the caller knows the remedy.
        SimkitError: a folder, a device, larger than allowed, or not readable.
    """
    try:
        found = path.stat()
        if not stat.S_ISREG(found.st_mode):
            kind = "a folder" if stat.S_ISDIR(found.st_mode) else "a device or a pipe"
            raise SimkitError(f"The {what} {path} is {kind}, not a file.", remedy="Name a file.")
        if found.st_size > most_bytes:
            raise SimkitError(f"The {what} {path} has {found.st_size} bytes; {most_bytes} are allowed.")
        with path.open("rb") as file:
            return file.read(most_bytes)
    except FileNotFoundError:
        raise
    except (OSError, ValueError) as error:  # ValueError: a NUL in the path
        reason = getattr(error, "strerror", None) or error
        raise SimkitError(f"The {what} {str(path)[:200]!r} cannot be read: {reason}.") from error
