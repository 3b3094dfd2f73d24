"""Registers that a handler has left changed, and who uses them then."""

from __future__ import annotations

import attrs

from simkit.check.result.notes import Notes
from simkit.cpu.isa.effects import Effect

Registers = tuple[int, int, int]
"""A, X, Y."""


@attrs.frozen(slots=True)
class Damage:
    """A register that came back changed.

    Attributes:
        cause: "IRQ" or "NMI".
        handler: its address.
        rti: the instruction at which it returned.
        before: what the register was at its first instruction.
        after: what it was at the RTI.
    """

    cause: str
    handler: int
    rti: int
    before: int
    after: int


Held = dict[str | int, Damage]
"""By register ("a", "x", "y"), or by S before the push for a byte on the stack."""


class Damages:
    """Follows wrong values through registers and stack, for the program that runs just now.

    A handler is not concerned by what the program it interrupts holds wrong: that is set aside until it returns.

    Attributes:
        held: wrong values; keeps its identity.
    """

    def __init__(self, notes: Notes) -> None:
        self._notes = notes
        self.held: Held = {}

    def set_aside(self) -> Held:
        """A handler begins; gives what its `returned` wants back."""
        aside = dict(self.held)
        self.held.clear()
        return aside

    def returned(self, aside: Held, damages: Held) -> None:
        """A handler has returned to where it came from.

        Args:
            aside: what `set_aside` gave.
            damages: registers it has changed. What another handler did to it meanwhile is the other's fault.
        """
        inner = dict(self.held)
        self.held.clear()
        self.held.update(aside)
        self.held.update({name: inner.get(name, damage) for name, damage in damages.items()})

    def used(self, effect: Effect, pc: int, cycle: int, sp: int) -> None:
        """While something is wrong: the instruction at `pc` begins; does it use a wrong value?"""
        held = self.held
        for name in effect.uses:
            damage = held.pop(name, None)
            if damage is not None:
                self._notes.add(
                    "handler-registers",
                    cycle,
                    f"{name.upper()} is used here as ${damage.after:02X}; it was ${damage.before:02X} when the "
                    f"handler at ${damage.handler:04X} was entered ({damage.cause}) and it returned at "
                    f"${damage.rti:04X} without restoring it.",
                    pc=damage.rti,
                    address=pc,
                )
        if effect.copies:
            self._put(effect.copies[1], held.get(effect.copies[0]))
        elif effect.pushes:
            self._put(sp, held.get(effect.pushes))
        elif effect.pulls:
            self._put(effect.pulls, held.pop(sp + 1 & 0xFF, None))
        elif effect.sets:
            for name in effect.sets:
                self._put(name, None)
        elif effect.depth == 2:  # JSR
            self._put(sp, None)
            self._put(sp - 1 & 0xFF, None)

    def _put(self, place: str | int, damage: Damage | None) -> None:
        if damage is None:
            self.held.pop(place, None)
        else:
            self.held[place] = damage
