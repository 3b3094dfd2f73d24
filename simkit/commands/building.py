"""A build command of the user's, run when sources change: for `simkit run --watch --build COMMAND`.

The command comes from the command line and never from a file. It runs beside the machine, which goes on; what it writes
is loaded as other changed files are. It runs in the folder in which the kit was called, by the system's shell.

Sources count as changed when what is in them is another than at the last build: a build that writes sources itself
(from C, say) ends so. One that a build makes another each time (with the time of day in it) is left out, with a word.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import signal
import subprocess
import threading
import time
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
SHOWN_CHARACTERS = 500
"""Of each."""
SECONDS_BEFORE_TOLD = 30
"""A build that takes longer is told once: it may wait for something."""
SECONDS_TO_END = 2
"""What a build is given to end by itself when it is to end."""
SECONDS_FOR_THE_REST = 0.2
"""What it has started and not waited for is given, then."""
SECONDS_TO_LOOK = 0.2
"""Most that looking for sources may take: it is done twice a second, beside the machine."""
BUILDS_BEFORE_LEFT_OUT = 3
"""Builds, one behind the other, in which a source has become another while they ran."""

_Stamps = dict[Path, tuple[int, int, str]]
"""By path: time of the last change, size, hash of the content."""
_NONE = (0, 0, None)


class BuildError(SimkitError):
    """A build failed; its lines are the end of what it printed."""


class Build:
    """Runs a command when one of some files changes.

    Used as a context it ends what is under way when it is left.

    Args:
        command: as a shell takes it.
        patterns: find sources besides those that the machine's line tables name.

    Attributes:
        failed: whether the last one that has ended failed.

    Raises:
        SimkitError: there is no command.
    """

    def __init__(self, command: str, patterns: Sequence[str] = ()) -> None:
        if not command.strip():
            raise SimkitError("--build says no command.", remedy="Write e.g. --build make, or leave it out.")
        self._command = command
        self._patterns = patterns
        self._named: tuple[Path, ...] = ()
        self._built_from: _Stamps = {}
        self._seen: _Stamps = {}
        self._process: subprocess.Popen[bytes] | None = None
        self._reader: threading.Thread | None = None
        self._output = bytearray()
        self._begun = False  # whether it is known what the sources are
        self._first_ns = 0  # when the first build began
        self._began = 0.0
        self._told_late = False
        self.failed = False
        self._changed_in: dict[Path, int] = {}  # builds, one behind the other, in which a source became another
        self._left_out: set[Path] = set()

    def __enter__(self) -> Build:
        return self

    def __exit__(self, *failure: object) -> None:
        self.end()

    def is_of(self, machine: Machine) -> None:
        """Take the sources that a machine's line tables name, besides those that were found before.

        Raises:
            SimkitError: there are none, so that nothing would ever be built.
        """
        before, self._named = self._named, tuple(dict.fromkeys([*self._named, *machine.source_lines.files]))
        if self._begun:
            stamps = self._stamps()
            self._built_from.update({path: stamps[path] for path in self._named if path in stamps.keys() - before})
            return
        found = self._files()
        if not found:
            raise SimkitError(
                "--build: neither a line table of the machine nor --sources names a source that is there.",
                remedy="Add --sources 'src/*.s', say.",
            )
        self._refuse_too_much(found)
        self._begun = True
        self._seen = self._stamps()
        # What was saved while the first build ran counts as changed.
        self._built_from = {
            path: stamp if stamp[0] < self._first_ns else (0, 0, "") for path, stamp in self._seen.items()
        }

    def _refuse_too_much(self, found: Sequence[Path]) -> None:
        remedy = "Name fewer with --sources, e.g. 'src/*.s'."
        if len(found) > MAX_SOURCES:
            raise SimkitError(f"--build: there are {len(found)} sources; {MAX_SOURCES} are the most.", remedy=remedy)
        begun = time.monotonic()
        self._files()  # once more: the first look reads the folders from the disk
        taken = time.monotonic() - begun
        if taken > SECONDS_TO_LOOK:
            message = f"--sources: looking through the folders takes {taken:.1f} s, and is to be done twice a second."
            raise SimkitError(message, remedy=remedy)

    @property
    def running(self) -> bool:
        """Whether the command is under way."""
        return self._process is not None

    def run_now(self) -> None:
        """Run the command and wait for its end.

        Raises:
            BuildError: it failed.
        """
        self._first_ns = time.time_ns()
        self._begin({})
        try:
            assert self._process is not None
            self._process.wait()
        except BaseException:
            self.end()
            raise
        self._finish("Mend the sources and run it again.")

    def look(self) -> bool:
        """Begin, or see whether it has ended; call now and then. Gives whether the command is under way.

        Raises:
            BuildError: it has failed, takes long, or changes its own sources each time; told once.
        """
        if self._process is not None:
            if self._process.poll() is None:
                self._tell_late()
                return True
            try:
                self._finish("Nothing of it is loaded. Mend the sources: they are built again when they change.")
            finally:
                self._leave_out()
            return False
        now = self._stamps()
        still, self._seen = now == self._seen, now
        if still and self._changed(now):
            self._begin(now)
        return self.running

    def _changed(self, now: _Stamps) -> list[Path]:
        """Sources that have come, gone or become others since the last build began."""
        then = self._built_from
        either = dict.fromkeys([*then, *now])
        return [path for path in either if then.get(path, _NONE)[2] != now.get(path, _NONE)[2]]

    def _tell_late(self) -> None:
        if not self._told_late and time.monotonic() - self._began > SECONDS_BEFORE_TOLD:
            self._told_late = True
            raise BuildError(
                f"The build has been running for {SECONDS_BEFORE_TOLD} s.",
                lines=self._last_lines(),
                remedy="Nothing is loaded until it ends. If it waits for something, close the window and mend it.",
            )

    def _leave_out(self) -> None:
        """Leave out the sources that builds make others each time: they would be built for ever."""
        changed = self._changed(self._stamps())
        self._changed_in = {path: self._changed_in.get(path, 0) + 1 for path in changed}
        endless = [path for path, builds in self._changed_in.items() if builds >= BUILDS_BEFORE_LEFT_OUT]
        if not endless:
            return
        self._left_out.update(endless)
        for path in endless:
            self._built_from.pop(path, None)
        raise BuildError(
            f"Each build makes another {endless[0]}{f' and {len(endless) - 1} more' if endless[1:] else ''}.",
            remedy="It no longer counts as a source. Have the build write it when its content changes, or leave it out "
            "of --sources.",
        )

    def end(self) -> None:
        """End the command, with all that it has started, if it is under way."""
        process, self._process = self._process, None
        if process is None or process.poll() is not None:
            return
        if not hasattr(os, "killpg"):
            process.kill()
            process.wait()
            return
        with contextlib.suppress(ProcessLookupError):  # none of its group is left
            os.killpg(process.pid, signal.SIGTERM)
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(timeout=SECONDS_TO_END)
            until = time.monotonic() + SECONDS_FOR_THE_REST
            while time.monotonic() < until:
                os.killpg(process.pid, 0)
                time.sleep(0.02)
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()

    def _begin(self, stamps: _Stamps) -> None:
        self._built_from = stamps
        self._began, self._told_late = time.monotonic(), False
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

    def _finish(self, remedy: str) -> None:
        process, self._process = self._process, None
        assert process is not None
        assert self._reader is not None
        self._reader.join(timeout=1)  # what it started in the background may hold the pipe open
        self.failed = process.returncode != 0
        if self.failed:
            how = f"exit code {process.returncode}" if process.returncode > 0 else f"signal {-process.returncode}"
            raise BuildError(
                f"The build failed ({how}).",
                lines=self._last_lines(),
                remedy=remedy,
            )

    def _last_lines(self) -> list[str]:
        lines = bytes(self._output).decode("utf-8", "replace").splitlines()
        return [line.rstrip()[:SHOWN_CHARACTERS] for line in lines if line.strip()][-SHOWN_LINES:]

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
            except (ValueError, IndexError, NotImplementedError, OSError) as error:  # IndexError: nothing but a root
                message = f"--sources {pattern!r} is not a pattern."
                raise SimkitError(message, remedy="Write e.g. --sources 'src/*.s'.") from error
        return [path for path in found if path not in self._left_out]
