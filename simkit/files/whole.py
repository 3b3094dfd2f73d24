"""Files that are written whole or not at all: a reader never sees half of one."""

from __future__ import annotations

import contextlib
from pathlib import Path

from simkit.contract.errors import SimkitError


def write_whole(path: Path, text: str) -> None:
    """Write a text file; what stood there before stays until the new one is complete.

    Raises:
        SimkitError: it cannot be written.
    """
    temporary = path.with_name(f".{path.name}.part")
    try:
        temporary.write_text(text, encoding="utf-8")
        temporary.replace(path)
    except OSError as error:
        raise SimkitError(
            f"{path} cannot be written: {error.strerror or error}.", remedy="Name a file in a folder that is there."
        ) from error
    finally:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)
