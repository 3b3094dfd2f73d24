"""Calls of cards that do not come back: a thread notices them, names slot, method and stack, and ends them.

Nothing is done in a call for that: the thread looks, twice a second, which guarded calls are under way, by the frames
of all threads. One that is under way in look after look gets `CallOverdue` raised in it, which becomes a `CardError` as
whatever else comes out of a card. While a debugger sits in the call it does not count.

What cannot be interrupted: a call that catches everything and goes on, and one that waits in the system or computes in
a library's code. A front may have the process end then (`ends`). Where the interpreter itself is held (one endless
calculation on one number) this thread does not run either, and in a browser there are no threads.
"""

from __future__ import annotations

import ctypes
import os
import sys
from functools import cache
from threading import Event, Thread, get_ident
from types import FrameType

from simkit.backplane.blame import CallOverdue, is_strangers, stack_lines

SWITCH = "SIMKIT_CALL_SECONDS"
"""Variable of the environment: seconds after which a call is overdue; 0: never."""
SECONDS = 10.0
LOOKS = 20
"""Looks in that time: what counts is how often it was seen, so that a computer that was asleep is no reason."""
GRACE_LOOKS = 6
"""Looks after which a call that was interrupted and goes on counts as one that cannot be."""
STANDARD_ERROR = 2
ENDED = 3
"""Exit code of a process that ends so: a card failed."""

GUARDED = frozenset(
    {
        ("simkit.backplane.guard", "Guard.call"),
        ("simkit.backplane.guard", "Guard.ask"),
        ("simkit.backplane.guard", "Guard.wait_cycles"),
        ("simkit.backplane.guard", "call_unplugged"),
        ("simkit.backplane.accesses", "Accesses._read_cards"),
        ("simkit.backplane.accesses", "Accesses._write_cards"),
        ("simkit.backplane.accesses", "Accesses.write_late"),
        ("simkit.backplane.guard", "Guard.level"),
        ("simkit.backplane.agenda", "Agenda.begin"),
        ("simkit.backplane.bus", "Bus.settle"),
    }
)
"""Module and name of the functions that call cards and tell what comes out of them."""

_NAMED_AFTER = {"wait_cycles": "wait_cycles", "level": "a lazy_level", "write_late": "write_late"}
"""What they call, of those that call one thing alone."""

DEBUGGERS = frozenset({"bdb", "pdb", "cmd", "code", "IPython", "pydevd", "_pydevd_bundle", "debugpy"})


@cache
def overdue_watch() -> OverdueWatch:
    """The watch of this process."""
    return OverdueWatch()


class OverdueWatch:
    """Looks after all calls of cards in a process.

    Attributes:
        seconds: after which a call is overdue; 0: never.
        ends: file descriptor to which the last words go when a call that cannot be interrupted has the process end;
            None: the process goes on, and a warning on standard error is all.
    """

    def __init__(self) -> None:
        self.seconds = _seconds()
        self.ends: int | None = None
        self._thread: Thread | None = None
        self._stop = Event()

    def begin(self) -> None:
        """Have calls watched from now on, if they are not yet."""
        if self._thread is not None and self._thread.is_alive():
            return
        thread = Thread(target=self._run, name="simkit: calls of cards", daemon=True)
        try:
            thread.start()
        except RuntimeError:  # no threads here, or the process is about to end
            return
        self._thread = thread

    def _run(self) -> None:
        seen: dict[FrameType, int] = {}  # guarded calls under way, and in how many looks they were
        own = get_ident()
        while not self._stop.wait(max(self.seconds, 0.1) / LOOKS):
            now: dict[FrameType, int] = {}
            if self.seconds:
                for thread, top in sys._current_frames().items():
                    if thread != own:
                        self._look(thread, top, seen, now)
            seen = now

    def _look(self, thread: int, top: FrameType, seen: dict[FrameType, int], now: dict[FrameType, int]) -> None:
        """Count the guarded calls that are under way in a thread, and do something about the innermost overdue one."""
        overdue: FrameType | None = None
        frame: FrameType | None = top
        debugged = False
        while frame is not None:
            debugged = debugged or _is_debugged(frame)
            if (frame.f_globals.get("__name__"), frame.f_code.co_qualname) in GUARDED:
                looks = now[frame] = seen.get(frame, 0) + (not debugged)
                if looks >= LOOKS and overdue is None and not debugged:
                    overdue = frame
            frame = frame.f_back
        if overdue is None:
            return
        if now[overdue] >= LOOKS + GRACE_LOOKS:
            self._give_up(overdue, top, first=now[overdue] == LOOKS + GRACE_LOOKS)
        # What can be raised in another thread is a class.
        reason = type(CallOverdue.__name__, (CallOverdue,), {"seconds": self.seconds, "call": overdue})
        interrupt, arguments = (
            ctypes.pythonapi.PyThreadState_SetAsyncExc,
            (ctypes.c_ulong(thread), ctypes.py_object(reason)),
        )
        try:
            overdue.clear()
        except RuntimeError:  # it is being executed still; and no other thread gets its turn between this and the next
            interrupt(*arguments)

    def _give_up(self, call: FrameType, top: FrameType, *, first: bool) -> None:
        """A call could not be interrupted."""
        if not first and self.ends is None:
            return
        end = "The process ends here." if self.ends is not None else "The program goes on when it comes back."
        text = (
            f"{_words(call)} did not come back within {self.seconds:g} s, and cannot be interrupted:\n"
            f"{stack_lines(_calls(call, top))}\nMend the card; {SWITCH} gives it more seconds. {end}\n"
        )
        os.write(STANDARD_ERROR if self.ends is None else self.ends, text.encode(errors="replace"))
        if self.ends is not None:
            os._exit(ENDED)


def _seconds() -> float:
    try:
        seconds = float(os.environ.get(SWITCH, SECONDS))
    except ValueError:
        return SECONDS
    return seconds if 0 <= seconds < 1e6 else SECONDS


def _is_debugged(frame: FrameType) -> bool:
    module = str(frame.f_globals.get("__name__", ""))
    return frame.f_trace is not None or module.partition(".")[0] in DEBUGGERS


def _words(call: FrameType) -> str:
    """Which call a guarded function makes, to begin a sentence."""
    found = call.f_locals
    if "who" in found:
        return f"{found['who']}: {found['doing']}" if found["who"] else str(found["doing"])
    seat, method = found.get("seat"), found.get("method") or _NAMED_AFTER.get(call.f_code.co_name, "write")
    pin = found["nets"].notifying if "nets" in found else None
    if pin is not None:
        return f"slot {pin.slot}: pin_changed in cycle {found['cycle']}"
    who = "a card" if seat is None else seat.name
    return f"{who}: {method} in cycle {found['cycle']}" if "cycle" in found else f"{who}: {method}"


def _calls(call: FrameType, top: FrameType) -> list[tuple[str, int, str]]:
    """File, line and function of the calls in strangers' code, from a guarded one to the innermost."""
    calls: list[tuple[str, int, str]] = []
    frame: FrameType | None = top
    while frame is not None and frame is not call:
        if is_strangers(frame.f_code.co_filename):
            calls.append((frame.f_code.co_filename, frame.f_lineno, frame.f_code.co_name))
        frame = frame.f_back
    return calls[::-1]
