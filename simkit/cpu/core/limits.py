"""What the core leaves to the reference engine."""

from __future__ import annotations

from simkit.cpu.isa import operations as ops
from simkit.cpu.isa.opcodes import OPCODES

LEFT_TO_REFERENCE = frozenset(("WAI", "STP", "JAM", *ops.UNSTABLE_STORE))
"""Instructions that may stop the CPU, and those that ask whether RDY stalled them."""

LONGEST = 8
"""Most cycles of an instruction."""

MOST_RECORDS = LONGEST + 2
"""Most records of an instruction: its cycles, and the registers before it."""


def leaves(part: str, *, spare_reads_operand: bool) -> bytes:
    """By opcode: not 0 where the instruction is the reference engine's.

    Args:
        part: "6502" or "65C02".
        spare_reads_operand: the spare cycle of an indexed store is wired as the core does not have it.
    """
    stores = ops.STORE if spare_reads_operand and part == "65C02" else {}
    return bytes(
        opcode.mnemonic in LEFT_TO_REFERENCE or (opcode.mnemonic in stores and opcode.mode in ("absx", "absy", "indy"))
        for opcode in OPCODES[part]
    )
