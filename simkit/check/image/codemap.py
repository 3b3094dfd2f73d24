"""Which addresses surely are instructions, found by following the program from its vectors.

After a JSR the way on is not sure: text may lie there for the routine to print. So it is followed only where nothing
speaks against it: the walk gives up a way after a JSR when it meets an opcode the CPU does not have. Filler is no
program: where a way leads into it, it ends.
"""

from __future__ import annotations

from collections.abc import Iterable

from simkit.check.image.ground import program_bytes
from simkit.cpu.isa.opcodes import OPCODES
from simkit.machine.machine import Machine

JMP_INDIRECT = 0x6C

ENDS = frozenset(("RTS", "RTI", "JMP", "BRK", "STP", "JAM", "BRA"))


def reached(machine: Machine, entries: Iterable[int], *, behind_calls: bool = True) -> set[int]:
    """Addresses of instructions that surely can be reached from the entries; in ROM and in loaded programs.

    Args:
        machine: the machine.
        entries: addresses of first instructions.
        behind_calls: go on behind a JSR, where text may lie.
    """
    programs: dict[int, bytearray] = {}

    def is_program(address: int) -> bool:
        found = machine.bus.where(address)
        if not found:
            return False
        seat, offset = found[0]
        if any(slot == seat.slot and start <= offset < end for slot, start, end in machine.loaded):
            return True
        content = seat.rom()
        if content is None:
            return False
        if seat.slot not in programs:
            programs[seat.slot] = program_bytes(bytes(content))
        return bool(programs[seat.slot][offset])

    table = OPCODES[machine.description.cpu]
    seen: set[int] = set()
    todo = [(entry, True) for entry in entries]
    while todo:
        address, sure = todo.pop()
        while address not in seen and is_program(address):
            opcode = table[machine.peek(address)]
            if not opcode.documented and not sure:
                break
            seen.add(address)
            following = address + opcode.length & 0xFFFF
            name, mode = opcode.mnemonic, opcode.mode
            if mode in ("rel", "zprel"):
                offset = machine.peek(following - 1 & 0xFFFF)
                todo.append((following + (offset ^ 0x80) - 0x80 & 0xFFFF, sure))
            elif mode == "abs" and name in ("JMP", "JSR"):
                low, high = machine.peek(address + 1 & 0xFFFF), machine.peek(address + 2 & 0xFFFF)
                todo.append((high << 8 | low, sure))
                sure = sure and name != "JSR"
            if name in ENDS or (name == "JSR" and not behind_calls):
                break
            address = following
    return seen
