"""Pending calls as data: which card is called when; the soonest is the horizon up to which an engine may run."""

from __future__ import annotations

from heapq import heapify, heappop, heappush
from typing import Any

from simkit.contract.errors import CardMisuse
from simkit.contract.shapes import CYCLE, FURTHEST, TEXT, many, row, whole

NEVER = FURTHEST
"""A cycle that never comes; the horizon of an empty table."""

EVENTS = many(row(CYCLE, whole(), TEXT))
"""What is saved of an event table: (cycle, slot, name)."""


_MANY = 64  # entries from which on it is worth a look how many of them were replaced

MOST_EVENTS = 16_384
"""Calls that may be pending at a time: a card that makes up a new name for each would fill the host's memory."""


class EventTable:
    """Events by (slot, name), one each, re-armable; taken in (cycle, slot, name) order.

    Attributes:
        horizon: cycle of the soonest event, NEVER when there is none.
    """

    __slots__ = ("_armed", "_heap", "horizon")

    def __init__(self) -> None:
        self._armed: dict[tuple[int, str], int] = {}
        self._heap: list[tuple[int, int, str]] = []
        self.horizon = NEVER

    def at(self, cycle: int, slot: int, name: str) -> None:
        """Arm the event; an earlier arming of the same slot and name is replaced.

        Raises:
            CardMisuse: far too many are pending.
        """
        heap = self._heap
        event = (cycle, slot, name)
        self._armed[slot, name] = cycle
        heappush(heap, event)
        if heap[0] is event and len(heap) <= _MANY:
            self.horizon = cycle
        else:
            self._settle()
            if len(self._armed) > MOST_EVENTS:
                raise CardMisuse(
                    f"armed the event {name!r:.60} while {MOST_EVENTS} calls were pending",
                    "Use few names: an event that is armed again is moved, not doubled.",
                )

    def cancel(self, slot: int, name: str) -> None:
        """Disarm the event; nothing happens when it is not armed."""
        if self._armed.pop((slot, name), None) is not None:
            self._settle()

    def armed(self, slot: int, name: str) -> int | None:
        """Cycle the event is armed for, or None."""
        return self._armed.get((slot, name))

    def pop_due(self, cycle: int) -> tuple[int, int, str] | None:
        """The soonest event stamped `cycle` or earlier as (cycle, slot, name), disarmed; None when there is none."""
        if self.horizon > cycle:
            return None
        when, slot, name = heappop(self._heap)
        del self._armed[slot, name]
        self._settle()
        return when, slot, name

    def _settle(self) -> None:
        heap = self._heap
        armed = self._armed
        while heap and armed.get((heap[0][1], heap[0][2])) != heap[0][0]:
            heappop(heap)
        if len(heap) > _MANY and len(heap) > 4 * len(armed):  # re-armed often: drop what was replaced
            heap[:] = [(c, s, n) for (s, n), c in armed.items()]
            heapify(heap)
        self.horizon = heap[0][0] if heap else NEVER

    def save(self) -> list[list[object]]:
        """State for a snapshot, canonical: sorted [cycle, slot, name]."""
        return [[c, s, n] for c, s, n in sorted((c, s, n) for (s, n), c in self._armed.items())]

    def load(self, state: Any) -> None:
        """Take back what `save` gave.

        Raises:
            StateError: it is nothing of the kind.
        """
        self._armed = {(slot, name): cycle for cycle, slot, name in EVENTS.take(state)}
        self._heap = [(c, s, n) for (s, n), c in self._armed.items()]
        heapify(self._heap)
        self._settle()
