"""Interrupts that cannot come: the card asks on a pin that is joined to nothing, or was never told to ask."""

from __future__ import annotations

from simkit.backplane.seat import Seat
from simkit.backplane.vectors import VECTORS
from simkit.check.image.ground import Place
from simkit.check.image.named import slots_named, word
from simkit.check.result.notes import Notes
from simkit.contract.lines import Pin
from simkit.machine.machine import Machine


class UnheardRequests:
    """Follows cards that can ask for an interrupt and are not heard.

    A program that looks at the card's status needs no interrupt: many leave such a pin open, or the source off, and
    poll.
    """

    def __init__(self, machine: Machine, notes: Notes) -> None:
        self._machine = machine
        self._notes = notes
        self._open: dict[int, list[Pin]] = {}  # by slot
        self._silent: dict[int, Seat] = {}  # cards that may ask, at which the program has not looked
        for seat in machine.bus.seats:
            requests = [pin for pin in seat.connector.pins.values() if pin.spec.request]
            if found := [pin for pin in requests if pin.line is None]:
                self._open[seat.slot] = found
            if requests:
                self._silent[seat.slot] = seat

    def looked(self, place: Place) -> None:
        """A register was read: who looks at a status has no need of the interrupt."""
        register = place.reads
        if place.slot not in self._silent and place.slot not in self._open:
            return
        if register is not None and not register.is_port and (register.bits or register.access == "r"):
            self._silent.pop(place.slot, None)
            if pins := self._open.get(place.slot):
                self._open[place.slot] = [pin for pin in pins if pin.value is not False]

    def report(self, *, irq_taken: bool) -> None:
        """Note those that ask at the end of the run, where the program is written for the interrupt.

        Args:
            irq_taken: an interrupt came from somewhere.
        """
        if not irq_taken and not self._machine.cpu.i:
            self._report_silent()
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

    def _report_silent(self) -> None:
        """Note that no interrupt can come, where all cards of the handler say why and one was set up."""
        machine = self._machine
        handler = word(machine, VECTORS["IRQ"])
        asked = []
        for slot in sorted(set(slots_named(machine, handler))):
            seat = next(seat for seat in machine.bus.seats if seat.slot == slot)
            requests = [pin.spec.name for pin in seat.connector.pins.values() if pin.spec.request]
            if not requests:
                continue
            why = "; ".join(filter(None, (seat.standstill(name, machine.cycle) for name in requests)))
            if not why or slot not in self._silent:
                return  # it may still come, or is polled
            asked.append((seat, why))
        for seat, why in asked:
            if seat.set_up(machine.cycle):
                self._notes.add(
                    "request-not-made",
                    machine.cycle,
                    f"The program allows interrupts and none ever came, though the handler at ${handler:04X} is "
                    f"written for {machine.cards[seat.slot].title}: {why}.",
                    pc=None,
                    slot=seat.slot,
                )
