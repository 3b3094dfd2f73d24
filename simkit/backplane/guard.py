"""The one guarded way to call a card, which anybody may have written.

Whatever comes out of a card's code becomes a `CardError` that names slot, method, cycle and the place in that code.
Only Ctrl-C passes: SystemExit or an exception of pytest's out of a card must not end a run as if all were well, and a
SimkitError of the card's own is no word of the kit. What a card gives is checked (`answers.py`), and while it is only
asked it may not act (`simkit.contract.turn`).

Accesses, events and input are the exception in form alone: `Bus._read_cards`, `_write_cards`, `write_late` and `begin`
have the same within themselves, as a call more would cost a tenth of a register's time; so have changes of lines.
"""

from __future__ import annotations

import os
import sys
import traceback
from collections.abc import Callable, Sequence
from functools import partial
from linecache import getline
from pathlib import Path
from types import FrameType, TracebackType
from typing import TYPE_CHECKING, Any, NoReturn, TypeVar

from simkit.backplane import answers
from simkit.contract.errors import CardError, CardMisuse, SimkitError
from simkit.contract.turn import BETWEEN, Turn

if TYPE_CHECKING:
    from simkit.backplane.seat import Seat
    from simkit.contract.lines import Pin

_T = TypeVar("_T")

ASKED = "it was only asked"
MENDED_BY = "This is a defect of the card, not of your program: mend the card, or tell its author."
MOST_WORDS = 500
"""Characters of an exception's own text that are shown."""
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


class Guard:
    """Calls the cards of one backplane.

    Args:
        turn: whose turn it is.
        address: gives the address of the access under way, or None.
        alarm: called when something is owed.

    Attributes:
        owed: the last failure that no caller has seen yet: a card that was in the middle of its own call may have
            swallowed it.
    """

    def __init__(self, turn: Turn, address: Callable[[], int | None], alarm: Callable[[], None]) -> None:
        self._turn = turn
        self._address = address
        self._alarm = alarm
        self._passing: BaseException | None = None
        self._told: CardError | None = None
        self.owed: CardError | None = None

    def call(
        self,
        seat: Seat,
        cycle: int,
        method: str,
        *arguments: Any,
        check: Callable[[Any], _T] | None = None,
        function: Callable[..., Any] | None = None,
    ) -> _T:
        """Have a card do something in `cycle`.

        Args:
            seat: the card's.
            cycle: in which it may act, or LOADING.
            method: its name.
            arguments: for it.
            check: gives the answer as the kit uses it, or raises CardMisuse.
            function: what is called; None: the card's method of that name.

        Raises:
            CardError: the card failed.
        """
        turn = self._turn
        before, turn.cycle = turn.cycle, cycle
        try:
            answer = (getattr(seat.card, method) if function is None else function)(*arguments)
            return answer if check is None else check(answer)
        except BaseException as error:  # noqa: BLE001 - a stranger's card
            self.tell(error, seat, method, cycle, outermost=before == BETWEEN and not turn.asked, function=function)
        finally:
            turn.cycle = before

    def ask(
        self,
        seat: Seat,
        cycle: int,
        method: str,
        *arguments: Any,
        check: Callable[[Any], _T] | None = None,
        function: Callable[..., Any] | None = None,
    ) -> _T:
        """Ask a card something in `cycle`, or BETWEEN: it may change nothing; otherwise as `call`."""
        turn = self._turn
        before, asked = turn.cycle, turn.asked
        turn.cycle, turn.asked = BETWEEN, ASKED
        try:
            answer = (getattr(seat.card, method) if function is None else function)(*arguments)
            return answer if check is None else check(answer)
        except BaseException as error:  # noqa: BLE001 - a stranger's card
            self.tell(error, seat, method, cycle, outermost=before == BETWEEN and not asked, function=function)
        finally:
            turn.cycle, turn.asked = before, asked

    def wait_cycles(self, seat: Seat, offset: int, is_write: bool, cycle: int) -> int:
        """Cycles by which a card delays an access; as `ask`."""
        turn = self._turn
        before, asked = turn.cycle, turn.asked
        turn.cycle, turn.asked = BETWEEN, ASKED
        try:
            cycles = seat.card.wait_cycles(offset, is_write)
            return cycles if type(cycles) is int and 0 <= cycles < 100 else answers.wait_cycles(cycles)
        except BaseException as error:  # noqa: BLE001 - a stranger's card
            self.tell(error, seat, "wait_cycles", cycle, outermost=before == BETWEEN and not asked)
        finally:
            turn.cycle, turn.asked = before, asked

    def level(self, seat: Seat, pin: Pin, function: Callable[[int], bool | None], cycle: int) -> bool | None:
        """What the `lazy_level` of a card's pin says; as `ask`."""
        turn = self._turn
        before, asked = turn.cycle, turn.asked
        turn.cycle, turn.asked = BETWEEN, ASKED
        try:
            value = function(cycle)
            return value if value is True or value is False else answers.level(value)
        except BaseException as error:  # noqa: BLE001 - a stranger's card
            label = f"the lazy_level of pin {pin.spec.name}"
            self.tell(error, seat, label, cycle, outermost=before == BETWEEN and not asked, function=function)
        finally:
            turn.cycle, turn.asked = before, asked

    def bound(self, seat: Seat, method: str) -> Callable[..., Any]:
        """A method of a card, to be called where failures are told as here."""
        try:
            found: Callable[..., Any] = getattr(seat.card, method)
        except BaseException as error:  # noqa: BLE001 - a stranger's card
            self.tell(error, seat, method, BETWEEN)
        return found

    def told(
        self,
        error: BaseException,
        seat: Seat,
        method: str,
        cycle: int,
        *,
        outermost: bool = True,
        function: Callable[..., Any] | None = None,
    ) -> BaseException:
        """What to raise for what came out of a call of a card.

        Args:
            error: what came out.
            seat: of the card.
            method: that was called.
            cycle: when.
            outermost: whether no call of another card is under way, whose code could swallow it.
            function: what was called, when it is no method of the card's.

        Returns:
            A CardError; what is no word of the card's as it is: Ctrl-C, what was told before, what `let_pass` has seen.
        """
        if isinstance(error, KeyboardInterrupt) or error is self._passing or _is_for_another(error):
            return error
        if error is not self._told:
            address = self._address()
            when = f" in cycle {cycle}" if cycle >= 0 else ""
            where = f" at ${address:04X}" if address is not None else ""
            if function is None:
                called = partial(getattr, type(seat.card), method)
            else:
                called = partial(getattr, function, "__func__", function)
            self._told = failure(error, seat.name, f"{method}{when}{where}", slot=seat.slot, called=called)
        if outermost:
            self.owed = None
        else:
            self.owe(self._told)
        return self._told

    def owe(self, failure: CardError) -> None:
        """A failure that nobody may see: the machine raises it as soon as it can."""
        self.owed = failure
        self._alarm()

    def raise_owed(self) -> None:
        """Raise what is owed, once."""
        owed, self.owed = self.owed, None
        if owed is not None:
            raise owed

    def tell(self, error: BaseException, seat: Seat, method: str, cycle: int, **how: Any) -> NoReturn:
        """Raise what `told` gives."""
        told = self.told(error, seat, method, cycle, **how)
        if told is error:
            raise error
        raise told from told.__cause__

    def let_pass(self, error: BaseException) -> None:
        """What came from somebody whom a card's call has reached and who is no card: it is not the card's."""
        self._passing = error


