"""What each instruction does to registers and flags, as short source texts from which the handlers are built.

A text works on `cpu` and on `m`, the byte the instruction reads; a text of a read-modify-write instruction leaves the
new byte in `m`. Flags are kept apart, so that most instructions set them by plain assignment:

    cpu.n  bit 7 of it is N      cpu.z  Z is set when it is 0      cpu.c  0 or 1
    cpu.v  V is set when not 0   cpu.d, cpu.i  set when not 0

Sources: MOS Technology, MCS6500 Programming Manual, 1976; Western Design Center, W65C02S data sheet, table 6-5;
undocumented opcodes: groepaz, NMOS 6510 Unintended Opcodes, v0.92, 2017, and masswerk, 6502/6510 illegal opcodes, 2021.
"""

from __future__ import annotations

from textwrap import indent

_ADD_BINARY = """
r = cpu.a + m + cpu.c
cpu.v = (cpu.a ^ r) & (m ^ r) & 0x80
cpu.c = r >> 8
cpu.a = cpu.n = cpu.z = r & 0xFF
"""
_SUBTRACT_BINARY = """
r = cpu.a - m - 1 + cpu.c
cpu.v = (cpu.a ^ m) & (cpu.a ^ r) & 0x80
cpu.c = 0 if r < 0 else 1
cpu.a = cpu.n = cpu.z = r & 0xFF
"""
_ADD = "if cpu.d:\n    add_decimal(cpu, m)\nelse:" + indent(_ADD_BINARY, "    ")
_SUBTRACT = "if cpu.d:\n    subtract_decimal(cpu, m)\nelse:" + indent(_SUBTRACT_BINARY, "    ")
_COMPARE = """
r = cpu.{0} - m
cpu.c = 0 if r < 0 else 1
cpu.n = cpu.z = r & 0xFF
"""

READ: dict[str, str] = {
    "LDA": "cpu.a = cpu.n = cpu.z = m",
    "LDX": "cpu.x = cpu.n = cpu.z = m",
    "LDY": "cpu.y = cpu.n = cpu.z = m",
    "ORA": "cpu.a = cpu.n = cpu.z = cpu.a | m",
    "AND": "cpu.a = cpu.n = cpu.z = cpu.a & m",
    "EOR": "cpu.a = cpu.n = cpu.z = cpu.a ^ m",
    "ADC": _ADD,
    "SBC": _SUBTRACT,
    "CMP": _COMPARE.format("a"),
    "CPX": _COMPARE.format("x"),
    "CPY": _COMPARE.format("y"),
    "BIT": "cpu.n = m\ncpu.v = m & 0x40\ncpu.z = cpu.a & m",
    "BIT imm": "cpu.z = cpu.a & m",  # W65C02S: immediate BIT changes Z only
    "NOP": "pass",
    "LAX": "cpu.a = cpu.x = cpu.n = cpu.z = m",
    "LAS": "cpu.a = cpu.x = cpu.sp = cpu.n = cpu.z = m & cpu.sp",
    "ANC": "cpu.a = cpu.n = cpu.z = cpu.a & m\ncpu.c = cpu.a >> 7",
    "ALR": "m &= cpu.a\ncpu.c = m & 1\ncpu.a = cpu.n = cpu.z = m >> 1",
    "ARR": "and_rotate(cpu, m)",
    "SBX": "r = (cpu.a & cpu.x) - m\ncpu.c = 0 if r < 0 else 1\ncpu.x = cpu.n = cpu.z = r & 0xFF",
    "ANE": "cpu.a = cpu.n = cpu.z = (cpu.a | cpu.magic) & cpu.x & m",
    "LXA": "cpu.a = cpu.x = cpu.n = cpu.z = (cpu.a | cpu.magic) & m",
}
"""Instructions that read a byte."""

BINARY: dict[str, str] = {"ADC": _ADD_BINARY, "SBC": _SUBTRACT_BINARY}
"""ADC and SBC while D is clear."""

SHIFTS: dict[str, str] = {
    "ASL": "cpu.c = m >> 7\nm = m << 1 & 0xFF",
    "LSR": "cpu.c = m & 1\nm >>= 1",
    "ROL": "r = m << 1 | cpu.c\ncpu.c = m >> 7\nm = r & 0xFF",
    "ROR": "r = m >> 1 | cpu.c << 7\ncpu.c = m & 1\nm = r",
}
"""Shifts, without N and Z."""

