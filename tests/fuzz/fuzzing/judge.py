"""Runs an input in this process, with eyes on its time, its memory and what it does to files."""

from __future__ import annotations

import contextlib
import ctypes
import errno
import io
import json
import os
import shutil
import signal
import sys
import tempfile
import threading
import time
import traceback
from collections.abc import Iterator
from pathlib import Path
from types import FrameType
from typing import Any

from fuzzing import corpus
from fuzzing.calls import CALLS, without_display
from fuzzing.faults import (
    MOST_BYTES,
    Fault,
    Outcome,
    allowed_seconds,
    changes,
    contradictions,
    name_of,
    of_exception,
    place_of,
    words,
)
from fuzzing.sample import Sample
from fuzzing.sandbox import contents, environment, limit_memory, make_sandbox, peak_begins, peak_bytes

GIVE_UP = 3
"""So many times of the processor time that an input may take, and it is broken off."""
PYTHONS_OWN = "pymp-"
"""Beginning of a temporary folder of Python's processes, which goes when the process does that started them."""
STANDSTILL_SECONDS = 20.0
"""Time by the clock after which it is broken off: it waits for something."""


class Hung(BaseException):
    """Raised where an input takes too long."""


class Judge:
    """Runs inputs in this process, in a sandbox of its own.

    Args:
        sandbox: an empty folder.
    """

    def __init__(self, sandbox: Path) -> None:
        self.work = make_sandbox(sandbox)
        self._cache_parent = os.path.realpath(sandbox / "home" / ".cache")
        self._cache = os.path.join(self._cache_parent, "backplane-simkit")  # noqa: PTH118 - compared as text
        os.environ |= environment(sandbox)
        self._temporary = os.path.realpath(sandbox / "temporary")
        tempfile.tempdir = self._temporary  # as it would be found in the environment by a process that begins
        self._others = os.path.realpath(sandbox)
        self._reads_all = True
        without_display()
        os.chdir(self.work)
        limit_memory()
        self._watching = False
        self._touched: list[tuple[str, str]] = []
        self._stuck: str | None = None
        self._give_up_seconds = 0.0
        corpus.state_machine()  # the core is compiled before anybody looks
        sys.addaudithook(self._audit)
        if hasattr(signal, "setitimer"):
            signal.signal(signal.SIGPROF, self._break_off)
            signal.signal(signal.SIGALRM, self._break_off)

    def try_sample(self, sample: Sample) -> Outcome:
        """Run one input and look at what came of it."""
        sample.lay_out(self.work)
        before = contents(self.work)
        outcome = self._run(sample)
        if self._stuck is not None:
            told = f"{outcome.seconds:.1f} s of processor time and more"
            outcome.faults = [Fault("hang", self._stuck, told), *self._writes_outside(sample)]
            return outcome  # broken off where it stood, what it prints means nothing
        if outcome.seconds > allowed_seconds(sample):
            outcome.faults.append(Fault("hang", name_of(sample), f"{outcome.seconds:.1f} s of processor time"))
        if outcome.peak_bytes > MOST_BYTES:
            outcome.faults.append(Fault("memory", name_of(sample), f"{outcome.peak_bytes // 1_000_000} MB"))
        outcome.faults += self._writes_outside(sample)
        left = [name for name in os.listdir(self._temporary) if not name.startswith(PYTHONS_OWN)]  # noqa: PTH208 - names
        if left:
            outcome.faults.append(Fault("left over", f"{name_of(sample)} left temporary files", ", ".join(left[:9])))
            shutil.rmtree(self._temporary)
            Path(self._temporary).mkdir()
        if sample.call == "command" and not self._touched:  # or it would be of what was not let happen
            outcome.faults += contradictions(sample, outcome)
            outcome.faults += changes(sample, outcome, before, contents(self.work))
        outcome.faults += words(sample, outcome)
        return outcome

    def _run(self, sample: Sample) -> Outcome:
        from simkit.commands.exits import code_of
        from simkit.contract.errors import SimkitError

        outcome = Outcome()
        out, err = io.StringIO(), io.StringIO()
        self._touched.clear()
        self._stuck = None
        self._reads_all = sample.call != "kit"
        self._give_up_seconds = GIVE_UP * allowed_seconds(sample)
        peak_begins()
        begun = time.process_time()
        try:
            with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err), self._limits():
                CALLS[sample.call](sample)
        except SimkitError as error:
            outcome.code = code_of(error)
            err.write(f"{error}\n")
            json.dumps(error.as_dict())
        except SystemExit as ended:
            outcome.code = ended.code if isinstance(ended.code, int) else -1
            if sample.call != "command":
                outcome.faults.append(of_exception(ended))
        except Hung:
            pass
        except BaseException as error:  # noqa: BLE001 - whatever it is, it should have been a SimkitError
            outcome.faults.append(of_exception(error))
        outcome.seconds = time.process_time() - begun
        outcome.peak_bytes = peak_bytes()
        outcome.out, outcome.err = out.getvalue(), err.getvalue()
        return outcome

    # time -------------------------------------------------------------------------------------------------------------

    @contextlib.contextmanager
    def _limits(self) -> Iterator[None]:
        self._watching = True
        timers = hasattr(signal, "setitimer")
        if timers:
            signal.setitimer(signal.ITIMER_PROF, self._give_up_seconds, 1.0)
            signal.setitimer(signal.ITIMER_REAL, STANDSTILL_SECONDS, 1.0)
        else:
            threading.Thread(target=self._watch_over, args=(threading.get_ident(),), daemon=True).start()
        try:
            yield
        finally:
            self._watching = False
            if timers:
                signal.setitimer(signal.ITIMER_PROF, 0)
                signal.setitimer(signal.ITIMER_REAL, 0)

    def _break_off(self, number: int, frame: FrameType | None) -> None:
        if self._watching:
            self._stuck = self._stuck or place_of(traceback.extract_stack(frame))
            raise Hung

    def _watch_over(self, thread: int) -> None:
        """Where there are no timer signals: raise it from another thread, which nothing that waits is broken off by."""
        until, standstill = time.process_time() + self._give_up_seconds, time.monotonic() + STANDSTILL_SECONDS
        while self._watching:
            time.sleep(0.05)
            if time.process_time() > until or time.monotonic() > standstill:
                self._stuck = self._stuck or place_of(traceback.extract_stack(sys._current_frames()[thread]))
                ctypes.pythonapi.PyThreadState_SetAsyncExc(ctypes.c_ulong(thread), ctypes.py_object(Hung))
                return

    # files ------------------------------------------------------------------------------------------------------------

    def _audit(self, event: str, arguments: tuple[Any, ...]) -> None:
        if not self._watching:
            return
        if event == "open":
            path, _, flags = arguments
            if isinstance(path, str | bytes) and isinstance(flags, int):
                if flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT):
                    self._touch(event, path)
                elif not self._reads_all:
                    self._look_at(path)
        elif event in (
            "os.remove",
            "os.mkdir",
            "os.rmdir",
            "os.truncate",
            "os.chmod",
            "os.chown",
            "os.utime",
            "os.mkfifo",
        ):
            self._touch(event, arguments[0])
        elif event in ("os.rename", "os.link", "os.symlink"):
            self._touch(event, arguments[0])
            self._touch(event, arguments[1])
        elif event in (
            "subprocess.Popen",
            "os.system",
            "os.exec",
            "os.posix_spawn",
            "os.fork",
            "socket.connect",
            "socket.sendto",
            "socket.getaddrinfo",
            "urllib.Request",
        ):
            self._touched.append((event, ""))

    def _look_at(self, path: str | bytes) -> None:
        """A file is about to be read by what may read nothing of others: in the working folder it may, and of its own.

        Raises:
            PermissionError: it is somebody else's.
        """
        real = os.path.realpath(os.fsdecode(path))
        own = (os.path.realpath(self.work), self._cache, self._temporary)
        others = real.startswith((self._others + os.sep, "/etc/", "/dev/zero"))
        if others and not real.startswith(tuple(f"{folder}{os.sep}" for folder in own)):
            self._touched.append(("read", real))
            raise PermissionError(errno.EACCES, "this is somebody else's", real)

    def _touch(self, event: str, path: Any) -> None:
        """A file is about to be made, changed or taken away: outside of the sandbox that is noted, and not done.

        Raises:
            PermissionError: it lies outside.
        """
        if isinstance(path, int):
            return
        real = os.path.realpath(os.fsdecode(path))
        inside = os.path.realpath(self.work)
        is_device = real.startswith("/dev/") and not real.startswith("/dev/shm/")  # where files lie in memory
        allowed = (inside + os.sep, self._cache, self._temporary + os.sep)
        if is_device or real in (inside, self._cache_parent) or real.startswith(allowed):
            return
        self._touched.append((event, real))
        raise PermissionError(errno.EACCES, "this lies outside of the sandbox", real)

    def _writes_outside(self, sample: Sample) -> list[Fault]:
        """What was touched, or read, but for folders that the input itself names from the root: it asked for that."""
        words = [part for word in sample.argv for part in (word, word.partition("=")[2])]
        asked = {os.path.realpath(Path(word).parent) for word in words if word.startswith("/") and "\0" not in word}
        return [
            Fault("outside", event, f"{event} {real}".rstrip())
            for event, real in self._touched
            if not real or os.path.dirname(real) not in asked  # noqa: PTH120 - compared as text
        ]
