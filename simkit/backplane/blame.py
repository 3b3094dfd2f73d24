"""What is told of what came out of a stranger's code: in words, with the place in that code, and safe to print.

An exception of a stranger's may be of a class that raises whenever it is looked at. What is told is an error of ours.
"""

from __future__ import annotations

import contextlib
import os
import traceback
from collections.abc import Callable, Sequence
from linecache import getline
from pathlib import Path
from types import FrameType, TracebackType
from typing import Any

from simkit.contract.errors import CardError, CardMisuse, SimkitError

MENDED_BY = "This is a defect of the card, not of your program: mend the card, or tell its author."
MOST_WORDS = 500
"""Characters of an exception's own text that are shown."""
FILE_MODULE = "simkit_card_file_"
"""What the names of the modules begin with that file cards become."""
STACK_SHOWN = 8
"""Calls shown of a card that does not come back."""

_KIT = str(Path(__file__).parent.parent) + os.sep
_SHIPPED = _KIT + "shipped" + os.sep  # demos in a wheel, with file cards
_PYTHON = str(Path(os.__file__).parent) + os.sep
_PACKAGES = (f"{os.sep}site-packages{os.sep}", f"{os.sep}dist-packages{os.sep}")


class CallOverdue(BaseException):
    """A call of a card does not come back; raised in it by the watch on overdue calls (`overdue.py`).

    Attributes:
        seconds: how long it was waited for.
        call: the frame of the function that made the call; None: whichever is next.
    """

    seconds: float = 0
    call: FrameType | None = None


_TOLD = "told_by_simkit"


def let_pass(error: BaseException, told: CardError) -> BaseException:
    """Let KeyboardInterrupt pass, with what is to be told of it if nobody has pressed Ctrl-C: see `cards_own`."""
    with contextlib.suppress(Exception):
        vars(error).setdefault(_TOLD, told)
    return error


def cards_own(error: BaseException) -> CardError | None:
    """What is to be told of an error that has passed the guard, or come round it, though a card's code raised it.

    A card may raise KeyboardInterrupt where nobody has pressed Ctrl-C, and what it has put in the place of the kit's or
    Python's own functions is called while no card is; of that only what comes from a file card's code is known as such.
    None: it is not a card's.
    """
    told = vars(error).get(_TOLD)
    if type(told) is CardError:
        return told
    places = [
        (frame.f_code.co_filename, line)
        for frame, line in traceback.walk_tb(_trace(error))
        if str(frame.f_globals.get("__name__")).startswith(FILE_MODULE)
    ]
    if not places:
        return None
    found = failure(error, "A card", "its code, which nobody had called,")
    found.file, found.line = places[-1]
    return found


def is_kind(error: BaseException, *kinds: type[BaseException]) -> bool:
    """As isinstance, which asks the object itself for its class."""
    return issubclass(type(error), kinds)


def failure(
    error: BaseException, who: str, doing: str, *, slot: int | None = None, called: Callable[[], Any] | None = None
) -> CardError:
    """The error to tell of what came out of a stranger's code.

    Args:
        error: what came out.
        who: whose code it is, to begin the sentence; "" where the place of the message says so.
        doing: what was called, and when.
        slot: of the card, if it is plugged in.
        called: gives the function that was called; where it begins is the place of what it gave.
    """
    try:
        return _failure(error, who, doing, slot, called)
    except BaseException as again:
        if is_kind(again, KeyboardInterrupt) and place(again)[0] is None:
            raise  # Ctrl-C
        odd = RuntimeError(f"{type(error).__name__}, which raises {type(again).__name__} when it is looked at")
        return _failure(odd.with_traceback(_trace(error)), who, doing, slot, called)


def _failure(
    error: BaseException, who: str, doing: str, slot: int | None, called: Callable[[], Any] | None
) -> CardError:
    file, line = place(error)
    if file is None and called is not None:
        file, line = _definition(called)
    remedy, lines = MENDED_BY, list[str]()
    # isinstance asks an odd object for its class, which may raise: the caller tells that.
    if isinstance(error, CardMisuse):
        text, remedy = error.did, f"{error.remedy} {MENDED_BY}"
    elif isinstance(error, CallOverdue):
        text = f"did not come back within {error.seconds:g} s:"
        lines = _stack(_trace(error)).split("\n")
    else:
        text = f"raised {type(error).__name__}{_words(error)}"
        if isinstance(error, SyntaxError) and type(error.filename) is str and type(error.lineno) is int:
            file, line = error.filename, error.lineno
        if isinstance(error, SimkitError) and error.remedy:
            remedy = f"{error.remedy} {MENDED_BY}"
    end = "" if text.endswith(".") or isinstance(error, CallOverdue) else "."
    told = CardError(
        f"{who}: {doing} {text}{end}" if who else f"{doing} {text}{end}",
        file=file,
        line=line,
        slot=slot,
        remedy=remedy,
        lines=lines,
    )
    told.__cause__ = _showable(error)
    return told


