"""Requests for an interrupt on a pin that is joined to nothing: the card asks, and nobody can hear it."""

from __future__ import annotations

from simkit.backplane.vectors import VECTORS
from simkit.check.image.ground import Place
from simkit.check.image.named import slots_named, word
from simkit.check.result.notes import Notes
from simkit.contract.lines import Pin
from simkit.machine.machine import Machine


class UnheardRequests:
    """Follows cards whose request output is joined to nothing.

    A program that looks at the card's status while it asks needs no interrupt: many leave such a pin open and poll.
    """

    def __init__(self, machine: Machine, notes: Notes) -> None:
        self._machine = machine
        self._notes = notes
        self._open: dict[int, list[Pin]] = {}  # by slot
        for seat in machine.bus.seats:
            found = [pin for pin in seat.connector.pins.values() if pin.spec.request and pin.line is None]
            if found:
                self._open[seat.slot] = found

    def looked(self, place: Place) -> None:
        """A register was read: who looks at a status while the card asks has no need of the pin."""
        pins = self._open.get(place.slot)
        register = place.reads
        if pins and register is not None and not register.is_port and (register.bits or register.access == "r"):
            self._open[place.slot] = [pin for pin in pins if pin.value is not False]

    def report(self, *, irq_taken: bool) -> None:
        """Note those that ask at the end of the run, where the program is written for the interrupt.

        Args:
            irq_taken: an interrupt came from somewhere.
        """
        asking = {slot: [pin for pin in pins if pin.value is False] for slot, pins in self._open.items()}
        asking = {slot: pins for slot, pins in asking.items() if pins}
        if not asking:
            return
        served: dict[int, str] = {}  # slot and name of the vector
        for name in ("NMI", "IRQ"):
            handler = word(self._machine, VECTORS[name])
            served.update(dict.fromkeys(slots_named(self._machine, handler), f"the {name} handler at ${handler:04X}"))
        for slot, pins in asking.items():
            if slot in served:
                why = f"{served[slot]} is written for it"
            elif not irq_taken and not self._machine.cpu.i:
                why = "the program allows interrupts (I = 0) and none ever came"
            else:
                continue
            names = " and ".join(pin.spec.name for pin in pins)
            self._notes.add(
                "request-unheard",
                self._machine.cycle,
                f"{self._machine.cards[slot].title} pulls {names} low to the end of the run, and {names} is joined to "
                f"nothing; {why}. Nobody looked at its status meanwhile.",
                pc=None,
                slot=slot,
            )
