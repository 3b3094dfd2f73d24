"""Files that grow while the program runs, such as what a serial line sends: opened at the start, closed at the end.

They cannot be whole or not at all. What was written to them stays, up to the last byte, whatever ends the run; a new
one in which nothing could be written goes away again.
"""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

from simkit.contract.errors import SimkitError
from simkit.files.formats import Format
from simkit.files.outputs import Rules, refuse_foreign, told
from simkit.files.parts import lock, write_all
from simkit.files.streams import is_stream, open_stream
from simkit.files.whole import Written, check_output

_FLAGS = os.O_WRONLY | getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)


class GrowingFile:
    """A file open for more; `with GrowingFile(path) as file: file.write(b"...")`.

    What stands there goes when it is opened, under the rules of `write_together`; devices and pipes get what is
    written as they are. While one run has it open no other can.

    Args:
        path: of it.
        what: it in words, for messages.
        known: what it may be written over; None: over nothing.
        force: write over any file.

    Attributes:
        written: what is to be told of it: whether something stood there.

    Raises:
        FileError: the system does not let it be written.
        SimkitError: something is there that is not written over, another run has it open, or the path is wrong.
    """

    def __init__(self, path: Path, *, what: str = "file", known: Format | None = None, force: bool = False) -> None:
        self._path = path
        self._what = what
        self.written = Written(files=(path,))
        self._is_new = self._failed = False
        check_output(path, what=what, known=known, force=force)
        self._place = os.path.realpath(path)
        with told(what) as at:
            at.path = path
            self._handle = open_stream(path) if is_stream(path) else self._opened(Rules(what, known, force))

    def _opened(self, rules: Rules) -> int:
        try:
            handle = os.open(self._place, _FLAGS | os.O_CREAT | os.O_EXCL, 0o666)
            self._is_new = True
        except FileExistsError:
            handle = os.open(self._place, _FLAGS)
        try:
            if not lock(handle):
                raise SimkitError(
                    f"The {self._what} {self._path} is being written by another run.", remedy="Choose another name."
                )
            size = os.fstat(handle).st_size
            refuse_foreign(self._path, size, rules)  # another run may have come between
            if size:
                self.written = Written(files=(self._path,), overwritten=(self._path,))
                os.ftruncate(handle, 0)
        except BaseException:
            os.close(handle)
            raise
        return handle

    def write(self, data: bytes) -> None:
        """Add to the file, at once.

        Raises:
            FileError: the system does not take it; what was written before is there.
        """
        with told(self._what) as at:
            at.path = self._path
            try:
                write_all(self._handle, data)
            except OSError:
                self._failed = True
                raise

    def sync(self) -> None:
        """Wait until all of it is safely on the disk; a device or pipe has none."""
        if not is_stream(self._path):
            with told(self._what) as at:
                at.path = self._path
                os.fsync(self._handle)

    def close(self) -> None:
        """Let go of it; a second time does nothing."""
        if self._handle >= 0 and self._failed and os.fstat(self._handle).st_size == 0:
            self.drop()
        handle, self._handle = self._handle, -1
        if handle >= 0:
            os.close(handle)

    def drop(self) -> None:
        """Let go of it, and take it away if this run has made it: what is in it is of no use to anybody."""
        handle, self._handle = self._handle, -1
        if handle < 0:
            return
        if self._is_new:
            with contextlib.suppress(OSError):
                if os.path.samestat(os.lstat(self._place), os.fstat(handle)):
                    Path(self._place).unlink()
        os.close(handle)

    def __enter__(self) -> GrowingFile:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()
