"""Whether a program has left its code, seen afterwards: by its last instructions and by what memory holds.

`simkit check` watches every fetch and knows better; this costs nothing while the machine runs.
"""

from __future__ import annotations

from simkit.check.image.ground import Ground, Map
from simkit.machine.machine import Machine
from simkit.machine.told import Executed, Loop

LINES_BEFORE = 8
"""Of instructions before it left."""

BYTES_OF_NOISE = 8
"""Bytes that memory must hold as at power-on, before and behind an instruction, for it to be no program."""


def astray(machine: Machine) -> tuple[str, list[Executed | Loop]] | None:
    """Where the program left its code, in words, and the instructions before; None when the last ones are all program.

    A place is no program where no card answers, in registers, in a long run of one byte in a ROM, and in memory that
    holds what it held when the power came up.
    """
    look = _Look(machine)
    notes = list(machine.cpu.recent)
    if not machine.cpu.held and not machine.cpu.reset_due:
        notes.append((machine.cycle, machine.cpu.pc))
    for number, (cycle, pc) in enumerate(notes):
        where = look.no_program(pc)
        if where is None:
            continue
        told = f"the program is no longer in its code: it fetches an opcode from {where} at ${pc:04X}"
        when = f"in cycle {cycle:,}".replace(",", " ")
        if number:
            before = machine.place(notes[number - 1][1]).words()
            return f"{told} {when}, after the instruction at {before}.", machine.told(notes[:number], LINES_BEFORE)
        return f"{told} {when}, or earlier; `simkit check` tells where it left.", []
    return None


class _Look:
    def __init__(self, machine: Machine) -> None:
        self._machine = machine
        self._map = Map(machine)
        self._known: dict[int, str | None] = {}
        self._fresh: Machine | None = None
        self._filled = set(machine.images())  # memory that comes up with a program in it

    def no_program(self, pc: int) -> str | None:
        if pc not in self._known:
            self._known[pc] = self._looked(pc)
        return self._known[pc]

    def _looked(self, pc: int) -> str | None:
        place = self._map(self._machine.bus.reach.table.read_plan(pc), False)
        if place.kind is Ground.NOBODY:
            return "no card"
        if place.kind is Ground.REGISTER:
            return f"a register of {self._machine.cards[place.slot].title}"
        if place.kind is Ground.ROM and place.shadow is not None and not place.shadow[place.offset]:
            return "filler of the ROM"
        if (
            place.kind is Ground.RAM
            and place.slot not in self._filled
            and self._as_at_power_on(place.slot, place.offset)
        ):
            return "memory that holds what it held at power-on"
        return None

    def _as_at_power_on(self, slot: int, offset: int) -> bool:
        if self._fresh is None:
            self._fresh = Machine(self._machine.description, self._machine.images(), engine="exact")
        here = slice(max(0, offset - BYTES_OF_NOISE), offset + BYTES_OF_NOISE)
        now, then = (_memory(machine, slot)[here] for machine in (self._machine, self._fresh))
        return now == then


def _memory(machine: Machine, slot: int) -> bytes:
    plain = next(seat.plain for seat in machine.bus.seats if seat.slot == slot)
    return bytes(plain.read) if plain is not None and plain.read is not None else b""
