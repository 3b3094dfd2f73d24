"""The one writer of files: whole or not at all, so that a reader never sees half of one."""

from __future__ import annotations

import contextlib
import os
import secrets
import stat
from collections.abc import Mapping
from pathlib import Path

from simkit.contract.errors import SimkitError


def write_whole(path: Path, content: str | bytes, *, what: str = "file") -> None:
    """Write one file; see `write_together`."""
    write_together({path: content}, what=what)


def write_together(contents: Mapping[Path, str | bytes], *, what: str = "file") -> None:
    """Write files; what stood there before stays until all new ones are complete on the disk.

    Args:
        contents: text (written as UTF-8) or bytes by path; the folders must be there.
        what: the files in words, e.g. "picture"; stands in the messages.

    Raises:
        SimkitError: one cannot be written, or its name is that of a folder or a device; nothing has changed then.
    """
    waiting: list[tuple[Path, Path]] = []
    path = Path()
    try:
        for path, content in contents.items():
            _refuse_what_is_no_file(path, what)
            waiting.append((_written_beside(path, content), path))
        for temporary, path in waiting:
            temporary.replace(path)
    except OSError as error:
        raise SimkitError(
            f"The {what} {path} cannot be written: {error.strerror or error}.",
            remedy="Name a file in a folder that is there and may be written to.",
        ) from error
    finally:
        for temporary, _ in waiting:
            with contextlib.suppress(OSError):
                temporary.unlink(missing_ok=True)


def _refuse_what_is_no_file(path: Path, what: str) -> None:
    try:
        mode = path.stat().st_mode
    except FileNotFoundError:
        return
    if stat.S_ISDIR(mode):
        raise SimkitError(f"The {what} {path} cannot be written: it is a folder.", remedy="Name a file.")
    if not stat.S_ISREG(mode):
        raise SimkitError(f"The {what} {path} cannot be written: it is a device or a pipe.", remedy="Name a file.")


def _written_beside(path: Path, content: str | bytes) -> Path:
    """A temporary file in the same folder with the content safely on the disk."""
    temporary = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
    handle = os.open(temporary, flags, 0o666)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content.encode() if isinstance(content, str) else content)
            file.flush()
            os.fsync(file.fileno())
    except BaseException:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)
        raise
    return temporary
