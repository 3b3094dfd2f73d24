"""Ctrl-C from the first line of our code to the last: it ends the command with its exit code, never with a traceback.

What happens before Python comes to our code (it reads its own library, `site`, the script `simkit`) is out of reach.
"""

from __future__ import annotations

import os
import signal
import sys
import time

from simkit.commands import exits

TYPE_CHECKING = False  # as type checkers know it; `typing` would be one import more before Ctrl-C is looked after
if TYPE_CHECKING:
    from collections.abc import Callable
    from types import FrameType, TracebackType

LOST_SECONDS = 0.02
"""How long after one that went lost Ctrl-C comes again."""

SAYING_SECONDS = 0.5
"""How long the word that Ctrl-C ended the command may take before a further Ctrl-C ends it without."""


class CtrlC:
    """What Ctrl-C does, by how far the command has come.

    While packages are imported, and while the result is handed over, it ends the process at once: an import that is
    broken off may say anything, and nothing has been begun. In between it is KeyboardInterrupt, so that what was begun
    is brought to its end. A further one while the word about the first is said would cut it in two, and does nothing,
    unless nobody takes the word. When all is handed over it does nothing any more.

    Attributes:
        pressed: whether KeyboardInterrupt was raised. It may come out as another exception: an import that fails.
    """

    def __init__(self) -> None:
        self.pressed = False
        self._at_once = True
        self._watching = False
        self._told = False
        self._saying: float | None = None  # since when

    def watch(self) -> None:
        """Look after Ctrl-C from now on; not where the process was started with Ctrl-C switched off."""
        if signal.getsignal(signal.SIGINT) is not signal.default_int_handler:
            return
        try:
            signal.signal(signal.SIGINT, self._press)
        except ValueError:  # not the main thread, which alone is told
            return
        self._watching = True
        sys.excepthook = self._uncaught
        sys.unraisablehook = self._lost

    def begin(self) -> None:
        """Something begins that must be ended."""
        self._at_once = False

    def end(self) -> None:
        """It has ended; what is left is to hand the result over."""
        self._at_once = True

    def tell(self, say: Callable[[str], None]) -> None:
        """Say, once, that Ctrl-C ended the command."""
        if not self._told:
            self._saying = time.monotonic()
            self._told = True
            say("\nStopped.")
            self._saying = None

    def over(self) -> None:
        """All is handed over: the few milliseconds that Python needs to end are not disturbed."""
        if self._watching:
            signal.signal(signal.SIGINT, signal.SIG_IGN)

    def _press(self, number: int, frame: FrameType | None) -> None:
        if self._saying is not None and time.monotonic() - self._saying < SAYING_SECONDS:
            return
        if self._at_once:
            self._leave()
        self.pressed = True
        raise KeyboardInterrupt

    def _leave(self) -> None:
        if not self._told:
            try:  # noqa: SIM105 - contextlib would be one import more
                os.write(2, b"\nStopped.\n")
            except OSError:  # nobody there to be told
                pass
        os._exit(exits.INTERRUPTED)

    def _uncaught(self, kind: type[BaseException], error: BaseException, trace: TracebackType | None) -> None:
        """Ctrl-C between two lines that look after it."""
        if isinstance(error, KeyboardInterrupt):
            self._leave()
        sys.__excepthook__(kind, error, trace)

    def _lost(self, unraisable: sys.UnraisableHookArgs) -> None:
        """Ctrl-C where Python can raise nothing, as while an object is given back: it comes again a little later."""
        if not issubclass(unraisable.exc_type, KeyboardInterrupt):
            sys.__unraisablehook__(unraisable)
            return
        import threading

        again = threading.Timer(LOST_SECONDS, _press_again)
        again.daemon = True
        again.start()


def _press_again() -> None:
    import _thread
    import threading

    main = threading.main_thread().ident
    if hasattr(signal, "pthread_kill") and main is not None:
        signal.pthread_kill(main, signal.SIGINT)  # ends also what the main thread waits for
    else:
        _thread.interrupt_main()
