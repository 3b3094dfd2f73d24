"""Registers that a handler does not restore, where the main program needs them, also if none came there in the run."""

from __future__ import annotations

import attrs

from simkit.check.image.ground import code_at
from simkit.check.image.liveness import Liveness
from simkit.check.result.notes import Notes
from simkit.check.watches.ran import ALLOWED, FORBIDDEN, Ran
from simkit.cpu.isa.effects import effects
from simkit.machine.machine import Machine


@attrs.frozen
class Spoiled:
    """A register that a handler has given back changed.

    Attributes:
        cause: "IRQ" or "NMI".
        name: "a", "x" or "y".
        handler: address of the handler.
        rti: instruction at which it returned.
        cycle: of that.
    """

    cause: str
    name: str
    handler: int
    rti: int
    cycle: int


class OpenRegisters:
    """What handlers changed against what the main program needs.

    Args:
        machine: the machine.
        ran: which instructions ran.

    Attributes:
        spoiled: registers that handlers changed, by cause, register and RTI.
    """

    def __init__(self, machine: Machine, ran: Ran) -> None:
        self._machine = machine
        self._ran = ran
        self.spoiled: dict[tuple[str, str, int], Spoiled] = {}

    def returned(self, cause: str, handler: int, rti: int, changed: list[str], cycle: int) -> None:
        """A handler has returned to the main program with these registers changed."""
        for name in changed:
            self.spoiled.setdefault((cause, name, rti), Spoiled(cause, name, handler, rti, cycle))

    def report(self, notes: Notes) -> None:
        """Note each register that is needed where the handler may come; not those that it was seen to spoil."""
        if not self.spoiled or self._machine.bus.reach.banks.lines:  # programs that share addresses cannot be followed
            return
        seen = {(one.pc, one.message[:1].lower()) for one in notes.all() if one.rule == "handler-registers"}
        machine = self._machine
        live = Liveness(
            self._ran.of(ALLOWED, FORBIDDEN), lambda at: code_at(machine, at), effects(machine.description.cpu)
        )
        for one in self.spoiled.values():
            if (one.rti, one.name) in seen:
                continue
            kinds = (ALLOWED,) if one.cause == "IRQ" else (ALLOWED, FORBIDDEN)
            for pc in self._ran.of(*kinds):
                user = live.used_by(pc, one.name) if one.name in live.needed(pc) else None
                if user is not None:
                    self._note(notes, one, pc, user)
                    break

    def _note(self, notes: Notes, one: Spoiled, pc: int, user: int) -> None:
        place, used = (self._machine.place(at).words() for at in (pc, user))
        allowed = "while interrupts are allowed" if one.cause == "IRQ" else "and nothing forbids an NMI"
        what = f"{one.name.upper()} is needed at {used}"
        where = what if pc == user else f"{what}, and from {place} on the {one.cause} may come"
        notes.add(
            "registers-open",
            one.cycle,
            f"The handler at ${one.handler:04X} gives {one.name.upper()} back changed at ${one.rti:04X}. {where} "
            f"{allowed}. In this run none came there.",
            pc=one.rti,
            address=user,
        )
