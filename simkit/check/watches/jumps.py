"""Indirect jumps whose pointer stands across the end of a page, on the part that does not carry into the high byte."""

from __future__ import annotations

from simkit.check.result.notes import Notes
from simkit.machine.machine import Machine


class PageEndJumps:
    """Looks at the operand of each JMP (pointer) that is about to run."""

    def __init__(self, machine: Machine, notes: Notes) -> None:
        self._machine = machine
        self._notes = notes

    def fetched(self, pc: int, cycle: int) -> None:
        """The opcode of such a jump was fetched: note it if the wrong cell gives it another address."""
        low, high = (int(self._machine.peek(pc + n & 0xFFFF)) for n in (1, 2))
        if low != 0xFF:
            return
        pointer = high << 8 | low
        meant, taken = (int(self._machine.peek(at)) for at in (pointer + 1 & 0xFFFF, high << 8))
        if meant == taken:
            return
        first = int(self._machine.peek(pointer))
        self._notes.add(
            "jump-over-page-end",
            cycle,
            f"JMP (${pointer:04X}) takes the high byte of its address from ${high << 8:04X} and not from "
            f"${pointer + 1 & 0xFFFF:04X}: it goes to ${taken << 8 | first:04X} and not to ${meant << 8 | first:04X}.",
            pc=pc,
            address=pointer,
        )
