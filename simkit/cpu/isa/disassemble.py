"""Turns bytes into instructions as people read them: $ for hexadecimal, the maker's mnemonics, labels where known."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import attrs

from simkit.cpu.isa.opcodes import OPCODES

_FORMATS = {
    "imp": "",
    "acc": "A",
    "imm": "#{0}",
    "zp": "{0}",
    "zpx": "{0},X",
    "zpy": "{0},Y",
    "indx": "({0},X)",
    "indy": "({0}),Y",
    "izp": "({0})",
    "abs": "{0}",
    "absx": "{0},X",
    "absy": "{0},Y",
    "ind": "({0})",
    "iax": "({0},X)",
    "rel": "{0}",
}


@attrs.frozen(slots=True)
class Instruction:
    """One instruction in memory.

    Attributes:
        address: of the opcode.
        bytes: opcode and operand.
        mnemonic: e.g. "LDA".
        operand: as written in a source, e.g. "#$0D", "($12),Y", "KEYBOARD_DATA"; "" when there is none.
        documented: whether the maker's manual lists the opcode.
        target: address the operand names, None for implied and immediate.
    """

    address: int
    bytes: bytes
    mnemonic: str
    operand: str
    documented: bool
    target: int | None

    @property
    def length(self) -> int:
        """Bytes of the instruction."""
        return len(self.bytes)

    @property
    def text(self) -> str:
        """Mnemonic and operand."""
        return f"{self.mnemonic} {self.operand}".rstrip()


def disassemble(
    read: Callable[[int], int],
    address: int,
    cpu: str,
    names: Mapping[int, str] | None = None,
) -> Instruction:
    """The instruction at an address.

    Args:
        read: gives the byte at an address 0 to 65535, without effects.
        address: of the opcode.
        cpu: "6502" or "65C02".
        names: names of addresses, used in operands.
    """
    names = names or {}
    opcode = OPCODES[cpu][read(address & 0xFFFF)]
    raw = bytes(read(address + n & 0xFFFF) for n in range(opcode.length))
    target: int | None = None

    def name(value: int, digits: int) -> str:
        return names.get(value, f"${value:0{digits}X}")

    if opcode.mode == "zprel":
        target = address + 3 + (raw[2] ^ 0x80) - 0x80 & 0xFFFF
        operand = f"{name(raw[1], 2)},{name(target, 4)}"
    elif opcode.mode == "rel":
        target = address + 2 + (raw[1] ^ 0x80) - 0x80 & 0xFFFF
        operand = name(target, 4)
    elif opcode.mode == "imm":
        operand = f"#${raw[1]:02X}"
    elif opcode.length == 1:
        operand = _FORMATS[opcode.mode]
    else:
        target = int.from_bytes(raw[1:], "little")
        operand = _FORMATS[opcode.mode].format(name(target, 2 * len(raw) - 2))
    return Instruction(address & 0xFFFF, raw, opcode.mnemonic, operand, opcode.documented, target)
