"""How a run is asked to end: Ctrl-C, SIGTERM, SIGHUP; it ends in good order, between two pieces of its work."""

from __future__ import annotations

import contextlib
import signal
import threading
from types import FrameType
from typing import Any

import typer

from simkit.commands import exits
from simkit.commands.say import say

SIGNALS = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)
)  # Windows has no SIGHUP


class Ending:
    """`with Ending() as ending:`, and `ending.asked()` between the pieces.

    A second signal ends the work at once, wherever it is. A signal that was ignored when the program was started, as
    `nohup` has it, stays ignored.

    Attributes:
        number: of the signal that asked for the end, or None.
    """

    def __init__(self) -> None:
        self.number: int | None = None
        self._before: dict[int, Any] = {}

    def __enter__(self) -> Ending:
        if threading.current_thread() is threading.main_thread():  # the only one that is told
            for number in SIGNALS:
                before = signal.getsignal(number)
                if before is not signal.SIG_IGN and before is not None:  # None: not set from Python
                    self._before[number] = before
                    signal.signal(number, self._ask)
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: object) -> None:
        for number, before in self._before.items():
            signal.signal(number, before)
        if kind is KeyboardInterrupt and self.number is not None:
            raise typer.Exit(self.code)

    def _ask(self, number: int, frame: FrameType | None) -> None:
        if self.number is not None:
            raise KeyboardInterrupt
        self.number = number

    def asked(self) -> bool:
        """Whether the run is to end."""
        return self.number is not None

    @property
    def code(self) -> int:
        """Exit code of a run that was asked to end."""
        return exits.BY_SIGNAL + (self.number or 0)

    def leave(self) -> None:
        """Leave with that code if the run was asked to end; Ctrl-C is told by the command line itself.

        Raises:
            typer.Exit: it was.
        """
        if self.number is None:
            return
        if self.number != signal.SIGINT:
            with contextlib.suppress(OSError, ValueError):  # the terminal may have gone, which SIGHUP says
                say("", f"Stopped by {signal.Signals(self.number).name}.", error=True, flush=True)
        raise typer.Exit(self.code)
