"""RDY that stays low: a run goes no further where nothing could let it go any more."""

from __future__ import annotations

from simkit.backplane.blame import failure
from simkit.backplane.bus import Bus
from simkit.contract.errors import CardMisuse, SimkitError
from simkit.contract.lines import Drive

LONGEST_HOLD = 20_000_000
"""Cycles for which RDY may be low in one access; a run cannot end before."""
LONGEST_HOLD_WITHOUT_EVENTS = 65_536
"""The same where no event and nothing from outside is to come that could let it go."""


def refuse_hold(bus: Bus, held_cycles: int) -> None:
    """RDY has been low for long: raise where nothing could let it go any more.

    Args:
        bus: the bus.
        held_cycles: cycles since the access began.

    Raises:
        CardError: naming the card that holds it.
        SimkitError: the wiring holds it, or the CPU.
    """
    nets = bus.nets
    ready = nets.line("RDY")
    able = [pin for pin in nets.drivers("RDY") if pin.spec.name != "CPU RDY"]  # that pulls under WAI alone
    pulled = ready.pull is False and all(pin.spec.drive is Drive.OPEN_DRAIN and pin in ready.pins for pin in able)
    if ready.tied is False or pulled or not able:
        remedy = "Take that out of the wiring: no instruction comes to its end."
        raise SimkitError("RDY is held low by the wiring for good.", remedy=remedy)
    own = next((pin.spec.name for pin in able if pin.value is False and pin.spec.name.startswith("CPU ")), None)
    if own is not None:
        remedy = "Put a flip-flop in between, or take that out of the wiring: no access comes to its end."
        raise SimkitError(f"{own} holds RDY low, which keeps it low: the CPU waits for itself.", remedy=remedy)
    if held_cycles < (LONGEST_HOLD_WITHOUT_EVENTS if bus.agenda.is_empty else LONGEST_HOLD):
        return
    did = f"has held RDY low for {held_cycles} cycles"
    remedy = "The CPU stands within an instruction then, and no run comes to its end: let go of RDY in an event."
    for pin in ready.pins:
        seat = bus.by_slot.get(pin.slot)
        if pin.value is False and seat is not None:
            raise failure(CardMisuse(did, remedy), seat.name, f"pin {pin.spec.name}", slot=seat.slot)
    raise SimkitError(f"RDY was held low for {held_cycles} cycles, by no card.", remedy=remedy)
