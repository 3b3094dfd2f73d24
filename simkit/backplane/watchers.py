"""Who watches a machine: told of bus cycles, accesses, input, changed memory and runs, until they are taken off."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol

from simkit.backplane.cycle import BusCycle, Kind
from simkit.backplane.decode import Plan
from simkit.backplane.reach import BESIDE, Reach

Tap = Callable[[int, int, int, bool, Kind, Plan], None]
"""The kit's own probe, without the record that `BusCycle` is: (cycle, address, data, is_write, kind, plan)."""

Before = Callable[[int, int, bool, Kind, Plan], None]
"""As `Tap` before the access: (cycle, address, is_write, kind, plan)."""

Seen = Callable[[bool], None]
"""Told of an access of one address, in its cycle: is_write."""

OutsideEvent = tuple[int, int, str, str, tuple[Any, ...]]
"""(cycle, slot, port, action, arguments)."""


class Bystander(Protocol):
    """Watches a machine without keeping the core from running."""

    def core_begins(self) -> None:
        """The core is about to run; what it does is in the records, but for accesses that cards answer."""

    def core_ended(self) -> None:
        """It has come back, between two instructions or behind an exception."""


class RunWatcher(Protocol):
    """Is told when the CPU runs: for an instruction, a cycle, or long."""

    def about_to_run(self) -> None:
        """It stands still, and is about to run."""

    def has_run(self, error: BaseException | None) -> None:
        """It stands still again; with an error the instruction under way was given up where it was."""


class WatchHandle:
    """Holds what `Watchers.add` attached; `remove` takes it off."""

    def __init__(self, watchers: Watchers, attached: list[tuple[list[Any], Any]], *, slow: bool) -> None:
        self._watchers = watchers
        self._attached = attached
        for calls, call in attached:
            calls.append(call)
        if slow:
            watchers.reach.require_slow(self, True)
        watchers.changed()

    @property
    def attached(self) -> bool:
        """Whether it has not been taken off."""
        return bool(self._attached)

    def remove(self) -> None:
        """Take it off; a second time does nothing."""
        for calls, call in self._attached:
            calls.remove(call)
        self._attached = []
        self._watchers.reach.require_slow(self, False)
        self._watchers.changed()


class Watchers:
    """All who watch one machine.

    Args:
        reach: what engines may do without asking, which depends on who watches.

    Attributes:
        probes: called after every bus cycle.
        data: given the byte on the data lines of the backplane after every bus cycle.
        before: called before an access reaches cards that are not plain memory, as `taps`, without the data.
        taps: called after every access that goes through the bus, repeats of stalled ones left out.
        seen: whom to tell of each access of an address.
        memory: told of plain memory that changed other than by a store.
        outside: told of every outside event as it is taken.
        events: told of every call of a card's `event`, before it: (cycle, slot, name).
        bystanders: who is told when the core runs.
        runs: who is told when the CPU runs.
        at_once: how many want no write to wait.
    """

    def __init__(self, reach: Reach) -> None:
        self.reach = reach
        self.probes: list[Callable[[BusCycle], None]] = []
        self.data: list[Callable[[int], object]] = []
        self.before: list[Before] = []
        self.taps: list[Tap] = []
        self.seen: dict[int, list[Seen]] = {}
        self.memory: list[Callable[[int, int, int], None]] = []
        self.outside: list[Callable[[OutsideEvent], None]] = []
        self.events: list[Callable[[int, int, str], None]] = []
        self.bystanders: list[Bystander] = []
        self.runs: list[RunWatcher] = []
        self.at_once = 0

    def add(
        self,
        *,
        probe: Callable[[BusCycle], None] | None = None,
        data: Callable[[int], object] | None = None,
        before: Before | None = None,
        tap: Tap | None = None,
        memory: Callable[[int, int, int], None] | None = None,
        outside: Callable[[OutsideEvent], None] | None = None,
        event: Callable[[int, int, str], None] | None = None,
        bystander: Bystander | None = None,
        run: RunWatcher | None = None,
    ) -> WatchHandle:
        """Have what happens told, until the handle's `remove`.

        Args:
            probe: called after every bus cycle.
            data: given the byte on the data lines after every bus cycle, for a third of what a probe costs.
            before: called before every access that reaches cards, without its data.
            tap: called after every access, repeats of stalled ones left out.
            memory: told when plain memory changed other than by a store: (slot, start, end).
            outside: told of every outside event as it is taken.
            event: told of every call of a card's `event`, before it.
            bystander: with one, `before` and `tap` are called for what the reference engine does and for what cards
                answer; the rest of what the core does comes in records alone.
            run: told when the CPU begins to run and when it has.
        """
        pairs = (
            (self.probes, probe),
            (self.data, data),
            (self.before, before),
            (self.taps, tap),
            (self.memory, memory),
            (self.outside, outside),
            (self.events, event),
            (self.bystanders, bystander),
            (self.runs, run),
        )
        attached = [(calls, call) for calls, call in pairs if call is not None]
        sees_all = (
            probe is not None or data is not None or (bystander is None and (before is not None or tap is not None))
        )
        return WatchHandle(self, attached, slow=sees_all)

    def changed(self) -> None:
        """Who watches has changed.

        With bystanders the reference engine shows each of its accesses; while somebody taps, no write to a card waits.
        """
        self.reach.require_slow(BESIDE, bool(self.bystanders))
        self.reach.renew()

    def see(self, address: int, call: Seen) -> None:
        """Have every access of an address told, but for repeats of stalled ones; the rest stays as fast."""
        self.seen.setdefault(address, []).append(call)
        self._seen_anew()

    def see_no_more(self, address: int, call: Seen) -> None:
        """Take back what `see` did."""
        self.seen[address].remove(call)
        if not self.seen[address]:
            del self.seen[address]
        self._seen_anew()

    def _seen_anew(self) -> None:
        self.reach.leave_out(frozenset(address >> 8 for address in self.seen))

    def let_no_write_wait(self, wanted: bool) -> None:
        """Have cards told of each write in its cycle, so that what comes of it is known then; or take that back."""
        self.at_once += 1 if wanted else -1
        self.reach.renew()
