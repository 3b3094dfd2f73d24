"""Work that takes longer than people wait without a word: progress on the terminal, and Ctrl-C in good order."""

from __future__ import annotations

import signal
import sys
import threading
import time
from types import FrameType
from typing import Any

from simkit.contract.plain import plain

PROGRESS_AFTER_SECONDS = 1.0


class LongRun:
    """`with LongRun(name) as run:`, and `run.goes_on(part done)` between the pieces of the work.

    Ctrl-C counts there and not in the middle of a piece, so that what is told of the machine afterwards is true of it;
    a second one ends the work at once.

    Args:
        name: of the machine, or the work.
        silent: show no progress.

    Attributes:
        stopped: whether Ctrl-C has ended the work.
    """

    def __init__(self, name: str, *, silent: bool = False) -> None:
        self.stopped = False
        self._silent = silent
        self._name = name
        self._started = time.perf_counter()
        self._bar: Any = None
        self._task: Any = None
        self._before: Any = None
        self._asked = False

    def __enter__(self) -> LongRun:
        # Where the process was started with Ctrl-C switched off, it stays so.
        if threading.current_thread() is threading.main_thread() and signal.getsignal(signal.SIGINT) != signal.SIG_IGN:
            self._before = signal.signal(signal.SIGINT, self._ask)
        return self

    def __exit__(self, *error: object) -> None:
        if self._bar is not None:
            self._bar.stop()
        if self._before is not None:
            signal.signal(signal.SIGINT, self._before)

    def _ask(self, number: int, frame: FrameType | None) -> None:
        if self._asked:
            if callable(self._before):
                self._before(number, frame)
            raise KeyboardInterrupt
        self._asked = True

    def goes_on(self, part: float) -> bool:
        """Show that `part` of the work (0 to 1) is done; False when the rest is no longer wanted."""
        waited = time.perf_counter() - self._started
        if self._bar is None and not self._silent and waited > PROGRESS_AFTER_SECONDS and sys.stderr.isatty():
            from rich.console import Console
            from rich.markup import escape
            from rich.progress import Progress

            self._bar = Progress(console=Console(stderr=True), transient=True)
            self._bar.start()
            self._task = self._bar.add_task(escape(plain(self._name)), total=1.0)
        if self._bar is not None:
            self._bar.update(self._task, completed=part)
        self.stopped = self._asked
        return not self.stopped
