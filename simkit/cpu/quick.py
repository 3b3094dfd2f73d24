"""Bodies of the quick functions: whole instructions on plain memory (see handlers.py)."""

from __future__ import annotations

from simkit.cpu.opcodes import Opcode


def quick_body(opcode: Opcode, cmos: bool, spare_reads_operand: bool) -> str:
    """Body of `quick_XX(cpu, page, here)`."""
    return "return True"
