"""What a program began to set up at a card and never finished, by the card's word at the end of the run."""

from __future__ import annotations

from simkit.check.result.notes import Notes
from simkit.machine.machine import Machine


def report_undone(machine: Machine, notes: Notes) -> None:
    """Note it for each card."""
    for seat in machine.bus.seats:
        undone = seat.left_undone(machine.cycle)
        if undone:
            notes.add(
                "set-up-half-done",
                machine.cycle,
                f"At the end of the run, {machine.cards[seat.slot].title}: {undone}.",
                pc=None,
                slot=seat.slot,
            )
