"""Paths that lead to a device or a pipe, which take what is written as it comes, or to what the program prints."""

from __future__ import annotations

import errno
import os
import re
import stat
import sys
from pathlib import Path

_OWN = re.compile(r"/dev/(?P<name>stdin|stdout|stderr)|/(?:dev|proc/self)/fd/(?P<number>[0-9]{1,4})")
_NAMES = ("stdin", "stdout", "stderr")
_OPEN = os.O_WRONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOCTTY", 0) | getattr(os, "O_CLOEXEC", 0)


def own_stream(path: Path) -> int | None:
    """Number of this process's own descriptor that a path names: opened by name, a file behind it would begin anew."""
    found = _OWN.fullmatch(os.path.normpath(path)) if os.name == "posix" else None
    if found is None:
        return None
    return _NAMES.index(found["name"]) if found["name"] else int(found["number"])


def is_stream(path: Path) -> bool:
    """Whether the path leads to a device or a pipe."""
    if own_stream(path) is not None:
        return True
    try:
        return is_stream_mode(path.stat().st_mode)
    except (OSError, ValueError):
        return False


def is_stream_mode(mode: int) -> bool:
    """Whether the mode is that of a device or a pipe. A disk is none: its content would be gone."""
    return stat.S_ISCHR(mode) or stat.S_ISFIFO(mode)


def is_stdout(path: Path) -> bool:
    """Whether what is written there comes among what the program prints, which then belongs on standard error."""
    if own_stream(path) == 1:
        return True
    try:
        return is_stream(path) and path.resolve() != Path(os.devnull) and os.path.samestat(path.stat(), os.fstat(1))
    except (OSError, ValueError, RuntimeError):
        return False


def open_stream(path: Path) -> int:
    """Descriptor that takes what goes to a device or a pipe.

    Raises:
        OSError: nobody reads from the pipe, or another refusal of the system.
    """
    own = own_stream(path)
    if own is not None:
        for stream in (sys.stdout, sys.stderr):
            if stream is not None:
                stream.flush()  # what was printed before comes first
        return os.dup(own)
    try:
        handle = os.open(path, _OPEN)
    except OSError as error:
        if error.errno == errno.ENXIO:
            raise OSError(error.errno, "nobody reads from the pipe") from error
        raise
    if os.name == "posix":
        os.set_blocking(handle, True)
    return handle
