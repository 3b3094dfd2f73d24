"""A machine wired otherwise while it runs: everything that wiring was compiled into is swapped between two cycles.

Each way in which a machine can be wired is worked out once and kept: its decode tables (`Banks.wire`), the tables of
bytes at the seats. Lines are joined anew only where something is done to lines of cards.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import attrs

from simkit.backplane.banks import decode_lines
from simkit.backplane.bus import Bus
from simkit.backplane.conductors import CpuData, open_bus_levels
from simkit.backplane.joining import rejoin
from simkit.backplane.seat import Seat
from simkit.backplane.seating import wire
from simkit.backplane.select import Select, expression
from simkit.backplane.wiring import Entry, Wiring, is_cpu_line
from simkit.contract.lines import Line

_OF_A_SEAT = (
    *("select", "output_enable", "write_enable", "wiring", "ready_gated"),
    *("data", "takes_data", "gives_data", "crossed", "transceiver", "held_in_reset"),
)
"""What wiring was compiled into, by name of the attribute."""


@attrs.frozen
class Slot:
    """How a slot is wired.

    Attributes:
        select: patterns and expressions that select its card.
        not_select: and that exclude it.
        output_enable: expression of its read strobe.
        write_enable: and of its write strobe.
        wiring: all that is done there.
        ready_gated: whether its strobes are gated with ready.
    """

    select: tuple[str, ...]
    not_select: tuple[str, ...]
    output_enable: str
    write_enable: str
    wiring: Wiring
    ready_gated: bool


class Way:
    """One way in which a machine is wired.

    Args:
        bus: of the machine, whose cards are seated.
        wiring: what is done to lines for all.
        slots: by slot.
        open_bus: what an undriven read gives.

    Attributes:
        wiring: as given.
        of_slots: wiring by slot.
    """

    def __init__(self, bus: Bus, wiring: Wiring, slots: Mapping[int, Slot], open_bus: str) -> None:
        self._bus = bus
        self._slots = slots
        self._seats: dict[int, tuple[Any, ...]] = {}
        self._arrives: dict[bool, list[bool | None]] = {}
        self._lines: tuple[Line, ...] | None = None
        self.wiring = wiring
        self.of_slots = {slot: said.wiring for slot, said in slots.items()}
        self.released = open_bus_levels(open_bus, wiring)
        self.cpu = CpuData.of(wiring, self.released[1])
        self.of_lines = _of_lines([wiring, *(slot.wiring for slot in slots.values())])

    def apply(self, before: Way, cycle: int) -> None:
        """Wire the machine so from a cycle on, in its phase 0.

        Raises:
            CardError: a card failed when it was told of RESET.
        """
        bus = self._bus
        asserted = bus.reset_line.asserted
        arrived = before.arrives(asserted)
        bus.wiring = self.wiring
        for seat in bus.seats:
            if before is self or self._slots[seat.slot] != before._slots[seat.slot] or self.wiring != before.wiring:
                self._wire(seat)
        data = bus.data_lines
        data.keeps, data.pulled = self.released
        data.cpu = self.cpu
        if self.of_lines != before.of_lines:
            slots = [(seat.connector.pins, seat.wiring) for seat in bus.seats]
            rejoin(bus.nets, slots, before.wiring, self.wiring, cycle)
            bus.listen_to_reset(cycle)
        if self._lines is None:
            self._lines = decode_lines(bus.seats, bus.nets, self.wiring)
        bus.reach.rewire(self, self._lines, self.wiring, self.released, bus.nets, cycle)
        bus.settle_stalls()
        if bus.reset_line.asserted is not asserted:
            return  # the line has told them
        for seat, was, arrives in zip(bus.seats, arrived, self.arrives(asserted), strict=True):
            if arrives is not None and arrives is not was:
                seat.reset(arrives, cycle)

    def arrives(self, asserted: bool) -> list[bool | None]:
        """How RESET comes in at each seat, the machine being wired so; see `Seat.reset_arrives`."""
        found = self._arrives.get(asserted)
        if found is None:
            found = self._arrives[asserted] = [seat.reset_arrives(asserted) for seat in self._bus.seats]
        return found

    def select(self, slot: int) -> Select:
        """When the card in a slot is selected."""
        said = self._slots[slot]
        return Select(said.select, said.not_select)

    def _wire(self, seat: Seat) -> None:
        known = self._seats.get(seat.slot)
        if known is None:
            slot = self._slots[seat.slot]
            seat.select = Select(slot.select, slot.not_select)
            seat.output_enable, seat.write_enable = expression(slot.output_enable), expression(slot.write_enable)
            seat.wiring, seat.ready_gated = slot.wiring, slot.ready_gated
            wire(seat, self.wiring, self.cpu)
            self._seats[seat.slot] = tuple(getattr(seat, name) for name in _OF_A_SEAT)
            return
        for name, value in zip(_OF_A_SEAT, known, strict=True):
            setattr(seat, name, value)


def _of_lines(wirings: Sequence[Wiring]) -> Iterable[Entry]:
    """What is done to lines and pins that the CPU does not drive."""
    said = (entry for wiring in wirings for entry in wiring.entries)
    return [entry for entry in said if entry.name and not is_cpu_line(entry.name)]
