"""Where the bus cycles of each instruction are published.

Instructions are grouped by shape: addressing mode and use, or a mnemonic of its own. What is published there stands as
a table in `tests/cpu/published_cycles.py`, and a test compares it with what cycles.py reads off the texts.
"""

from __future__ import annotations

from simkit.cpu.isa import operations as ops
from simkit.cpu.isa.opcodes import Opcode

SOURCES = {
    "HM": "MOS Technology, MCS6500 Microcomputer Family Hardware Manual, January 1976, appendix A, by section",
    "WDC": "Western Design Center, W65C02S data sheet, tables 6-4 and 6-5, or table 7-1 where named",
    "RW": "Rockwell, R65C00 data 29651N52, October 1984, differences to the R6502, by item",
    "EL": "D. Eyes, R. Lichty, Programming the 65816, Prentice Hall 1986",
    "UO": "groepaz, NMOS 6510 Unintended Opcodes, v0.92, 2017",
    "SST": "SingleStepTests, 65x02 (MIT licence): where the makers tell how many cycles but not what is on the bus",
    "OQ": "open questions of a public 65xx core project, which compared the makers' manuals with that set",
}
"""What the short names stand for."""

_NMOS = """
HM A.1           | imp, acc
HM A.2.1         | imm read
HM A.2.2         | zp read
HM A.2.3         | abs read
HM A.2.4         | indx read
HM A.2.5         | absx read, absy read
HM A.2.6         | zpx read, zpy read
HM A.2.7         | indy read
HM A.3.1         | zp store
HM A.3.2         | abs store
HM A.3.3         | indx store
HM A.3.4         | absx store, absy store
HM A.3.5         | zpx store, zpy store
HM A.3.6         | indy store
HM A.4.1         | zp modify
HM A.4.2         | abs modify
HM A.4.3         | zpx modify
HM A.4.4         | absx modify
HM A.5.1         | push
HM A.5.2         | pull
HM A.5.3         | JSR
HM A.5.4         | BRK
HM A.5.5         | RTI
HM A.5.6.1       | JMP abs
HM A.5.6.2; RW 3 | JMP ind
HM A.5.7         | RTS
HM A.5.8         | branch
UO               | absy modify, indx modify, indy modify, absx unstable, absy unstable, indy unstable, JAM
"""

_CMOS = """
WDC                                          | imm read, zp read, abs read, izp read, zp store, abs store, izp store
WDC                                          | push, BRK, JMP abs, branch: not taken
WDC                                          | absx read: no cross, absy read: no cross, indy read: no cross
WDC; SST                                     | imp, acc, zpx read, zpy read, indx read, zpx store, zpy store, indx store
WDC; SST                                     | absx modify, pull, JSR, RTS, RTI, JMP iax, branch
WDC 7-1                                      | absx shift, NOP imp, NOP imm, NOP zp, NOP zpx
WDC 7-1; RW 1                                | absx read, absy read, indy read
WDC 7-1; RW 4                                | zp modify, zpx modify, abs modify
WDC 7-1; RW 3; spare address from OQ         | JMP ind
WDC 7-1; SST                                 | absx store, absy store, indy store
WDC 7-1; address of the spare cycle from SST | NOP absx
WDC 7-1; addresses from memory               | NOP 5C
builders' reports; SST reads PC+2            | absx store: no cross, absy store: no cross
builders' reports; SST reads PC+1            | indy store: no cross
SST                                          | zprel
EL                                           | WAI, STP
"""


def _by_shape(text: str) -> dict[str, str]:
    rows = [[part.strip() for part in line.split("|")] for line in text.strip().splitlines()]
    return {shape.strip(): source for source, shapes in rows for shape in shapes.split(",")}


CITED: dict[str, dict[str, str]] = {"6502": _by_shape(_NMOS), "65C02": _by_shape(_CMOS)}
"""Sources by part and shape, or shape and case ("branch: not taken") where one case stands elsewhere."""


def shape(part: str, opcode: Opcode) -> str:
    """The group an opcode belongs to."""
    name, mode = opcode.mnemonic, opcode.mode
    cmos = part == "65C02"
    if name in ("JSR", "RTS", "RTI", "BRK", "JAM", "WAI", "STP"):
        return name
    if name == "JMP":
        return f"JMP {mode}"
    if cmos and name == "NOP" and not opcode.documented:
        return "NOP 5C" if opcode.code == 0x5C else f"NOP {mode}"
    if mode in ("imp", "acc"):
        return "push" if name in ops.PUSH else "pull" if name in ops.PULL else mode
    if mode == "rel":
        return "branch"
    if mode == "zprel":
        return mode
    if name in ops.UNSTABLE_STORE:
        return f"{mode} unstable"
    if name in ops.STORE:
        return f"{mode} store"
    if name in ops.MODIFY:
        return "absx shift" if cmos and mode == "absx" and name in ops.SHIFTS else f"{mode} modify"
    return f"{mode} read"


def source(part: str, opcode: Opcode, when: str) -> str:
    """Where one case of an instruction is published; `when` as in cycles.BusPattern.

    Decimal ADC and SBC of the W65C02S take one cycle more (WDC 7-1) and read the last address again. The makers do
    not tell the address; for an immediate operand no other source does either, so that one is from memory.
    """
    cited, group = CITED[part], shape(part, opcode)
    decimal, case = (when[:3], when[4:]) if when.startswith("D=") else ("", when)
    found = cited.get(f"{group}: {case}") or cited[group]
    return f"{found}; WDC 7-1" if decimal == "D=1" else found
