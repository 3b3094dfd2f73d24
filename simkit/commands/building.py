"""A build command of the user's, run when sources change: for `simkit run --watch --build COMMAND`.

The command comes from the command line and never from a file. It runs beside the machine, which goes on; what it writes
is loaded as other changed files are. Sources count as changed when what is in them is another than at the last build:
a build that writes sources itself (from C, say) ends so.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import signal
import subprocess
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from simkit.contract.errors import SimkitError
from simkit.files.bounded import is_file, read_bounded

if TYPE_CHECKING:
    from simkit.machine.machine import Machine

MAX_SOURCE_BYTES = 16_000_000
MAX_SOURCES = 2_000
KEPT_BYTES = 65_536
"""Of a build's output, its end."""
SHOWN_LINES = 20
"""Lines of a failed build's output that are told."""

_Stamps = dict[Path, tuple[int, int, str]]
"""By path: time of the last change, size, hash of the content."""


class BuildError(SimkitError):
    """A build failed; its lines are the end of what it printed."""


class Build:
    """Runs a command when one of some files changes.

    Used as a context it ends what is under way when it is left.

    Args:
        command: as a shell takes it.
        patterns: find sources besides those that the machine's line tables name.
    """

    def __init__(self, command: str, patterns: Sequence[str] = ()) -> None:
        self._command = command
        self._patterns = patterns
        self._named: tuple[Path, ...] = ()
        self._built_from: _Stamps = {}
        self._seen: _Stamps = {}
        self._process: subprocess.Popen[bytes] | None = None
        self._reader: threading.Thread | None = None
        self._output = bytearray()

    def __enter__(self) -> Build:
        return self

    def __exit__(self, *failure: object) -> None:
        self.end()

    def is_of(self, machine: Machine) -> None:
        """Take the sources that a machine's line tables name, besides those that were found before.

        Raises:
            SimkitError: there are none, so that nothing would ever be built.
        """
        self._named = tuple(dict.fromkeys([*self._named, *machine.source_lines.files]))
        if not self._files():
            raise SimkitError(
                "--build: neither a line table of the machine nor --sources names a source that is there.",
                remedy="Add --sources 'src/*.s', say.",
            )
        if not self._built_from:
            self._built_from = self._seen = self._stamps()

    @property
    def running(self) -> bool:
        """Whether the command is under way."""
        return self._process is not None

    def run_now(self) -> None:
        """Run the command and wait for its end.

        Raises:
            BuildError: it failed.
        """
        self._begin({})
        try:
            assert self._process is not None
            self._process.wait()
        except BaseException:
            self.end()
            raise
        self._finish()

    def look(self) -> bool:
        """Begin, or see whether it has ended; call now and then. Gives whether the command is under way.

        Raises:
            BuildError: it has failed.
        """
        if self._process is not None:
            if self._process.poll() is None:
                return True
            self._finish()
            return False
        now = self._stamps()
        still, self._seen = now == self._seen, now
        changed = {path: stamp[2] for path, stamp in now.items()} != {
            path: stamp[2] for path, stamp in self._built_from.items()
        }
        if changed and still:
            self._begin(now)
        return self.running

    def end(self) -> None:
        """End the command, with all that it has started, if it is under way."""
        process, self._process = self._process, None
        if process is None or process.poll() is not None:
            return
        with contextlib.suppress(OSError):
            if hasattr(os, "killpg"):
                os.killpg(process.pid, signal.SIGTERM)
            else:
                process.terminate()
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(timeout=2)

    def _begin(self, stamps: _Stamps) -> None:
        self._built_from = stamps
        self._output.clear()
        try:
            self._process = subprocess.Popen(
                self._command,
                shell=True,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                start_new_session=os.name == "posix",  # so that it can be ended with all that it starts
            )
        except (OSError, ValueError) as error:
            raise BuildError(f"The build cannot be started: {error}.", remedy="Correct --build.") from error
        self._reader = threading.Thread(target=self._read, args=(self._process,), daemon=True)
        self._reader.start()

    def _read(self, process: subprocess.Popen[bytes]) -> None:
        assert process.stdout is not None
        with contextlib.suppress(OSError, ValueError), process.stdout as pipe:
            while piece := pipe.read1(KEPT_BYTES):  # type: ignore[attr-defined] # a buffered reader
                self._output += piece
                del self._output[:-KEPT_BYTES]

    def _finish(self) -> None:
        process, self._process = self._process, None
        assert process is not None
        assert self._reader is not None
        self._reader.join(timeout=1)  # what it started in the background may hold the pipe open
        if process.returncode:
            lines = self._output.decode("utf-8", "replace").splitlines()
            how = f"exit code {process.returncode}" if process.returncode > 0 else f"signal {-process.returncode}"
            raise BuildError(
                f"The build failed ({how}).",
                lines=[line.rstrip() for line in lines if line.strip()][-SHOWN_LINES:],
                remedy="Mend the sources: they are built again when they change.",
            )

    def _stamps(self) -> _Stamps:
        found: _Stamps = {}
        for path in self._files()[:MAX_SOURCES]:
            with contextlib.suppress(OSError, SimkitError, ValueError):
                status = path.stat()
                before = self._seen.get(path) or self._built_from.get(path)
                if before is not None and before[:2] == (status.st_mtime_ns, status.st_size):
                    found[path] = before
                elif is_file(path):
                    content = hashlib.sha256(read_bounded(path, MAX_SOURCE_BYTES, "source")).hexdigest()
                    found[path] = status.st_mtime_ns, status.st_size, content
        return found

    def _files(self) -> list[Path]:
        found = dict.fromkeys(self._named)
        for pattern in self._patterns:
            path = Path(pattern)
            try:
                root = Path(path.anchor) if path.anchor else Path()
                found.update(dict.fromkeys(one for one in root.glob(str(path.relative_to(root))) if is_file(one)))
            except (ValueError, NotImplementedError, OSError) as error:
                message = f"--sources {pattern!r} is not a pattern."
                raise SimkitError(message, remedy="Write e.g. --sources 'src/*.s'.") from error
        return list(found)
