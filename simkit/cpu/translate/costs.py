"""Cycles of an instruction, and which flags and registers it uses and sets.

Sources: MOS Technology, MCS6500 Hardware Manual, January 1976, appendix A; Western Design Center, W65C02S data sheet,
tables 6-4 and 6-5.
"""

from __future__ import annotations

from simkit.cpu.isa import operations as ops
from simkit.cpu.isa.opcodes import Opcode

INDEX = {"absx": "x", "absy": "y", "indy": "y", "zpx": "x", "zpy": "y", "indx": "x", "iax": "x"}
"""Index register by addressing mode."""

ACCESS_CYCLES = {
    "imm": 2,
    "zp": 3,
    "zpx": 4,
    "zpy": 4,
    "abs": 4,
    "izp": 5,
    "indx": 6,
    "absx": 4,
    "absy": 4,
    "indy": 5,
}
"""Cycles of a read, without those for a crossed page; a store in an indexed mode always takes one more."""

CROSSING = ("absx", "absy", "indy")
"""Modes in which the sum of base and index may leave the page of the base."""

SHIFTS = ("ASL", "LSR", "ROL", "ROR")
ALL_FLAGS = frozenset("nzcv")

_SETS = {
    **dict.fromkeys(("ADC", "SBC", "PLP", "RTI"), "nzcv"),
    **dict.fromkeys(("CMP", "CPX", "CPY", *SHIFTS), "nzc"),
    "BIT": "nzv",
    **dict.fromkeys(("TSB", "TRB"), "z"),
    **dict.fromkeys(("CLC", "SEC"), "c"),
    "CLV": "v",
    **dict.fromkeys(("LDA", "LDX", "LDY", "ORA", "AND", "EOR", "INC", "DEC", "PLA", "PLX", "PLY"), "nz"),
    **dict.fromkeys(("TAX", "TAY", "TXA", "TYA", "TSX", "INX", "INY", "DEX", "DEY"), "nz"),
}
_USES = {
    **dict.fromkeys(("ADC", "SBC", "ROL", "ROR", "BCC", "BCS"), "c"),
    **dict.fromkeys(("BPL", "BMI"), "n"),
    **dict.fromkeys(("BNE", "BEQ"), "z"),
    **dict.fromkeys(("BVC", "BVS"), "v"),
    "PHP": "nzcv",
}
_REGISTERS_USED = {
    **dict.fromkeys(("ORA", "AND", "EOR", "ADC", "SBC", "CMP", "BIT", "TSB", "TRB", "STA", "TAX", "TAY", "PHA"), "a"),
    **dict.fromkeys(("CPX", "STX", "TXA", "TXS", "INX", "DEX", "PHX"), "x"),
    **dict.fromkeys(("CPY", "STY", "TYA", "INY", "DEY", "PHY"), "y"),
    "TSX": "s",
}
_REGISTERS_SET = {
    **dict.fromkeys(("LDA", "ORA", "AND", "EOR", "ADC", "SBC", "TXA", "TYA", "PLA"), "a"),
    **dict.fromkeys(("LDX", "TAX", "TSX", "INX", "DEX", "PLX"), "x"),
    **dict.fromkeys(("LDY", "TAY", "INY", "DEY", "PLY"), "y"),
    "TXS": "s",
}


def flags_set(opcode: Opcode) -> frozenset[str]:
    """Flags among n, z, c, v that the instruction gives a new value."""
    if opcode.mnemonic == "BIT" and opcode.mode == "imm":
        return frozenset("z")
    return frozenset(_SETS.get(opcode.mnemonic, ""))


def flags_used(opcode: Opcode) -> frozenset[str]:
    """Flags the instruction looks at."""
    return frozenset(_USES.get(opcode.mnemonic, ""))


def registers_used(opcode: Opcode) -> frozenset[str]:
    """Registers among a, x, y, s whose value matters."""
    used = set(_REGISTERS_USED.get(opcode.mnemonic, "")) | set(INDEX.get(opcode.mode, ""))
    if opcode.mode == "acc":
        used.add("a")
    return frozenset(used)


def registers_set(opcode: Opcode) -> frozenset[str]:
    """Registers that get a new value."""
    return frozenset("a" if opcode.mode == "acc" else _REGISTERS_SET.get(opcode.mnemonic, ""))


def is_store(opcode: Opcode) -> bool:
    """STA, STX, STY, STZ."""
    return opcode.mnemonic in ("STA", "STX", "STY", "STZ")


def is_modify(opcode: Opcode) -> bool:
    """Read-modify-write on memory."""
    return opcode.mnemonic in ops.MODIFY and opcode.mode != "acc"


def is_read(opcode: Opcode) -> bool:
    """Reads a byte and keeps it in registers or flags."""
    return opcode.mnemonic in ops.READ and opcode.mnemonic != "NOP" and opcode.mode != "acc"


def fixed_cycles(opcode: Opcode, cmos: bool, decimal: bool) -> int:
    """Cycles that the instruction always takes, branches counted as not taken."""
    name, mode = opcode.mnemonic, opcode.mode
    if is_read(opcode):
        return ACCESS_CYCLES[mode] + (1 if cmos and decimal and name in ("ADC", "SBC") else 0)
    if is_store(opcode):
        return ACCESS_CYCLES[mode] + (1 if mode in CROSSING else 0)
    if is_modify(opcode):
        if mode == "absx":
            return 6 if cmos and name in SHIFTS else 7
        return ACCESS_CYCLES[mode] + 2
    if name[:3] in ("BBR", "BBS"):
        return 5
    if name in ops.PUSH:
        return 3
    if name in ops.PULL:
        return 4
    if name == "JMP":
        return 3 if mode == "abs" else 6 if cmos else 5
    if name in ("JSR", "RTS", "RTI"):
        return 6
    return 2


def pays_crossing(opcode: Opcode, cmos: bool) -> bool:
    """Whether a crossed page costs one cycle more."""
    if opcode.mode not in CROSSING:
        return False
    return is_read(opcode) or (is_modify(opcode) and cmos and opcode.mnemonic in SHIFTS)


def taken_cycles(after: int, target: int) -> int:
    """Cycles that a taken branch costs more: one, two into another page than the byte behind it lies in."""
    return 2 if (after ^ target) & 0xFF00 else 1
