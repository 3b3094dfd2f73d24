"""Accesses that nobody answers: reads that no card drives, cells that nobody wrote, registers that are not there."""

from __future__ import annotations

from simkit.check.image.ground import Place
from simkit.check.result.notes import Notes
from simkit.contract.registers import Register
from simkit.machine.found import who
from simkit.machine.machine import Machine

_BIT_ABSOLUTE = 0x2C
_LOADS_IMMEDIATE = (0xA9, 0xA2, 0xA0)  # LDA, LDX, LDY


class Nowhere:
    """Notes them with the instruction that makes them."""

    def __init__(self, machine: Machine, notes: Notes) -> None:
        self._machine = machine
        self._notes = notes

    def written(self, address: int, value: int, cycle: int, pc: int | None) -> None:
        """A write reached no card."""
        self._notes.add(
            "write-nowhere",
            cycle,
            f"A write of ${value:02X} to ${address:04X} reaches no card.",
            pc=pc,
            address=address,
        )

    def read(self, address: int, cycle: int, pc: int | None, code: int, reads: str = "The program reads") -> None:
        """A read that no card drives, by an instruction with this opcode; `reads`: who reads."""
        if _skips(code, address):
            return
        what = "the stack, " if address >> 8 == 1 else ""
        self._notes.add(
            "undriven-read",
            cycle,
            f"{reads} {what}${address:04X}, which no card drives.",
            pc=pc,
            address=address,
        )

    def never_written(self, address: int, cycle: int, place: Place, pc: int | None, code: int) -> None:
        """A cell is read that nobody wrote since power-on."""
        if _skips(code, address):
            return
        assert place.shadow is not None
        place.shadow[place.offset] = 1  # who reads it first is reported, not everybody after
        label = self._machine.place(address).name
        self._notes.add(
            "never-written",
            cycle,
            f"${address:04X}{f' ({label})' if label else ''} is read and was never written since power-on.",
            pc=pc,
            address=address,
            slot=place.slot,
        )

    def write_only(self, register: Register, address: int, cycle: int, place: Place, pc: int | None) -> None:
        """A register is read that can only be written."""
        self._notes.add(
            "write-only-read",
            cycle,
            f"Register {register.name} of {who(self._machine, place.slot)} at ${address:04X} can only be written.",
            pc=pc,
            address=address,
            slot=place.slot,
        )


def _skips(code: int, address: int) -> bool:
    """Whether the read is that of a BIT which only hides a load (`.byte $2C` before `lda #`): nobody wants it."""
    return code == _BIT_ABSOLUTE and address & 0xFF in _LOADS_IMMEDIATE
