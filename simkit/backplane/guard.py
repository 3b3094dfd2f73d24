"""The one guarded way to call a card, which anybody may have written.

Whatever comes out of a card's code becomes a `CardError` that names slot, method, cycle and the place in that code.
Only Ctrl-C passes: SystemExit or an exception of pytest's out of a card must not end a run as if all were well, and a
SimkitError of the card's own is no word of the kit. What a card gives is checked (`answers.py`), and while it is only
asked it may not act (`simkit.contract.turn`).

Accesses, events and input are the exception in form alone: `Accesses._read_cards`, `_write_cards`, `write_late` and
`Agenda.begin` have the same within themselves, as a call more would cost a tenth of a register's time; so have changes
of lines.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from functools import partial
from types import FrameType
from typing import TYPE_CHECKING, Any, NoReturn, TypeVar

from simkit.backplane import answers
from simkit.backplane.blame import CallOverdue, failure, is_kind, let_pass
from simkit.contract.errors import CardError, CardMisuse, SimkitError
from simkit.contract.turn import BETWEEN, Turn

if TYPE_CHECKING:
    from simkit.backplane.access import Access
    from simkit.backplane.seat import Seat
    from simkit.contract.lines import Pin
    from simkit.contract.nets import Nets

_T = TypeVar("_T")

ASKED = "it was only asked"


class Guard:
    """Calls the cards of one backplane.

    Args:
        turn: whose turn it is.
        access: the access under way.
        nets: the lines.
        seats: the cards by slot.
        alarm: called when something is owed.

    Attributes:
        owed: the last failure that no caller has seen yet: a card that was in the middle of its own call may have
            swallowed it.
    """

    def __init__(
        self, turn: Turn, access: Access, nets: Nets, seats: Mapping[int, Seat], alarm: Callable[[], None]
    ) -> None:
        self._turn = turn
        self._access = access
        self._nets = nets
        self._seats = seats
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
        if error is self._passing or _is_for_another(error):
            return error
        if error is not self._told:
            address = self._access.address
            when = f" in cycle {cycle}" if cycle >= 0 else ""
            where = f" at ${address:04X}" if address is not None else ""
            if function is None:
                called = partial(getattr, type(seat.card), method)
            else:
                called = partial(getattr, function, "__func__", function)
            told = failure(error, seat.name, f"{method}{when}{where}", slot=seat.slot, called=called)
            if is_kind(error, KeyboardInterrupt):
                return let_pass(error, told)
            self._told = told
        if outermost:
            self.owed = None
        else:
            self.owe(self._told)
        return self._told

    def told_of_cycle(self, error: BaseException, seat: Seat | None, method: str, cycle: int) -> BaseException:
        """What to raise for what came out of an access, or of lines that settle: of a card accessed, or of one told."""
        pin = self._nets.notifying
        if pin is not None:
            seat, method = self._seats.get(pin.slot, seat), "pin_changed"
        return error if seat is None else self.told(error, seat, method, cycle)

    def tell_of_cycle(self, error: BaseException, seat: Seat | None, method: str, cycle: int) -> NoReturn:
        """Raise what `told_of_cycle` gives."""
        told = self.told_of_cycle(error, seat, method, cycle)
        if told is self.owed:  # another card's, that has got through
            self.owed = None
        if told is error:
            raise error
        raise told from told.__cause__

    def owe(self, failure: CardError) -> None:
        """A failure that nobody may see: the machine raises it as soon as it can."""
        self.owed = failure
        self._alarm()

    def owe_misuse(self, slot: int, misuse: CardMisuse) -> None:
        """A card did something while nobody had called it."""
        who = self._seats[slot].name if slot in self._seats else f"slot {slot}"
        self.owe(failure(misuse, who, "its own code", slot=slot))

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
    if not is_kind(error, CallOverdue):
        return False
    assert isinstance(error, CallOverdue)
    if error.call is None:
        return False
    frame: FrameType | None = sys._getframe()
    while frame is not None and frame is not error.call:
        frame = frame.f_back if "simkit.backplane." in frame.f_globals["__name__"] else None
    return frame is None


def call_unplugged(
    who: str | Callable[[], str],
    doing: str,
    function: Callable[..., _T],
    *arguments: Any,
    slot: int | None = None,
    called: Callable[[], Any] | None = None,
) -> _T:
    """Call what belongs to a card that is plugged in nowhere yet: its file, its class, its settings.

    Args:
        who: whose it is, to begin a sentence; "" where the place of the message says so; what tells it when asked,
            where that takes time.
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
        if is_kind(error, SimkitError) and not is_kind(error, CardError, CardMisuse) and _field_of(error):
            raise
        if _is_for_another(error):
            raise
        told = failure(error, who if isinstance(who, str) else who(), doing, slot=slot, called=called)
        if is_kind(error, KeyboardInterrupt):
            let_pass(error, told)
            raise
        raise told from told.__cause__


def _field_of(error: BaseException) -> bool:
    """Whether a SimkitError names a field, with a text."""
    try:
        return isinstance(error, SimkitError) and type(error.field) is str and bool(error.field)
    except BaseException:  # noqa: BLE001 - a class of the stranger's own
        return False
