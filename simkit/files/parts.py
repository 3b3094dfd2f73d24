"""Parts: files and folders being written beside the place they will have, under a name of their own.

A part is `.simkit-NAME-TOKEN.part`; NAME is a hash of the name it will have. The run that makes it holds a lock on it,
which ends with the run, however that ends. So what a killed run has left can be told from what another run is
writing just now, and the next run that writes the same name takes it away. Where there are no such locks (Windows) it
does so a day later.
"""

from __future__ import annotations

import contextlib
import hashlib
import importlib
import os
import re
import secrets
import shutil
import stat
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

fcntl: Any = None  # no locks, as on Windows
with contextlib.suppress(ImportError):
    fcntl = importlib.import_module("fcntl")

OLD_SECONDS = 86_400
"""Age at which a part is left over where nobody can lock it; no run writes so long."""

_TRIES = 10
_NO_HANDLE, _GONE = -1, -2
_CLOEXEC = getattr(os, "O_CLOEXEC", 0)
_NEW_FILE = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0) | _CLOEXEC
_RIGHTS_LIST = "system.posix_acl_access"
"""Where Linux keeps what a file's list of rights says beyond its mode (acl(5))."""


class Part:
    """One part: first a name, then a file or folder of that name, in the end renamed or gone.

    Args:
        place: path that it will have.

    Attributes:
        path: that it has.
    """

    def __init__(self, place: Path) -> None:
        self._place = place
        self._handle = _NO_HANDLE
        self.path = self._fresh()

    def make_file(self, content: bytes, replaced: Path | None) -> None:
        """Make it a file with the content safely on the disk, and with the rights of the file that it will replace."""
        handle = self._make(lambda: os.open(self.path, _NEW_FILE, 0o666))
        if replaced is not None:
            _give_rights(self.path, replaced)
        write_all(handle, content)
        os.fsync(handle)
        if os.name == "nt":  # where an open file cannot be renamed
            self.close()

    def make_folder(self) -> None:
        """Make it an empty folder."""

        def make() -> int:
            self.path.mkdir()
            try:
                return _NO_HANDLE if fcntl is None else os.open(self.path, os.O_RDONLY | _CLOEXEC)
            except FileNotFoundError:
                return _GONE

        self._make(make)

    def close(self) -> None:
        """End the lock."""
        handle, self._handle = self._handle, _NO_HANDLE
        if handle != _NO_HANDLE:
            os.close(handle)

    def drop(self) -> None:
        """Remove it, if it is still there under its own name."""
        take_away(self.path)
        self.close()

    def _fresh(self) -> Path:
        return self._place.with_name(f"{_stem(self._place)}{secrets.token_hex(6)}.part")

    def _make(self, make: Callable[[], int]) -> int:
        for _ in range(_TRIES):
            handle = make()
            if handle != _GONE:
                self._handle = handle
                if handle == _NO_HANDLE or lock(handle):
                    return handle
                self.close()
            # Another run came between making and locking, and takes it away as a left-over.
            self.path = self._fresh()
        raise FileExistsError(f"other runs take {self.path.name} away")


def lock(handle: int) -> bool:
    """Lock what is open, for as long as it is; False when another run has it locked, or when it was taken away.

    Where there are no locks, all is well.
    """
    if fcntl is None:
        return True
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:  # a file system without locks
        return True
    return os.fstat(handle).st_nlink > 0


def write_inside(path: Path, content: bytes) -> None:
    """Write a new file in a folder that is a part, safely on the disk."""
    handle = os.open(path, _NEW_FILE, 0o666)
    try:
        write_all(handle, content)
        os.fsync(handle)
    finally:
        os.close(handle)


def write_all(handle: int, content: bytes) -> None:
    """Write all of it, in as many goes as the system wants."""
    rest = memoryview(content)
    while rest:
        rest = rest[os.write(handle, rest) :]


def take_away(path: Path) -> None:
    """Remove a file, or a folder with what is in it, if it is there."""
    with contextlib.suppress(OSError):
        if stat.S_ISDIR(path.lstat().st_mode):
            shutil.rmtree(path, ignore_errors=True)
        else:
            path.unlink()


def clear_left_overs(place: Path) -> list[Path]:
    """Remove the parts of `place` that runs which were killed have left; gives those that are gone."""
    pattern = re.compile(re.escape(_stem(place)) + r"[0-9a-f]{12}\.part")
    with contextlib.suppress(OSError):
        with os.scandir(place.parent) as entries:
            found = sorted(entry.name for entry in entries if pattern.fullmatch(entry.name))
        return [part for name in found if _cleared(part := place.with_name(name))]
    return []


def _cleared(part: Path) -> bool:
    with contextlib.suppress(OSError):
        if fcntl is None:
            if time.time() - part.lstat().st_mtime < OLD_SECONDS:
                return False
            take_away(part)
        else:
            handle = os.open(part, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | _CLOEXEC)
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                take_away(part)
            finally:
                os.close(handle)
        return not os.path.lexists(part)
    return False


def _stem(place: Path) -> str:
    return f".simkit-{hashlib.sha256(os.fsencode(place.name)).hexdigest()[:8]}-"


def _give_rights(path: Path, replaced: Path) -> None:
    """Owner, mode and list of rights of a file that is to be replaced, as far as this user may give them."""
    found = replaced.stat()
    with contextlib.suppress(OSError, AttributeError):
        os.chown(path, found.st_uid, found.st_gid)
    path.chmod(stat.S_IMODE(found.st_mode))
    with contextlib.suppress(OSError, AttributeError):
        os.setxattr(path, _RIGHTS_LIST, os.getxattr(replaced, _RIGHTS_LIST))
