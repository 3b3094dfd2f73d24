"""What lies behind an address, as the running rules need it: memory and whether it was written, registers, nothing."""

from __future__ import annotations

import re
from enum import IntEnum

import attrs

from simkit.backplane.decode import Plan
from simkit.backplane.seat import Seat
from simkit.contract.registers import Register
from simkit.machine.machine import Machine

FILL_BYTES = 32
"""A run of one byte at least this long in a ROM counts as filler, $EA (NOP) excepted: nobody writes such a program."""


LAST_BYTES = 3
"""Bytes before a filler of $40 or $60 that may look like it: the operand of the last instruction, and RTI or RTS."""


class Ground(IntEnum):
    """Kinds of place."""

    ROM = 0
    RAM = 1
    REGISTER = 2
    NOBODY = 3
    OTHER = 4  # memory that a card keeps to itself, or several cards at once


@attrs.define(slots=True, eq=False)
class Place:
    """What an access at one address reaches.

    Attributes:
        kind: what it is.
        slot: slot of the card, 0 for nobody.
        offset: what the card's address pins see.
        shadow: one byte an offset of its memory, 1 once written (ROM: 1 where it is not filler); None for no memory.
        reads: register a read reaches, if any.
        writes: register a write reaches, if any.
    """

    kind: Ground
    slot: int = 0
    offset: int = 0
    shadow: bytearray | None = None
    reads: Register | None = None
    writes: Register | None = None


def code_at(machine: Machine, pc: int) -> int:
    """Byte of the program at an address; plain memory is looked at without asking its card."""
    page = machine.bus.reach.shown[0][pc >> 8]
    return int(machine.peek(pc)) if page is None else page[pc & 0xFF]


class Map:
    """Places by access plan, made when first met; and the shadow of all memory.

    Attributes:
        known: the places met so far.
    """

    def __init__(self, machine: Machine) -> None:
        self._shadows: dict[int, bytearray] = {}
        self._roms: set[int] = set()
        self._registers: dict[int, tuple[dict[int, Register], dict[int, Register]]] = {}
        self.known: dict[Plan, Place] = {}
        for seat in machine.bus.seats:
            self._add(seat)
        for slot, start, end in machine.loaded:
            self.written(slot, start, end)

    def _add(self, seat: Seat) -> None:
        rom, plain = seat.rom(), seat.plain
        if rom is not None:
            self._shadows[seat.slot] = program_bytes(bytes(rom))
            self._roms.add(seat.slot)
        elif plain is not None and plain.read is not None:
            self._shadows[seat.slot] = bytearray(len(plain.read))
        registers = seat.registers
        self._registers[seat.slot] = (
            {register.offset: register for register in registers if "r" in register.access},
            {register.offset: register for register in registers if "w" in register.access},
        )

    def memory(self) -> dict[int, int]:
        """Bytes of memory that can be written, by slot."""
        return {slot: len(shadow) for slot, shadow in self._shadows.items() if slot not in self._roms}

    def written(self, slot: int, start: int, end: int) -> None:
        """Memory of a card was changed from outside: it counts as written."""
        shadow = self._shadows.get(slot)
        if shadow is not None:
            shadow[start:end] = b"\x01" * (min(end, len(shadow)) - start)

    def __call__(self, plan: Plan, is_write: bool) -> Place:
        """The place that an access with this plan reaches."""
        place = self.known.get(plan)
        if place is None:
            place = self.known[plan] = self._place(plan, is_write)
        return place

    def _place(self, plan: Plan, is_write: bool) -> Place:
        reached = [(seat, offset) for seat, offset, _ in plan.drivers]
        if is_write:
            reached = list(plan.takers)
        if not reached:
            return Place(Ground.NOBODY)
        seat, offset = reached[0]
        if len(reached) > 1:
            return Place(Ground.OTHER, seat.slot, offset)
        shadow = self._shadows.get(seat.slot)
        if shadow is not None:
            kind = Ground.ROM if seat.slot in self._roms else Ground.RAM
            return Place(kind, seat.slot, offset, shadow)
        if seat.holds_program(offset):
            return Place(Ground.OTHER, seat.slot, offset)
        readable, writable = self._registers[seat.slot]
        return Place(Ground.REGISTER, seat.slot, offset, None, readable.get(offset), writable.get(offset))


def program_bytes(image: bytes) -> bytearray:
    """1 for each byte that is program or data, 0 for filler: a long run of one byte other than $EA."""
    marks = bytearray(b"\x01" * len(image))
    for start, length, byte in runs_of_one_byte(image, FILL_BYTES):
        if byte != 0xEA:
            code = LAST_BYTES if byte in (0x40, 0x60) else 0
            marks[start + code : start + length] = bytes(length - code)
    return marks


def runs_of_one_byte(content: bytes, least: int) -> list[tuple[int, int, int]]:
    """Runs of one byte, at least so long: (offset, length, byte)."""
    run = rb"(.)\1{%d,}" % (least - 1)
    return [(found.start(), found.end() - found.start(), found[1][0]) for found in re.finditer(run, content, re.DOTALL)]
