"""Phase 0 of a cycle: faults come and go, outside events, card events, in the cycle of their stamp.

The soonest is the horizon.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from heapq import heapify, heappop, heappush
from typing import Any

from simkit.backplane.blame import failure
from simkit.backplane.cpu_side import Engine
from simkit.backplane.guard import Guard
from simkit.backplane.guarded_ports import takes
from simkit.backplane.seat import Seat
from simkit.backplane.watchers import OutsideEvent
from simkit.contract.errors import CardMisuse
from simkit.contract.events import EVENTS, NEVER, EventTable
from simkit.contract.nets import Nets
from simkit.contract.shapes import CYCLE, TEXT, Shape, StateError, many, row, whole
from simkit.contract.turn import BETWEEN, Turn

MOST_CALLS_A_CYCLE = 4_096
"""Calls of `event` in one cycle: a card that arms an event for the very cycle it happens in would never end."""

OUTSIDE_MACHINE = -1
"""Slot number of outside events that concern the machine itself (reset button, RDY from a test)."""


def _argument(value: Any) -> str | int:
    if not isinstance(value, str | int):
        raise StateError("", f"{value!r:.40} is neither a text nor a whole number")
    return value


OUTSIDE = many(row(CYCLE, whole(OUTSIDE_MACHINE), TEXT, TEXT, many(Shape(_argument)).into(tuple)))
"""What is saved of outside events: (cycle, slot, port, action, arguments)."""


class Agenda:
    """What is to come: pending calls of cards, and events from outside.

    Args:
        nets: the lines, which settle after each.
        turn: when a card may act.
        guard: tells what cards raise.
        seats: the cards by slot.
        watchers: who is told of each outside event as it is taken.
        event_watchers: who is told of each call of a card's `event`.

    Attributes:
        events: pending calls of cards.
        machine_events: what outside events of OUTSIDE_MACHINE do, by action: called with arguments and cycle.
        switch: called with the cycle when faults come or go; None: none do.
        switch_at: cycle in which it is called next.
    """

    SHAPES: Mapping[str, Shape] = {"events": EVENTS, "outside": OUTSIDE}

    def __init__(
        self,
        nets: Nets,
        turn: Turn,
        guard: Guard,
        seats: Mapping[int, Seat],
        watchers: list[Callable[[OutsideEvent], None]],
        event_watchers: list[Callable[[int, int, str], None]],
    ) -> None:
        self._nets = nets
        self._turn = turn
        self._guard = guard
        self._seats = seats
        self._watchers = watchers
        self._event_watchers = event_watchers
        self._engine: Engine | None = None
        self._outside: list[tuple[int, int, int, str, str, tuple[Any, ...]]] = []
        self._count = 0
        self.events = EventTable()
        self.machine_events: dict[str, Callable[[tuple[Any, ...], int], None]] = {}
        self.switch: Callable[[int], int] | None = None
        self.switch_at = NEVER

    def attach(self, engine: Engine) -> None:
        """Let the engine know the horizon from now on."""
        self._engine = engine
        self._set_horizon()

    # what is to come ------------------------------------------------------------------------------------------------

    def arm(self, cycle: int, slot: int, name: str) -> None:
        """Arm a card's event."""
        self.events.at(cycle, slot, name)
        self._set_horizon()

    def disarm(self, slot: int, name: str) -> None:
        """Cancel a card's event."""
        self.events.cancel(slot, name)
        self._set_horizon()

    def armed(self, slot: int, name: str) -> int | None:
        """Cycle a card's event is armed for, or None."""
        return self.events.armed(slot, name)

    def schedule(self, cycle: int, slot: int, port: str, action: str, arguments: tuple[Any, ...]) -> None:
        """Queue an outside event for `cycle`; events of one cycle keep their order."""
        self._count += 1
        heappush(self._outside, (cycle, self._count, slot, port, action, arguments))
        self._set_horizon()

    def takes(self, slot: int, port: str, action: str, arguments: tuple[Any, ...]) -> bool:
        """Whether an outside event could happen on this machine."""
        if slot == OUTSIDE_MACHINE:
            return action in self.machine_events and len(arguments) == 1
        seat = self._seats.get(slot)
        found = seat.ports.get(port) if seat is not None else None
        return seat is not None and found is not None and takes(seat, found, action, arguments)

    def forget_outside(self) -> None:
        """Drop the outside events not yet taken."""
        self._outside.clear()
        self._set_horizon()

    def pending_outside(self) -> list[tuple[int, int, int, str, str, tuple[Any, ...]]]:
        """Outside events not yet taken, soonest first: (cycle, order, slot, port, action, arguments)."""
        return sorted(self._outside, key=lambda e: e[:2])

    def switch_from(self, cycle: int, call: Callable[[int], int]) -> None:
        """Have faults come and go.

        Args:
            cycle: the next in which they may.
            call: called first in phase 0 of that cycle; gives the next one.
        """
        self.switch, self.switch_at = call, cycle
        self._set_horizon()

    @property
    def is_empty(self) -> bool:
        """Whether nothing is to come."""
        return self.events.horizon >= NEVER and not self._outside and self.switch_at >= NEVER

    def _set_horizon(self) -> None:
        if self._engine is not None:
            soonest = min(self.events.horizon, self.switch_at)
            if self._outside and self._outside[0][0] < soonest:
                soonest = self._outside[0][0]
            self._engine.horizon = soonest if self._guard.owed is None else 0

    def alarm(self) -> None:
        """Something is owed: phase 0 of the next cycle raises it, or the end of the run."""
        if self._engine is not None:
            self._engine.attention = True
            self._engine.horizon = 0

    # phase 0 --------------------------------------------------------------------------------------------------------

    def begin(self, cycle: int) -> None:
        """Phase 0: outside events, then card events, stamped `cycle` or earlier; then let lines settle.

        Raises:
            CardError: a card failed, now or where nobody could tell.
        """
        nets, turn = self._nets, self._turn
        if self._guard.owed is not None:
            self.raise_owed()
        turn.cycle = cycle
        seat: Seat | None = None
        method = "outside"
        calls = 0
        try:
            if cycle >= self.switch_at:
                assert self.switch is not None
                self.switch_at = self.switch(cycle)
                nets.settle(cycle)
            while self._outside and self._outside[0][0] <= cycle:
                _, _, slot, port, action, arguments = heappop(self._outside)
                seat = None  # whom a watcher calls is no card
                for watcher in self._watchers:
                    watcher((cycle, slot, port, action, arguments))
                seat = self._seats.get(slot)
                if seat is None:
                    self.machine_events[action](arguments, cycle)
                else:
                    seat.advance(cycle)
                    seat.card.outside(port, action, arguments, cycle)
                nets.settle(cycle)
            method = "event"
            while (due := self.events.pop_due(cycle)) is not None:
                _, slot, name = due
                seat = None  # whom a watcher calls is no card
                for watching in self._event_watchers:
                    watching(cycle, slot, name)
                seat = self._seats[slot]
                seat.card.event(name, cycle)
                if nets.queue:
                    nets.settle(cycle)
                calls += 1
                if calls >= MOST_CALLS_A_CYCLE:
                    self._never_ends(seat, name, cycle)
        except BaseException as error:  # noqa: BLE001 - a stranger's card
            self._guard.tell_of_cycle(error, seat, method, cycle)
        finally:
            turn.cycle = BETWEEN
            if nets.unsettled:  # only when phase 0 was broken off
                nets.drop_unsettled()
            self._set_horizon()

    def raise_owed(self) -> None:
        """Raise what a card did where nobody could tell, if there is anything.

        Raises:
            CardError: a card failed.
        """
        try:
            self._guard.raise_owed()
        finally:
            self._set_horizon()

    def _never_ends(self, seat: Seat, name: str, cycle: int) -> None:
        """Go no further in a cycle in which one event after another is due."""
        misuse = CardMisuse(
            f"came for the {MOST_CALLS_A_CYCLE}th time in cycle {cycle}: it is armed again and again for the cycle in "
            "which it happens",
            "Arm it for a later one.",
        )
        told = failure(misuse, seat.name, f"event {name!r:.60}", slot=seat.slot)
        self._guard.let_pass(told)
        raise told

    # snapshot -------------------------------------------------------------------------------------------------------

    def save(self) -> dict[str, Any]:
        """State for a snapshot, by the names of SHAPES."""
        outside = [[c, s, p, a, list(args)] for c, _, s, p, a, args in self.pending_outside()]
        return {"events": self.events.save(), "outside": outside}

    def check(self, state: Mapping[str, Any]) -> None:
        """Refuse a state that is not this machine's.

        Args:
            state: holds what the shapes of SHAPES gave.

        Raises:
            StateError: it is not.
        """
        for place, (_, slot, port, action, arguments) in enumerate(state["outside"]):
            if not self.takes(slot, port, action, arguments):
                raise StateError(f"outside[{place}]", f"nothing takes {action!r} at {port!r} of slot {slot}")
        for place, (_, slot, _) in enumerate(state["events"]):
            if slot not in self._seats:
                raise StateError(f"events[{place}]", f"is for slot {slot}, which has no card")

    def adopt(self, state: Mapping[str, Any]) -> None:
        """Take over a state that `check` has let through."""
        self.events.load(state["events"])
        self._outside = [(cycle, order, *what) for order, (cycle, *what) in enumerate(state["outside"], start=1)]
        heapify(self._outside)
        self._count = len(self._outside)
        self._set_horizon()
