"""Power and the reset button."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from simkit.backplane.agenda import OUTSIDE_MACHINE
from simkit.backplane.bus import Bus
from simkit.backplane.cpu_check import check_cpu_pins
from simkit.backplane.joining import as_cards_reach
from simkit.backplane.seat import Seat
from simkit.backplane.self_check import check_power_on
from simkit.contract.findings import Findings
from simkit.contract.lines import Drive, Pin, PinSpec
from simkit.cpu.reference.engine import ExactCpu
from simkit.machine.lengths import whole
from simkit.machine.loader import Area, load_programs
from simkit.machinefile.description import Description
from simkit.timing.limits import check_parts

RESET_CYCLES = 8
"""Least cycles the reset button holds RESET low; the CPU wants two (W65C02S data sheet, section 3, RESB)."""

RESET_SECONDS = Fraction(4, 1_000_000)
"""Least time the reset button holds RESET low: longer than any card wants, the tile-video chip 3 us."""


class ResetButton:
    """The button that pulls RESET low, joined to the line as the cards reach it; pressed by outside events."""

    def __init__(self, bus: Bus) -> None:
        self._bus = bus
        self._pin = Pin(PinSpec(name="reset button", drive=Drive.OPEN_DRAIN), OUTSIDE_MACHINE)
        bus.nets.line(as_cards_reach("RESET", bus.wiring)).join(self._pin)
        bus.agenda.machine_events["reset"] = self._moved

    def press(self, cycle: int, clock_hz: Fraction) -> None:
        """Have it pressed in a cycle, for RESET_CYCLES cycles or RESET_SECONDS, whichever is longer."""
        held = max(RESET_CYCLES, whole(RESET_SECONDS * clock_hz))
        for at, pressed in ((cycle, True), (cycle + held, False)):
            self._bus.agenda.schedule(at, OUTSIDE_MACHINE, "machine", "reset", (pressed,))

    def _moved(self, arguments: tuple[Any, ...], cycle: int) -> None:
        self._pin.drive(False if arguments[0] else None, cycle)


def switch_on(bus: Bus, description: Description, cpu: ExactCpu, findings: Findings) -> tuple[list[Area], list[str]]:
    """Switch the power on: cards, RESET, programs in RAM, the check at power-on, and the CPU last.

    Args:
        bus: with all cards, attached to the CPU.
        description: of the machine.
        cpu: the CPU.
        findings: where the check puts what it finds.

    Returns:
        Memory that programs were put into, and what is to be told of them.
    """
    for seat in bus.seats:
        seat.power_on()
    for asserted in (True, False):
        for seat in bus.seats:
            arrives = seat.reset_arrives(asserted)
            if arrives is not None:
                seat.reset(arrives, 0)
    for seat in bus.seats:
        if seat.unreset:
            seat.left_unreset()
    bus.settle(0)
    loaded, notes = load_programs(bus, description.programs)
    check_power_on(bus, findings)
    check_cpu_pins(description.cpu, bus, findings)
    check_parts(description, bus, findings)
    cpu.power_on()
    return loaded, notes


def forget_pokes(bus: Bus, seat: Seat, fresh: Seat) -> None:
    """What was poked into a memory that comes from its image is gone with the power.

    Args:
        bus: of the machine that is switched off and on.
        seat: of the memory.
        fresh: the same of a machine just switched on.
    """
    mine, its = (one.plain.read if one.plain is not None else None for one in (seat, fresh))
    if mine is not None and its is not None and mine != its:
        mine[:] = its
        bus.memory_changed(seat.slot, 0, len(mine))
