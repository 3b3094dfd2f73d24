"""What each instruction does to A, X, Y and the stack, as far as the running rules ask: written by hand.

Source: MOS Technology, MCS6500 Programming Manual, January 1976; Western Design Center, W65C02S data sheet, table 6-4.
"""

from __future__ import annotations

from functools import cache

import attrs

from simkit.cpu.isa.opcodes import OPCODES, Opcode

_USES_A = frozenset(["ORA", "AND", "EOR", "ADC", "SBC", "CMP", "BIT", "STA", "TSB", "TRB"])
_USES_X = frozenset(["STX", "CPX", "TXS", "INX", "DEX"])
_USES_Y = frozenset(["STY", "CPY", "INY", "DEY"])
_X_MODES = frozenset(("zpx", "absx", "indx", "iax"))
_Y_MODES = frozenset(("zpy", "absy", "indy"))
_INDIRECT = frozenset(("indx", "indy", "izp"))
_MODIFIES = frozenset(["ASL", "LSR", "ROL", "ROR", "INC", "DEC", "TSB", "TRB"])
_STORES = frozenset(["STA", "STX", "STY", "STZ"])
_SETS = {"LDA": "a", "LDX": "x", "LDY": "y", "TSX": "x"}
_COPIES = {"TXA": "xa", "TYA": "ya", "TAX": "ax", "TAY": "ay"}
_PUSHES = {"PHA": "a", "PHX": "x", "PHY": "y", "PHP": ""}
_PULLS = {"PLA": "a", "PLX": "x", "PLY": "y", "PLP": ""}
BRANCHES = frozenset(["BPL", "BMI", "BVC", "BVS", "BCC", "BCS", "BNE", "BEQ", "BRA"]) | {
    f"{stem}{bit}" for stem in ("BBR", "BBS") for bit in range(8)
}


@attrs.frozen(slots=True)
class Effect:
    """What one opcode does.

    Attributes:
        opcode: the opcode.
        length: bytes of the instruction.
        uses: registers among "axy" whose value matters.
        sets: register that gets a value from elsewhere, or "".
        copies: from and to register, or "".
        pushes: register pushed, or "".
        pulls: register pulled, or "".
        depth: bytes pushed less bytes pulled; 0 for BRK and RTI, which follow their own way.
        modifies: whether it reads and writes its operand in place.
        stores: whether it writes its operand; the stack does not count.
        indirect: whether cells of page 0 are the address of its operand.
        plain: nothing the running rules look at, unless a register is damaged.
    """

    opcode: Opcode
    length: int
    uses: str
    sets: str
    copies: str
    pushes: str
    pulls: str
    depth: int
    modifies: bool
    stores: bool
    indirect: bool
    plain: bool


_SPECIAL = frozenset(_PUSHES) | frozenset(_PULLS) | {"BRK", "RTI", "RTS", "JSR", "TXS", "ADC", "SBC", "CLD", "SED"}


@cache
def effects(part: str) -> tuple[Effect, ...]:
    """Effects of the 256 opcodes of a part."""
    return tuple(_effect(opcode) for opcode in OPCODES[part])


def _effect(opcode: Opcode) -> Effect:
    name, mode = opcode.mnemonic, opcode.mode
    uses = ""
    if name in _USES_A or mode == "acc":
        uses += "a"
    if name in _USES_X or mode in _X_MODES:
        uses += "x"
    if name in _USES_Y or mode in _Y_MODES:
        uses += "y"
    depth = {"JSR": 2, "RTS": -2}.get(name, 0)
    if name in _PUSHES:
        depth = 1
    elif name in _PULLS:
        depth = -1
    modifies = mode not in ("acc", "imp") and (name in _MODIFIES or name[:3] in ("RMB", "SMB"))
    return Effect(
        opcode=opcode,
        length=opcode.length,
        uses=uses,
        sets=_SETS.get(name, ""),
        copies=_COPIES.get(name, ""),
        pushes=_PUSHES.get(name, ""),
        pulls=_PULLS.get(name, ""),
        depth=depth,
        modifies=modifies,
        stores=modifies or name in _STORES,
        indirect=mode in _INDIRECT,
        plain=name not in _SPECIAL and opcode.documented,
    )