MODIFY: dict[str, str] = {name: text + "\ncpu.n = cpu.z = m" for name, text in SHIFTS.items()}
"""Instructions that read a byte, change it and write it back."""
MODIFY |= {
    "INC": "m = cpu.n = cpu.z = m + 1 & 0xFF",
    "DEC": "m = cpu.n = cpu.z = m - 1 & 0xFF",
    "TSB": "cpu.z = cpu.a & m\nm |= cpu.a",
    "TRB": "cpu.z = cpu.a & m\nm &= ~cpu.a",
    "SLO": SHIFTS["ASL"] + "\n" + READ["ORA"],
    "RLA": SHIFTS["ROL"] + "\n" + READ["AND"],
    "SRE": SHIFTS["LSR"] + "\n" + READ["EOR"],
    "RRA": SHIFTS["ROR"] + "\n" + _ADD,
    "DCP": "m = m - 1 & 0xFF\n" + READ["CMP"],
    "ISC": "m = m + 1 & 0xFF\n" + _SUBTRACT,
}
for _bit in range(8):
    MODIFY[f"RMB{_bit}"] = f"m &= {0xFF ^ 1 << _bit}"
    MODIFY[f"SMB{_bit}"] = f"m |= {1 << _bit}"

STORE: dict[str, str] = {
    "STA": "cpu.a",
    "STX": "cpu.x",
    "STY": "cpu.y",
    "STZ": "0",
    "SAX": "cpu.a & cpu.x",
}
"""Byte that a store puts on the data lines."""

UNSTABLE_STORE: dict[str, str] = {
    "SHA": "m = cpu.a & cpu.x",
    "SHX": "m = cpu.x",
    "SHY": "m = cpu.y",
    "TAS": "m = cpu.sp = cpu.a & cpu.x",
}
"""Stores of the NMOS part that also AND the byte with the high byte of the base address plus one."""

IMPLIED: dict[str, str] = {
    "CLC": "cpu.c = 0",
    "SEC": "cpu.c = 1",
    "CLD": "cpu.d = 0",
    "SED": "cpu.d = 1",
    "CLI": "cpu.i = 0",
    "SEI": "cpu.i = 1",
    "CLV": "cpu.v = 0",
    "TAX": "cpu.x = cpu.n = cpu.z = cpu.a",
    "TAY": "cpu.y = cpu.n = cpu.z = cpu.a",
    "TXA": "cpu.a = cpu.n = cpu.z = cpu.x",
    "TYA": "cpu.a = cpu.n = cpu.z = cpu.y",
    "TSX": "cpu.x = cpu.n = cpu.z = cpu.sp",
    "TXS": "cpu.sp = cpu.x",
    "INX": "cpu.x = cpu.n = cpu.z = cpu.x + 1 & 0xFF",
    "INY": "cpu.y = cpu.n = cpu.z = cpu.y + 1 & 0xFF",
    "DEX": "cpu.x = cpu.n = cpu.z = cpu.x - 1 & 0xFF",
    "DEY": "cpu.y = cpu.n = cpu.z = cpu.y - 1 & 0xFF",
    "NOP": "pass",
}
"""Instructions of two cycles that touch registers only."""

BRANCH: dict[str, str] = {
    "BPL": "not cpu.n & 0x80",
    "BMI": "cpu.n & 0x80",
    "BVC": "not cpu.v",
    "BVS": "cpu.v",
    "BCC": "not cpu.c",
    "BCS": "cpu.c",
    "BNE": "cpu.z",
    "BEQ": "not cpu.z",
    "BRA": "True",
}
"""Condition under which a branch is taken."""

PUSH: dict[str, str] = {"PHA": "cpu.a", "PHX": "cpu.x", "PHY": "cpu.y", "PHP": "cpu.p | 0x10"}
"""Byte that goes to the stack."""

PULL: dict[str, str] = {
    "PLA": "cpu.a = cpu.n = cpu.z = m",
    "PLX": "cpu.x = cpu.n = cpu.z = m",
    "PLY": "cpu.y = cpu.n = cpu.z = m",
    "PLP": "cpu.p = m",
}
"""What happens to the byte that comes from the stack."""


