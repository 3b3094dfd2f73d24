"""Faults of a machine that come and go: it is wired otherwise in the cycles in which they do, and runs on as fast.

Between two changes a machine with faults is one that is wired so for good: the next change is the horizon of the
engines, as the next event is. What is there is a function of the cycle, so that no state holds it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from fractions import Fraction
from typing import TYPE_CHECKING

import attrs

from simkit.backplane.bus import Bus
from simkit.backplane.fault_sentences import read_fault
from simkit.backplane.fault_times import NEVER, Presence, Span
from simkit.backplane.faults import Cell, Clock, Fault, Set, WriteEnd
from simkit.backplane.rewiring import Slot, Way
from simkit.backplane.wiring import Done, Entry
from simkit.contract.errors import SimkitError
from simkit.machinefile.description import Description

if TYPE_CHECKING:
    from simkit.machine.machine import Machine

LOOK_AHEAD = 20_000
"""Cycles that are looked through for the next change at a time."""
_OFF = (Done.UNPOWERED, Done.REMOVED)

Active = frozenset[int]
"""Numbers of the faults that are there."""


class Faulting:
    """The faults of a machine that have a time, or that no wiring says.

    Args:
        bus: of the machine, switched on.
        description: of the machine.
    """

    def __init__(self, bus: Bus, description: Description) -> None:
        self._bus = bus
        self._ways: dict[Active, Way] = {}
        self._describe(description)
        self._active: Active = frozenset()
        self._wired: Active = frozenset()
        self._way = self._way_of(frozenset())
        self._unpowered: frozenset[int] = frozenset()

    def _describe(self, description: Description) -> None:
        self._description = description
        self._ways.clear()
        self._faults = [fault for fault in description.faults if not fault.is_static]
        self._there = [
            Presence(fault.when, description.seed, str(fault.what), description.clock_hz) for fault in self._faults
        ]
        self._bus.glitches.possible = frozenset(
            fault.what for fault in self._faults if isinstance(fault.what, WriteEnd | Clock)
        )
        self._wiring = frozenset(number for number, fault in enumerate(self._faults) if isinstance(fault.what, Entry))

    @property
    def there(self) -> list[Fault]:
        """Those that are there now."""
        return [self._faults[number] for number in sorted(self._active)]

    def begin(self, cycle: int) -> None:
        """Have them come and go from a cycle on, whose phase 0 is to come."""
        if self._faults:
            self._way.apply(self._way, cycle)  # so that decodings know by which wiring they are
            self._bus.agenda.switch_from(cycle, self._switch)

    def describe(self, description: Description, cycle: int) -> None:
        """Another description of the same machine counts from a cycle on, whose phase 0 is to come."""
        before = self._way
        self._describe(description)
        self._way, self._wired = before, frozenset({-1})  # none of the ways of now
        self._bus.settle_stalls()
        self._bus.agenda.switch_from(cycle, self._switch)

    def jump(self, cycle: int) -> None:
        """Be as a machine is that comes to a cycle, whose phase 0 is to come; for a state that is loaded next."""
        if not self._faults:
            return
        before = max(0, cycle - 1)
        active = self._at(before) if cycle else frozenset()
        self._become(active, before)
        self._unpowered = self._off(active)
        self._bus.agenda.switch_from(self._next(before) if cycle else 0, self._switch)

    def _switch(self, cycle: int) -> int:
        active = self._at(cycle)
        if active != self._active or self._wired != active & self._wiring:
            self._become(active, cycle)
            off, self._unpowered = self._unpowered, self._off(active)
            for slot in sorted(off - self._unpowered):
                self._power_on(slot, cycle)
        return self._next(cycle)

    def _at(self, cycle: int) -> Active:
        return frozenset(number for number, presence in enumerate(self._there) if cycle in presence)

    def _next(self, cycle: int) -> int:
        """The next cycle in which one comes or goes, or in which to look again."""
        most = cycle + LOOK_AHEAD
        soonest = NEVER
        for presence in self._there:
            at = presence.changes(cycle, min(soonest, most) if presence.by_chance else soonest)
            soonest = min(soonest, at)
        return soonest

    def _become(self, active: Active, cycle: int) -> None:
        self._active = active
        glitches = self._bus.glitches
        whats = [self._faults[number].what for number in sorted(active)]
        glitches.show(what for what in whats if isinstance(what, WriteEnd | Clock))
        self._bus.reach.require_slow(glitches, glitches.in_the_way)
        wired = active & self._wiring
        if wired != self._wired:
            way = self._way_of(wired)
            way.apply(self._way, cycle)
            self._way, self._wired = way, wired

    def _way_of(self, wired: Active) -> Way:
        found = self._ways.get(wired)
        if found is None:
            faults = [self._faults[number] for number in sorted(wired)]
            description = self._description
            if faults or self._faults:
                description = description.with_static([_left_in_its_slot(fault) for fault in faults])
            found = self._ways[wired] = way_of(self._bus, description)
        return found

    def _off(self, active: Iterable[int]) -> frozenset[int]:
        whats = (self._faults[number].what for number in active)
        return frozenset(what.slot for what in whats if isinstance(what, Entry) and what.done in _OFF and what.slot)

    def _power_on(self, slot: int, cycle: int) -> None:
        """A card gets its supply."""
        bus = self._bus
        seat = bus.by_slot[slot]
        bus.guard.call(seat, cycle, "power_on", cycle)
        arrives = seat.reset_arrives(bus.reset_line.asserted)
        if arrives is not None:
            seat.reset(arrives, cycle)


class FaultHandle:
    """A fault that was put into a running machine.

    Attributes:
        fault: with the cycle from which it is there, and the one from which it is not.
    """

    def __init__(self, machine: Machine, fault: Fault) -> None:
        self._machine = machine
        self.fault = fault

    def remove(self) -> None:
        """Take it out, from the next bus cycle on; a second time does nothing.

        Raises:
            SimkitError: the machine is running.
        """
        machine, fault = self._machine, self.fault
        if fault not in machine.faults or (fault.when.until is not None and _is_over(fault, machine)):
            return
        others = list(machine.faults)
        place = others.index(fault)
        now = Span(Fraction(machine.cycle))
        first = fault.when.first
        if first is not None and first.cycles(machine.clock_hz) >= machine.cycle:
            del others[place]
        else:
            self.fault = others[place] = attrs.evolve(fault, when=attrs.evolve(fault.when, until=now))
        _be_with(machine, others)

    def __str__(self) -> str:
        return str(self.fault)


def _is_over(fault: Fault, machine: Machine) -> bool:
    until = fault.when.until
    return until is not None and until.cycles(machine.clock_hz) <= machine.cycle


def add_fault(machine: Machine, fault: str | Fault) -> FaultHandle:
    """Put a fault into a machine that runs, from its next bus cycle on; this is `Machine.add_fault`.

    The machine is another one then, as its identity says: states saved before do not fit any more, a recording ends.
    Those saved afterwards fit a machine that is loaded with `m.faults`.

    Args:
        machine: the machine, between two instructions; one that was begun is finished.
        fault: as a sentence or read; what it says of time counts from power-on.

    Raises:
        SimkitError: it cannot be, or only from power-on; or the machine is running.
    """
    machine.cpu.refuse_while_running()
    said = fault if isinstance(fault, Fault) else read_fault(fault)
    if isinstance(said.what, Set | Cell):
        what = "a setting" if isinstance(said.what, Set) else "a bit of a ROM"
        raise SimkitError(
            f"{str(said)!r}: {what} is so from power-on.", remedy=f"Load the machine with it: faults=[{str(said)!r}]."
        )
    machine.finish_instruction()
    first = said.when.first
    if first is None or first.cycles(machine.clock_hz) < machine.cycle:
        said = attrs.evolve(said, when=attrs.evolve(said.when, first=Span(Fraction(machine.cycle))))
    if _is_over(said, machine):
        raise SimkitError(f"{str(said)!r} is over.", remedy=f"It is cycle {machine.cycle} now.")
    if said in machine.faults:
        raise SimkitError(f"{str(said)!r} is there already.", remedy="Take it out before, with its handle.")
    _be_with(machine, [*machine.faults, said])
    return FaultHandle(machine, said)


def _be_with(machine: Machine, faults: Sequence[Fault]) -> None:
    """Have a machine be one with these faults."""
    machine.cpu.refuse_while_running()
    source = machine.description.source
    if source is None:
        raise SimkitError("The machine was not read from a file.", remedy="Use Machine.load.")
    found = source.described(faults)
    machine.finish_instruction()
    machine.become(attrs.evolve(found, programs=machine.description.programs, start=machine.description.start))
    for history in tuple(machine.histories):
        history.faults_changed()


def _left_in_its_slot(fault: Fault) -> Fault:
    """A card that is taken out for a while is as one without supply."""
    what = fault.what
    if isinstance(what, Entry) and what.done is Done.REMOVED:
        return attrs.evolve(fault, what=attrs.evolve(what, done=Done.UNPOWERED))
    return fault


def way_of(bus: Bus, description: Description) -> Way:
    """How a machine is wired that is described so."""
    slots = {
        card.slot: Slot(
            card.select,
            card.not_select,
            card.output_enable,
            card.write_enable,
            card.wiring,
            card.ready_gated,
        )
        for card in description.cards
    }
    return Way(bus, description.wiring, slots, description.backplane.open_bus)
