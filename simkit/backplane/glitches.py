"""What no level of a line says: a pulse of PHI2 too many or too few, and writes whose strobe outlasts what they store.

A pulse too many is short. Where all see it, the CPU makes one more cycle in it, for which no memory has the time: a
read gives what is still on the lines, a write stores nothing. Where one card sees it, its strobes come twice. A pulse
too few: where all miss it, the CPU waits a period longer, and nothing is read or written meanwhile (what counts periods
on a card counts on); where one card misses it, it sees no access (from memory: strobes gated with PHI2 are made of it).

A strobe that outlasts the address writes once more, where the next address leads, if that selects the card still: the
W65C02S holds address and write data for 10 ns after PHI2 falls, no longer (Western Design Center, W65C02S data sheet,
Table 6-3, tAH and tDHW), while a 74HC gate in the strobe may take longer. A strobe that outlasts the data
stores what comes next on the lines. No time between the two can be told by whole cycles: each is a fault of its own.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import attrs

from simkit.backplane.decode import Plan
from simkit.backplane.faults import Clock, Lingering, Pulse, WriteEnd
from simkit.contract.shapes import StateError, many, row, whole


@attrs.frozen
class Pending:
    """A write whose strobe has not ended.

    Attributes:
        slot: of the card.
        offset: that it was made at.
        value: byte that the CPU drove.
        changed: what changes before its end.
    """

    slot: int
    offset: int
    value: int
    changed: Lingering


_KINDS = tuple(Lingering)
PENDING = many(row(whole(1), whole(0), whole(0, 0xFF), whole(0, len(_KINDS) - 1)))
"""What is saved: (slot, offset, value, number of what changes)."""


class Glitches:
    """Those of one backplane.

    Attributes:
        there: what is there now.
        possible: what may be, at some time.
        pending: writes whose strobe has not ended.
        in_the_way: whether accesses must be made one by one; looked up in each of them.
    """

    def __init__(self) -> None:
        self.possible: frozenset[WriteEnd | Clock] = frozenset()
        self.pending: list[Pending] = []
        self.show(())

    def show(self, there: Iterable[WriteEnd | Clock]) -> None:
        """Have these there from now on, and no others."""
        self.there = frozenset(there)
        self._looked_at()
        pulses: dict[Pulse, set[int | None]] = {pulse: set() for pulse in Pulse}
        self._ends: dict[int, Lingering] = {}
        for one in sorted(self.there, key=str):
            if isinstance(one, Clock):
                pulses[one.pulse].add(one.slot)
            else:
                self._ends[one.slot] = one.changed
        self._doubled, self._missing = (frozenset(pulses[pulse]) for pulse in (Pulse.DOUBLED, Pulse.MISSING))

    @property
    def stops_clock(self) -> bool:
        """Whether a pulse may be missing for all, so that the CPU waits."""
        return Clock(Pulse.MISSING) in self.possible

    @property
    def waits(self) -> bool:
        """Whether the pulse of this cycle is missing for all."""
        return None in self._missing

    def of_plan(self, plan: Plan) -> Plan:
        """What an access does while cards, or all, miss the pulse or have no time for it."""
        if None in self._doubled:
            return Plan((), (), ())
        missing = self._missing
        if not missing or not missing.intersection(plan.selected):
            return plan
        return Plan(
            tuple(driver for driver in plan.drivers if driver[0].slot not in missing),
            tuple(taker for taker in plan.takers if taker[0].slot not in missing),
            tuple(slot for slot in plan.selected if slot not in missing),
        )

    def twice(self, plan: Plan) -> Plan | None:
        """What an access does a second time, in the pulse too many that a card sees; None: nothing."""
        doubled = self._doubled
        if not doubled or not doubled.intersection(plan.selected):
            return None
        return Plan(
            tuple(driver for driver in plan.drivers if driver[0].slot in doubled),
            tuple(taker for taker in plan.takers if taker[0].slot in doubled),
            tuple(slot for slot in plan.selected if slot in doubled),
        )

    # ends of writes -------------------------------------------------------------------------------------------------

    def without_late(self, plan: Plan) -> Plan:
        """What a write does in its own cycle: a card that takes the byte of the next one is left out."""
        late = {slot for slot, changed in self._ends.items() if changed is Lingering.DATA}
        if not late.intersection(plan.selected):
            return plan
        return Plan(plan.drivers, tuple(taker for taker in plan.takers if taker[0].slot not in late), plan.selected)

    def written(self, plan: Plan, value: int) -> None:
        """A write of that plan was made; strobes that end late are kept for the access that comes next."""
        for seat, offset in plan.takers:
            changed = self._ends.get(seat.slot)
            if changed is not None:
                self.pending.append(Pending(seat.slot, offset, value, changed))
        self._looked_at()

    def due(self, changed: Lingering) -> list[Pending]:
        """Strobes that end in this cycle, with that changed; they are over then."""
        if not self.pending:
            return []
        found = [one for one in self.pending if one.changed is changed]
        self.pending = [one for one in self.pending if one.changed is not changed]
        self._looked_at()
        return found

    def _looked_at(self) -> None:
        self.in_the_way = bool(self.there or self.pending)

    # snapshot -------------------------------------------------------------------------------------------------------

    def save(self) -> list[list[int]]:
        """State for a snapshot."""
        return [[one.slot, one.offset, one.value, _KINDS.index(one.changed)] for one in self.pending]

    def load(self, state: Iterable[Any], slots: Iterable[int]) -> None:
        """Take back what `save` gave and its shape let through.

        Raises:
            StateError: it is of other cards.
        """
        found = [Pending(slot, offset, value, _KINDS[kind]) for slot, offset, value, kind in state]
        known = set(slots)
        for one in found:
            if one.slot not in known:
                raise StateError("glitches", f"is of slot {one.slot}, which has no card")
        self.pending = found
        self._looked_at()
