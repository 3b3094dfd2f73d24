"""The 256 opcodes of each part: mnemonic and addressing mode.

Sources:
    MOS Technology, MCS6500 Microcomputer Family Programming Manual, January 1976 (documented NMOS opcodes).
    Western Design Center, W65C02S data sheet, tables 6-4 and 6-5 (CMOS).
    groepaz, NMOS 6510 Unintended Opcodes, v0.92, 2017 (undocumented NMOS opcodes and their usual names).
"""

from __future__ import annotations

import attrs

PARTS = ("6502", "65C02")
"""Names of the two parts: the NMOS 6502 and the W65C02S."""

OPERAND_BYTES = {
    "imp": 0,
    "acc": 0,
    "imm": 1,
    "zp": 1,
    "zpx": 1,
    "zpy": 1,
    "indx": 1,
    "indy": 1,
    "izp": 1,
    "rel": 1,
    "abs": 2,
    "absx": 2,
    "absy": 2,
    "ind": 2,
    "iax": 2,
    "zprel": 2,
}
"""Operand bytes after the opcode, by addressing mode."""

MODE_WORDS = {
    "imp": "implied",
    "acc": "accumulator",
    "imm": "immediate",
    "zp": "zero page",
    "zpx": "zero page,X",
    "zpy": "zero page,Y",
    "indx": "(zero page,X)",
    "indy": "(zero page),Y",
    "izp": "(zero page)",
    "rel": "relative",
    "abs": "absolute",
    "absx": "absolute,X",
    "absy": "absolute,Y",
    "ind": "(absolute)",
    "iax": "(absolute,X)",
    "zprel": "zero page and relative",
}

_NMOS = """
BRK ORA JAM SLO NOP ORA ASL SLO PHP ORA ASL ANC NOP ORA ASL SLO
BPL ORA JAM SLO NOP ORA ASL SLO CLC ORA NOP SLO NOP ORA ASL SLO
JSR AND JAM RLA BIT AND ROL RLA PLP AND ROL ANC BIT AND ROL RLA
BMI AND JAM RLA NOP AND ROL RLA SEC AND NOP RLA NOP AND ROL RLA
RTI EOR JAM SRE NOP EOR LSR SRE PHA EOR LSR ALR JMP EOR LSR SRE
BVC EOR JAM SRE NOP EOR LSR SRE CLI EOR NOP SRE NOP EOR LSR SRE
RTS ADC JAM RRA NOP ADC ROR RRA PLA ADC ROR ARR JMP ADC ROR RRA
BVS ADC JAM RRA NOP ADC ROR RRA SEI ADC NOP RRA NOP ADC ROR RRA
NOP STA NOP SAX STY STA STX SAX DEY NOP TXA ANE STY STA STX SAX
BCC STA JAM SHA STY STA STX SAX TYA STA TXS TAS SHY STA SHX SHA
LDY LDA LDX LAX LDY LDA LDX LAX TAY LDA TAX LXA LDY LDA LDX LAX
BCS LDA JAM LAX LDY LDA LDX LAX CLV LDA TSX LAS LDY LDA LDX LAX
CPY CMP NOP DCP CPY CMP DEC DCP INY CMP DEX SBX CPY CMP DEC DCP
BNE CMP JAM DCP NOP CMP DEC DCP CLD CMP NOP DCP NOP CMP DEC DCP
CPX SBC NOP ISC CPX SBC INC ISC INX SBC NOP SBC CPX SBC INC ISC
BEQ SBC JAM ISC NOP SBC INC ISC SED SBC NOP ISC NOP SBC INC ISC
"""

