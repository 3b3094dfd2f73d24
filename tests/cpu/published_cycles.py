"""What each instruction does on the bus, one cycle after another: the published table, per addressing mode.

Nothing in simkit is made from this table. Tests compare it with the engine, cycle by cycle, and with what
`simkit opcode` says, for all 256 opcodes of both parts.

A row has a shape (addressing mode and use, or a mnemonic of its own), the case it holds for, the cycles, and where it
is published. A cycle is an address, read unless marked: `~` a read that nobody wants, `W:address=what` a write. The
addresses are called:

    PC PC+1 PC+2 PC+3  opcode and the bytes after it        A A+1      absolute operand
    Z Z+1              zero page operand (wraps in page 0)  AX AY      with index, AXu AYu with the base's high byte
    ZX ZY ZX+1         with index (wraps in page 0)         I IX IY    word at Z, at ZX, word at Z plus Y (IYu as AYu)
    S S-1 S+1 ...      stack (wraps in page 1)              RA         address pulled by RTS
    Tu                 target of a branch with the page of the next instruction
    Aw                 A+1 without carry into the high byte

Sources, as simkit.cpu.isa.cited.SOURCES names them in full: HM MCS6500 Hardware Manual 1976; WDC W65C02S data sheet;
RW Rockwell R65C00 1984; EL Eyes, Lichty 1986; UO groepaz 2017; SST SingleStepTests 65x02; OQ open
questions of a public 65xx core project, which compared manuals with that set. Where the Hardware Manual's A.5.8 and
A.2.5 print an address one adder step late, the row follows what every later table shows.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import attrs

from simkit.cpu.isa.cited import shape
from simkit.cpu.isa.opcodes import OPCODES

_NMOS = """
imp             | -          | PC ~PC+1                                  | HM A.1
acc             | -          | PC ~PC+1                                  | HM A.1
imm read        | -          | PC PC+1                                   | HM A.2.1
zp read         | -          | PC PC+1 Z                                 | HM A.2.2
zpx read        | -          | PC PC+1 ~Z ZX                             | HM A.2.6
zpy read        | -          | PC PC+1 ~Z ZY                             | HM A.2.6
abs read        | -          | PC PC+1 PC+2 A                            | HM A.2.3
absx read       | no cross   | PC PC+1 PC+2 AX                           | HM A.2.5
absx read       | cross      | PC PC+1 PC+2 ~AXu AX                      | HM A.2.5
absy read       | no cross   | PC PC+1 PC+2 AY                           | HM A.2.5
absy read       | cross      | PC PC+1 PC+2 ~AYu AY                      | HM A.2.5
indx read       | -          | PC PC+1 ~Z ZX ZX+1 IX                     | HM A.2.4
indy read       | no cross   | PC PC+1 Z Z+1 IY                          | HM A.2.7
indy read       | cross      | PC PC+1 Z Z+1 ~IYu IY                     | HM A.2.7
zp store        | -          | PC PC+1 W:Z=register                      | HM A.3.1
zpx store       | -          | PC PC+1 ~Z W:ZX=register                  | HM A.3.5
zpy store       | -          | PC PC+1 ~Z W:ZY=register                  | HM A.3.5
abs store       | -          | PC PC+1 PC+2 W:A=register                 | HM A.3.2
absx store      | -          | PC PC+1 PC+2 ~AXu W:AX=register           | HM A.3.4
absy store      | -          | PC PC+1 PC+2 ~AYu W:AY=register           | HM A.3.4
indx store      | -          | PC PC+1 ~Z ZX ZX+1 W:IX=register          | HM A.3.3
indy store      | -          | PC PC+1 Z Z+1 ~IYu W:IY=register          | HM A.3.6
absx unstable   | no cross   | PC PC+1 PC+2 ~AXu W:AX=register           | UO
absx unstable   | cross      | PC PC+1 PC+2 ~AXu W:AXm=register          | UO
absy unstable   | no cross   | PC PC+1 PC+2 ~AYu W:AY=register           | UO
absy unstable   | cross      | PC PC+1 PC+2 ~AYu W:AYm=register          | UO
indy unstable   | no cross   | PC PC+1 Z Z+1 ~IYu W:IY=register          | UO
indy unstable   | cross      | PC PC+1 Z Z+1 ~IYu W:IYm=register         | UO
zp modify       | -          | PC PC+1 Z W:Z=old W:Z=new                 | HM A.4.1
zpx modify      | -          | PC PC+1 ~Z ZX W:ZX=old W:ZX=new           | HM A.4.3
abs modify      | -          | PC PC+1 PC+2 A W:A=old W:A=new            | HM A.4.2
absx modify     | -          | PC PC+1 PC+2 ~AXu AX W:AX=old W:AX=new    | HM A.4.4
absy modify     | -          | PC PC+1 PC+2 ~AYu AY W:AY=old W:AY=new    | UO
indx modify     | -          | PC PC+1 ~Z ZX ZX+1 IX W:IX=old W:IX=new   | UO
indy modify     | -          | PC PC+1 Z Z+1 ~IYu IY W:IY=old W:IY=new   | UO
branch          | not taken  | PC PC+1                                   | HM A.5.8
branch          | taken      | PC PC+1 ~PC+2                             | HM A.5.8
branch          | taken page | PC PC+1 ~PC+2 ~Tu                         | HM A.5.8
push            | -          | PC ~PC+1 W:S=register                     | HM A.5.1
PHP             | -          | PC ~PC+1 W:S=p                            | HM A.5.1
pull            | -          | PC ~PC+1 ~S S+1                           | HM A.5.2
JSR             | -          | PC PC+1 ~S W:S=pch W:S-1=pcl PC+2         | HM A.5.3
RTS             | -          | PC ~PC+1 ~S S+1 S+2 ~RA                   | HM A.5.7
RTI             | -          | PC ~PC+1 ~S S+1 S+2 S+3                   | HM A.5.5
BRK             | -          | PC ~PC+1 W:S=pch W:S-1=pcl W:S-2=p FFFE FFFF | HM A.5.4
JMP abs         | -          | PC PC+1 PC+2                              | HM A.5.6.1
JMP ind         | -          | PC PC+1 PC+2 A Aw                         | HM A.5.6.2; RW 3
JAM             | -          | PC ~PC+1 ~PC+1                            | UO
"""

_CMOS = """
imp             | -          | PC ~PC+1                                  | WDC; SST
acc             | -          | PC ~PC+1                                  | WDC; SST
imm read        | -          | PC PC+1                                   | WDC
zp read         | -          | PC PC+1 Z                                 | WDC
zpx read        | -          | PC PC+1 ~Z ZX                             | WDC; SST
zpy read        | -          | PC PC+1 ~Z ZY                             | WDC; SST
abs read        | -          | PC PC+1 PC+2 A                            | WDC
absx read       | no cross   | PC PC+1 PC+2 AX                           | WDC
absx read       | cross      | PC PC+1 PC+2 ~PC+2 AX                     | WDC 7-1; RW 1
absy read       | no cross   | PC PC+1 PC+2 AY                           | WDC
absy read       | cross      | PC PC+1 PC+2 ~PC+2 AY                     | WDC 7-1; RW 1
indx read       | -          | PC PC+1 ~Z ZX ZX+1 IX                     | WDC; SST
indy read       | no cross   | PC PC+1 Z Z+1 IY                          | WDC
indy read       | cross      | PC PC+1 Z Z+1 ~PC+1 IY                    | WDC 7-1; RW 1
izp read        | -          | PC PC+1 Z Z+1 I                           | WDC
zp store        | -          | PC PC+1 W:Z=register                      | WDC
zpx store       | -          | PC PC+1 ~Z W:ZX=register                  | WDC; SST
zpy store       | -          | PC PC+1 ~Z W:ZY=register                  | WDC; SST
abs store       | -          | PC PC+1 PC+2 W:A=register                 | WDC
absx store      | no cross   | PC PC+1 PC+2 ~AX W:AX=register            | builders' reports; SST reads PC+2
absx store      | cross      | PC PC+1 PC+2 ~PC+2 W:AX=register          | WDC 7-1; SST
absy store      | no cross   | PC PC+1 PC+2 ~AY W:AY=register            | builders' reports; SST reads PC+2
absy store      | cross      | PC PC+1 PC+2 ~PC+2 W:AY=register          | WDC 7-1; SST
indx store      | -          | PC PC+1 ~Z ZX ZX+1 W:IX=register          | WDC; SST
indy store      | no cross   | PC PC+1 Z Z+1 ~IY W:IY=register           | builders' reports; SST reads PC+1
indy store      | cross      | PC PC+1 Z Z+1 ~PC+1 W:IY=register         | WDC 7-1; SST
izp store       | -          | PC PC+1 Z Z+1 W:I=register                | WDC
zp modify       | -          | PC PC+1 Z ~Z W:Z=new                      | WDC 7-1; RW 4
zpx modify      | -          | PC PC+1 ~Z ZX ~ZX W:ZX=new                | WDC 7-1; RW 4
abs modify      | -          | PC PC+1 PC+2 A ~A W:A=new                 | WDC 7-1; RW 4
absx shift      | no cross   | PC PC+1 PC+2 AX ~AX W:AX=new              | WDC 7-1
absx shift      | cross      | PC PC+1 PC+2 ~PC+2 AX ~AX W:AX=new        | WDC 7-1
absx modify     | -          | PC PC+1 PC+2 ~PC+2 AX ~AX W:AX=new        | WDC; SST
branch          | not taken  | PC PC+1                                   | WDC
branch          | taken      | PC PC+1 ~PC+2                             | WDC; SST
branch          | taken page | PC PC+1 ~PC+2 ~Tu                         | WDC; SST
zprel           | not taken  | PC PC+1 Z ~Z PC+2                         | SST
zprel           | taken      | PC PC+1 Z ~Z PC+2 ~PC+3                   | SST
zprel           | taken page | PC PC+1 Z ~Z PC+2 ~PC+3 ~PC+3             | SST
push            | -          | PC ~PC+1 W:S=register                     | WDC
PHP             | -          | PC ~PC+1 W:S=p                            | WDC
pull            | -          | PC ~PC+1 ~S S+1                           | WDC; SST
JSR             | -          | PC PC+1 ~S W:S=pch W:S-1=pcl PC+2         | WDC; SST
RTS             | -          | PC ~PC+1 ~S S+1 S+2 ~RA                   | WDC; SST
RTI             | -          | PC ~PC+1 ~S S+1 S+2 S+3                   | WDC; SST
BRK             | -          | PC ~PC+1 W:S=pch W:S-1=pcl W:S-2=p FFFE FFFF | WDC
JMP abs         | -          | PC PC+1 PC+2                              | WDC
JMP ind         | -          | PC PC+1 PC+2 A ~Aw A+1                    | WDC 7-1; RW 3; spare address from OQ
JMP iax         | -          | PC PC+1 PC+2 ~PC+1 AX AX+1                | WDC; SST
WAI             | -          | PC ~PC+1 ~PC+1                            | EL
STP             | -          | PC ~PC+1 ~PC+1                            | EL
NOP imp         | -          | PC                                        | WDC 7-1
NOP imm         | -          | PC PC+1                                   | WDC 7-1
NOP zp          | -          | PC PC+1 Z                                 | WDC 7-1
NOP zpx         | -          | PC PC+1 ~Z ZX                             | WDC 7-1
NOP absx        | -          | PC PC+1 PC+2 ~PC+2                        | WDC 7-1; address of the spare cycle from SST
NOP 5C          | -          | PC PC+1 PC+2 ~FFLO ~FFFF ~FFFF ~FFFF ~FFFF | WDC 7-1; addresses from memory
"""


@attrs.frozen(slots=True)
class Published:
    """The cycles of an instruction in one case.

    Attributes:
        when: "-" always, "cross", "no cross", "taken", "taken page", "not taken", also with "D=0" or "D=1" before it.
        cycles: one text a cycle, see the module.
        source: where it is published.
    """

    when: str
    cycles: tuple[str, ...]
    source: str


def _rows(text: str) -> dict[str, tuple[Published, ...]]:
    table: dict[str, list[Published]] = {}
    for line in text.strip().splitlines():
        name, when, cycles, source = (part.strip() for part in line.split("|"))
        table.setdefault(name, []).append(Published(when, tuple(cycles.split()), source))
    return {name: tuple(found) for name, found in table.items()}


TABLE: dict[str, dict[str, tuple[Published, ...]]] = {"6502": _rows(_NMOS), "65C02": _rows(_CMOS)}
"""Rows by part and shape."""


@cache
def rows(part: str, code: int) -> tuple[Published, ...]:
    """All cases of an opcode.

    Decimal ADC and SBC of the W65C02S take one cycle more (WDC 7-1) and read the last address again. The makers do
    not tell the address; for an immediate operand no other source does either, so that one is from memory.
    """
    opcode = OPCODES[part][code]
    same_shape = TABLE[part].get(opcode.mnemonic) or TABLE[part][shape(part, opcode)]
    if opcode.mnemonic == "BRA":
        return tuple(row for row in same_shape if row.when != "not taken")
    if part == "6502" or opcode.mnemonic not in ("ADC", "SBC"):
        return same_shape
    found = []
    for row in same_shape:
        case = "" if row.when == "-" else f" {row.when}"
        found.append(Published(f"D=0{case}", row.cycles, row.source))
        found.append(Published(f"D=1{case}", (*row.cycles, f"~{row.cycles[-1]}"), f"{row.source}; WDC 7-1"))
    return tuple(found)


def addresses(
    row: Published, read: Callable[[int], int], pc: int, x: int, y: int, sp: int, stored: int = 0
) -> list[int]:
    """Addresses of the cycles of a row, for an instruction about to begin.

    Args:
        row: the case that applies.
        read: memory before the instruction, without effects.
        pc: address of the opcode.
        x: register X.
        y: register Y.
        sp: stack pointer.
        stored: byte an unstable store writes; it replaces the high byte of the address.
    """

    def word(low: int, high: int) -> int:
        return read(low) | read(high) << 8

    z = read(pc + 1 & 0xFFFF)
    a = word(pc + 1 & 0xFFFF, pc + 2 & 0xFFFF)
    zx, pull = z + x & 0xFF, 0x100
    i = word(z, z + 1 & 0xFF)
    at: dict[str, int] = {f"PC+{n}" if n else "PC": pc + n & 0xFFFF for n in range(4)}
    at |= {"Z": z, "Z+1": z + 1 & 0xFF, "ZX": zx, "ZX+1": zx + 1 & 0xFF, "ZY": z + y & 0xFF}
    at |= {"A": a, "A+1": a + 1 & 0xFFFF, "Aw": a & 0xFF00 | a + 1 & 0xFF}
    for letter, base, index in (("AX", a, x), ("AY", a, y), ("IY", i, y)):
        full = base + index & 0xFFFF
        at |= {letter: full, letter + "u": base & 0xFF00 | full & 0xFF, letter + "m": stored << 8 | full & 0xFF}
    at |= {"AX+1": at["AX"] + 1 & 0xFFFF, "I": i, "IX": word(zx, zx + 1 & 0xFF)}
    at |= {"S" if not n else f"S{n:+d}": pull | sp + n & 0xFF for n in range(-2, 4)}
    at["RA"] = word(at["S+1"], at["S+2"])
    at["Tu"] = at["PC+2"] & 0xFF00 | at["PC+2"] + z & 0xFF
    at |= {"FFFE": 0xFFFE, "FFFF": 0xFFFF, "FFLO": 0xFF00 | z}
    return [at[cycle.lstrip("~").removeprefix("W:").partition("=")[0]] for cycle in row.cycles]