_ADD_DECIMAL = """
a = cpu.a
c = cpu.c
low = (a & 0x0F) + (m & 0x0F) + c
if low > 9:
    low = (low + 6 & 0x0F) + 0x10
total = (a & 0xF0) + (m & 0xF0) + low
cpu.z = a + m + c & 0xFF
cpu.n = total & 0xFF
cpu.v = (a ^ total) & (m ^ total) & 0x80
if total >= 0xA0:
    total += 0x60
cpu.c = 1 if total >= 0x100 else 0
cpu.a = total & 0xFF
"""
_SUBTRACT_DECIMAL = """
a = cpu.a
borrow = 1 - cpu.c
binary = a - m - borrow
low = (a & 0x0F) - (m & 0x0F) - borrow
if low < 0:
    low = (low - 6 & 0x0F) - 0x10
total = (a & 0xF0) - (m & 0xF0) + low
if total < 0:
    total -= 0x60
cpu.n = cpu.z = binary & 0xFF
cpu.v = (a ^ m) & (a ^ binary) & 0x80
cpu.c = 0 if binary < 0 else 1
cpu.a = total & 0xFF
"""
_SUBTRACT_DECIMAL_CMOS = """
a = cpu.a
borrow = 1 - cpu.c
binary = a - m - borrow
total = binary
if total < 0:
    total -= 0x60
if (a & 0x0F) - (m & 0x0F) - borrow < 0:
    total -= 6
cpu.v = (a ^ m) & (a ^ binary) & 0x80
cpu.c = 0 if binary < 0 else 1
cpu.a = cpu.n = cpu.z = total & 0xFF
"""
_AND_ROTATE = """
both = cpu.a & m
r = both >> 1 | cpu.c << 7
cpu.n = cpu.z = r
if cpu.d:
    cpu.v = (both ^ r) & 0x40
    if (both & 0x0F) + (both & 0x01) > 5:
        r = r & 0xF0 | r + 6 & 0x0F
    cpu.c = 1 if (both & 0xF0) + (both & 0x10) > 0x50 else 0
    if cpu.c:
        r = r + 0x60 & 0xFF
else:
    cpu.v = (r ^ r << 1) & 0x40
    cpu.c = r >> 6 & 1
cpu.a = r
"""

FUNCTIONS: dict[str, dict[str, str]] = {
    "6502": {
        # N and V from the sum before its last correction, Z from the binary sum.
        "add_decimal": _ADD_DECIMAL,
        # All flags as in binary.
        "subtract_decimal": _SUBTRACT_DECIMAL,
        # ARR: AND, then ROR with odd flags; with D set the digits are corrected (groepaz, ARR).
        "and_rotate": _AND_ROTATE,
    },
    "65C02": {
        # Result, C and V as on the NMOS part, N and Z from the result (Rockwell R65C00, item 6).
        "add_decimal": _ADD_DECIMAL + "cpu.n = cpu.z = cpu.a",
        # C and V binary, N and Z from the result; a low borrow may run into the high digit.
        "subtract_decimal": _SUBTRACT_DECIMAL_CMOS,
    },
}
"""Bodies of the functions `NAME(cpu, m)` that texts call, by part: what is too long to stand inside each of them.

Source of decimal arithmetic, digits that are none included: SingleStepTests 65x02, whose decimal cases all agree
(NMOS 414 of ADC and 383 of SBC, W65C02S 436 of each); flags of the W65C02S: Rockwell R65C00 data, 1984, item 6.
"""

FLAGS_BYTE = """
return (
    cpu.n & 0x80
    | (0x40 if cpu.v else 0)
    | 0x20
    | (0x08 if cpu.d else 0)
    | (0x04 if cpu.i else 0)
    | (0 if cpu.z else 0x02)
    | cpu.c
)
"""
"""`cpu.p` when it is read: N V 1 0 D I Z C. Bit 4 has no latch (MOS Technology, Programming Manual, p. 27)."""

SET_FLAGS_BYTE = """
cpu.n = m
cpu.v = m & 0x40
cpu.d = m & 0x08
cpu.i = m & 0x04
cpu.z = ~m & 0x02
cpu.c = m & 0x01
"""
"""`cpu.p` when it is set, to m."""
