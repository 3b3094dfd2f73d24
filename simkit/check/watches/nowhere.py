"""Accesses that nobody answers: reads that no card drives, cells that nobody wrote, registers that are not there."""

from __future__ import annotations

from simkit.backplane.decode import Table
from simkit.backplane.unanswered import Silent, nearly, silent
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
        self._silent: dict[tuple[Table, int, bool], Silent | None] = {}

    def written(self, address: int, value: int, cycle: int, pc: int | None) -> None:
        """A write reached no card."""
        silent = self._selected(address, is_write=True)
        if silent is not None and silent.by_strobe:
            text = f"A write of ${value:02X} to ${address:04X} is lost: {silent.text}."
            self._notes.add("strobe-false", cycle, text, pc=pc, address=address, slot=silent.slot)
            return
        self._notes.add(
            "write-nowhere",
            cycle,
            f"A write of ${value:02X} to ${address:04X} reaches no card{self._why(silent, address, is_write=True)}.",
            pc=pc,
            address=address,
        )

    def read(self, address: int, cycle: int, pc: int | None, code: int, reads: str = "The program reads") -> None:
        """A read that no card drives, by an instruction with this opcode; `reads`: who reads."""
        if _skips(code, address):
            return
        what = "the stack, " if address >> 8 == 1 else ""
        silent = self._selected(address, is_write=False)
        if silent is not None and silent.by_strobe:
            text = f"{reads} {what}${address:04X}, and nobody drives it: {silent.text}."
            self._notes.add("strobe-false", cycle, text, pc=pc, address=address, slot=silent.slot)
            return
        self._notes.add(
            "undriven-read",
            cycle,
            f"{reads} {what}${address:04X}, which no card drives{self._why(silent, address, is_write=False)}.",
            pc=pc,
            address=address,
        )

    def _selected(self, address: int, *, is_write: bool) -> Silent | None:
        """A card that is selected there and keeps silent."""
        bus = self._machine.bus
        key = bus.reach.table, address, is_write
        if key not in self._silent:
            self._silent[key] = silent(bus, address, is_write=is_write)
        return self._silent[key]

    def _why(self, silent: Silent | None, address: int, *, is_write: bool) -> str:
        """What is to be said of an access besides: the card that has nothing there, or the level that keeps one out."""
        if silent is not None:
            return f": {silent.text}"
        clause = nearly(self._machine.bus, address, is_write=is_write)
        return f", but {clause}" if clause else ""

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