def _showable(error: BaseException) -> BaseException:
    """The exception, or one in its place that whoever prints it can print."""
    words = _words(error)
    if not words.startswith(_NO_TEXT) and not _is_odd(error):
        return error
    return RuntimeError(f"{type(error).__name__}{words}").with_traceback(_trace(error))


_TAKEN_FOR_GRANTED = [
    "__class__",
    "__traceback__",
    "__cause__",
    "__context__",
    "__suppress_context__",
    "__notes__",
    "__getattribute__",
]


def _is_odd(error: BaseException) -> bool:
    """Whether an exception cannot be printed as others are, or its class changes what each exception has."""
    for kind in type(error).__mro__:
        if kind is BaseException:
            break
        if kind.__module__ != "builtins" and any(name in vars(kind) for name in _TAKEN_FOR_GRANTED):
            return True
    if _goes_round(error):
        return True
    try:
        traceback.format_exception_only(error)
    except BaseException as again:
        if is_kind(again, KeyboardInterrupt) and place(again)[0] is None:
            raise  # Ctrl-C
        return True
    return False


def _goes_round(error: BaseException) -> bool:
    """Whether an exception is made a cause of itself: some who print it would never end."""
    seen = set[int]()
    found: BaseException | None = error
    while found is not None and type(found) is not CardError:  # raised again it comes behind what was told of it
        if id(found) in seen:
            return True
        seen.add(id(found))
        found = found.__cause__ or found.__context__
    return False


def _trace(error: BaseException) -> TracebackType | None:
    """Its traceback, whatever its class says of it."""
    found: TracebackType | None = vars(BaseException)["__traceback__"].__get__(error)
    return found


_NO_TEXT = ", whose text raises "


def _words(error: BaseException) -> str:
    """The text of an exception, behind a colon; a stranger's may raise once more."""
    try:
        text = str(error)
    except BaseException as again:
        if is_kind(again, KeyboardInterrupt) and place(again)[0] is None:
            raise  # Ctrl-C
        return f"{_NO_TEXT}{type(again).__name__}"
    if len(text) > MOST_WORDS:
        text = f"{text[:MOST_WORDS]}…"
    return f": {text}" if text else ""


def place(error: BaseException | None) -> tuple[str | None, int | None]:
    """File and line at which a stranger's code raised: in its own code, not in a library that it calls."""
    trace = None if error is None else _trace(error)
    frames = [(frame.f_code.co_filename, line) for frame, line in traceback.walk_tb(trace)]
    own = [(file, line) for file, line in frames if is_strangers(file)]
    if not own:
        return None, None
    folder = str(Path(own[0][0]).parent) + os.sep
    installed = _is_installed(own[0][0])
    return [entry for entry in own if entry[0].startswith(folder) and _is_installed(entry[0]) == installed][-1]


def _definition(called: Callable[[], Any]) -> tuple[str | None, int | None]:
    """File and line of a stranger's function."""
    try:
        code = called().__code__
        return (code.co_filename, code.co_firstlineno) if is_strangers(code.co_filename) else (None, None)
    except KeyboardInterrupt:
        raise
    except BaseException:  # noqa: BLE001 - there is none, or its class does not let us look
        return None, None


def _is_installed(file: str) -> bool:
    return any(part in file for part in _PACKAGES)


def is_strangers(file: str) -> bool:
    """Whether code of that file is neither the kit's nor Python's own."""
    if file.startswith("<"):
        return False
    if file.startswith(_KIT):
        return file.startswith(_SHIPPED)
    return not file.startswith(_PYTHON) or _is_installed(file)


def _stack(trace: TracebackType | None) -> str:
    frames = [(frame.f_code.co_filename, line, frame.f_code.co_name) for frame, line in traceback.walk_tb(trace)]
    return stack_lines([entry for entry in frames if is_strangers(entry[0])])


def stack_lines(calls: Sequence[tuple[str, int, str]]) -> str:
    """Calls (file, line, function), the innermost last, a line each; of many those at the end."""
    shown = [f"  {file}:{line}, in {name}: {getline(file, line).strip()}" for file, line, name in calls[-STACK_SHOWN:]]
    if len(calls) > STACK_SHOWN:
        shown.insert(0, f"  … {len(calls) - STACK_SHOWN} calls before …")
    return "\n".join(shown)