_CMOS = """
BRK ORA NOP NOP TSB ORA ASL RMB0 PHP ORA ASL NOP TSB ORA ASL BBR0
BPL ORA ORA NOP TRB ORA ASL RMB1 CLC ORA INC NOP TRB ORA ASL BBR1
JSR AND NOP NOP BIT AND ROL RMB2 PLP AND ROL NOP BIT AND ROL BBR2
BMI AND AND NOP BIT AND ROL RMB3 SEC AND DEC NOP BIT AND ROL BBR3
RTI EOR NOP NOP NOP EOR LSR RMB4 PHA EOR LSR NOP JMP EOR LSR BBR4
BVC EOR EOR NOP NOP EOR LSR RMB5 CLI EOR PHY NOP NOP EOR LSR BBR5
RTS ADC NOP NOP STZ ADC ROR RMB6 PLA ADC ROR NOP JMP ADC ROR BBR6
BVS ADC ADC NOP STZ ADC ROR RMB7 SEI ADC PLY NOP JMP ADC ROR BBR7
BRA STA NOP NOP STY STA STX SMB0 DEY BIT TXA NOP STY STA STX BBS0
BCC STA STA NOP STY STA STX SMB1 TYA STA TXS NOP STZ STA STZ BBS1
LDY LDA LDX NOP LDY LDA LDX SMB2 TAY LDA TAX NOP LDY LDA LDX BBS2
BCS LDA LDA NOP LDY LDA LDX SMB3 CLV LDA TSX NOP LDY LDA LDX BBS3
CPY CMP NOP NOP CPY CMP DEC SMB4 INY CMP DEX WAI CPY CMP DEC BBS4
BNE CMP CMP NOP NOP CMP DEC SMB5 CLD CMP PHX STP NOP CMP DEC BBS5
CPX SBC NOP NOP CPX SBC INC SMB6 INX SBC NOP NOP CPX SBC INC BBS6
BEQ SBC SBC NOP NOP SBC INC SMB7 SED SBC PLX NOP NOP SBC INC BBS7
"""

_COLUMNS = """
imm indx imm indx zp  zp  zp  zp  imp imm  acc imm  abs  abs  abs  abs
rel indy imp indy zpx zpx zpx zpx imp absy imp absy absx absx absx absx
"""
_EVEN_ROW, _ODD_ROW = (line.split() for line in _COLUMNS.strip().splitlines())

_NMOS_EXCEPTIONS = {0x00: "imp", 0x20: "abs", 0x40: "imp", 0x60: "imp", 0x6C: "ind"}
_NMOS_EXCEPTIONS |= dict.fromkeys((0x96, 0x97, 0xB6, 0xB7), "zpy") | dict.fromkeys((0x9E, 0x9F, 0xBE, 0xBF), "absy")
_NMOS_EXCEPTIONS |= dict.fromkeys((0x02, 0x22, 0x42, 0x62, 0x8A, 0xAA, 0xCA, 0xEA), "imp")

_CMOS_EXCEPTIONS = {0x00: "imp", 0x20: "abs", 0x40: "imp", 0x60: "imp", 0x6C: "ind", 0x7C: "iax", 0x80: "rel"}
_CMOS_EXCEPTIONS |= {0x14: "zp", 0x1C: "abs", 0x9C: "abs", 0x1A: "acc", 0x3A: "acc", 0x5C: "abs"}
_CMOS_EXCEPTIONS |= dict.fromkeys((0x96, 0xB6), "zpy") | {0xBE: "absy"}
_CMOS_EXCEPTIONS |= dict.fromkeys((0x8A, 0xAA, 0xCA, 0xEA), "imp")
for _row in range(16):
    _CMOS_EXCEPTIONS |= {_row << 4 | 3: "imp", _row << 4 | 0xB: "imp", _row << 4 | 0xF: "zprel", _row << 4 | 7: "zp"}
    if _row & 1:
        _CMOS_EXCEPTIONS[_row << 4 | 2] = "izp"


@attrs.frozen(slots=True)
class Opcode:
    """One opcode of one part.

    Attributes:
        code: 0 to 255.
        mnemonic: in capitals, e.g. "LDA"; bit instructions carry their bit, e.g. "RMB3".
        mode: addressing mode, a key of OPERAND_BYTES.
        documented: whether the maker's manual lists it.
    """

    code: int
    mnemonic: str
    mode: str
    documented: bool

    @property
    def length(self) -> int:
        """Bytes of the instruction, opcode included."""
        return 1 + OPERAND_BYTES[self.mode]


_NMOS_UNDOCUMENTED = "JAM SLO RLA SRE RRA DCP ISC SAX LAX LAS ANC ALR ARR SBX ANE LXA SHA SHX SHY TAS"


def _table(grid: str, exceptions: dict[int, str], undocumented: str) -> tuple[Opcode, ...]:
    opcodes = []
    for code, mnemonic in enumerate(grid.split()):
        columns = _ODD_ROW if code & 0x10 else _EVEN_ROW
        mode = exceptions.get(code, columns[code & 15])
        documented = mnemonic not in undocumented.split() and (mnemonic != "NOP" or code == 0xEA) and (code != 0xEB)
        opcodes.append(Opcode(code, mnemonic, mode, documented))
    return tuple(opcodes)


OPCODES: dict[str, tuple[Opcode, ...]] = {
    "6502": _table(_NMOS, _NMOS_EXCEPTIONS, _NMOS_UNDOCUMENTED),
    "65C02": _table(_CMOS, _CMOS_EXCEPTIONS, ""),
}
"""The 256 opcodes by part, indexed by code."""
