"""Which cards a routine names, as far as it can be followed from its first instruction."""

from __future__ import annotations

from collections.abc import Iterator

from simkit.check.image.codemap import reached
from simkit.cpu.isa.opcodes import OPCODES
from simkit.machine.machine import Machine

_ABSOLUTE = ("abs", "absx", "absy")


def word(machine: Machine, address: int) -> int:
    """Two bytes as the CPU would read them, low byte first."""
    low, high = (int(machine.peek(at & 0xFFFF)) for at in (address, address + 1))
    return high << 8 | low


def slots_named(machine: Machine, routine: int) -> Iterator[int]:
    """Slots of cards whose addresses stand in the routine, also behind a JMP through a pointer as it stands now."""
    table = OPCODES[machine.description.cpu]
    found = reached(machine, [routine])
    pointers = [word(machine, pc + 1) for pc in found if table[machine.peek(pc)].mode == "ind"]
    found |= reached(machine, [word(machine, pointer) for pointer in pointers])
    for pc in found:
        if table[machine.peek(pc)].mode in _ABSOLUTE:
            for is_write in (False, True):
                for seat, _ in machine.bus.where(word(machine, pc + 1), is_write=is_write):
                    yield seat.slot