def _is_for_another(error: BaseException) -> bool:
    """Whether a call farther out is overdue, and not the one that the error has just come out of."""
    if not isinstance(error, CallOverdue) or error.call is None:
        return False
    frame: FrameType | None = sys._getframe()
    while frame is not None and frame is not error.call:
        frame = frame.f_back if "simkit.backplane." in frame.f_globals["__name__"] else None
    return frame is None


def call_unplugged(
    who: str,
    doing: str,
    function: Callable[..., _T],
    *arguments: Any,
    slot: int | None = None,
    called: Callable[[], Any] | None = None,
) -> _T:
    """Call what belongs to a card that is plugged in nowhere yet: its file, its class, its settings.

    Args:
        who: whose it is, to begin a sentence; "" where the place of the message says so.
        doing: what is called, in a word.
        function: is called.
        arguments: for it.
        slot: in which the card will stand, if that is known.
        called: as for `failure`.

    Raises:
        SimkitError: a setting that the card refuses by its name, in its own words: a person's mistake.
        CardError: whatever else it raised; with the place in the card's own code.
    """
    try:
        return function(*arguments)
    except BaseException as error:
        if isinstance(error, SimkitError) and error.field and not isinstance(error, CardError | CardMisuse):
            raise
        if isinstance(error, KeyboardInterrupt) or _is_for_another(error):
            raise
        told = failure(error, who, doing, slot=slot, called=called)
        raise told from told.__cause__


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
    file, line = place(error)
    if file is None and called is not None:
        file, line = _definition(called)
    remedy, lines = MENDED_BY, list[str]()
    if isinstance(error, CardMisuse):
        text, remedy = error.did, f"{error.remedy} {MENDED_BY}"
    elif isinstance(error, CallOverdue):
        text = f"did not come back within {error.seconds:g} s:"
        lines = _stack(error.__traceback__).split("\n")
    else:
        text = f"raised {type(error).__name__}{_words(error)}"
        if isinstance(error, SyntaxError) and error.filename and error.lineno:
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
    if not words.startswith(_NO_TEXT):
        return error
    return RuntimeError(f"{type(error).__name__}{words}").with_traceback(error.__traceback__)


_NO_TEXT = ", whose text raises "


def _words(error: BaseException) -> str:
    """The text of an exception, behind a colon; a stranger's may raise once more."""
    try:
        text = str(error)
    except KeyboardInterrupt:
        raise
    except BaseException as again:  # noqa: BLE001 - it must not take the place of the message
        return f"{_NO_TEXT}{type(again).__name__}"
    if len(text) > MOST_WORDS:
        text = f"{text[:MOST_WORDS]}…"
    return f": {text}" if text else ""


def place(error: BaseException | None) -> tuple[str | None, int | None]:
    """File and line at which a stranger's code raised: in its own code, not in a library that it calls."""
    trace = None if error is None else error.__traceback__
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
