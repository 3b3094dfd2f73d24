import pytest

from simkit.cpu.isa.disassemble import disassemble
from simkit.cpu.isa.opcodes import OPCODES

CASES = [
    ("6502", "A9 0D", "LDA #$0D", None),
    ("6502", "0A", "ASL A", None),
    ("6502", "EA", "NOP", None),
    ("6502", "B1 12", "LDA ($12),Y", 0x12),
    ("6502", "A1 12", "LDA ($12,X)", 0x12),
    ("6502", "9D 00 7F", "STA $7F00,X", 0x7F00),
    ("6502", "B6 10", "LDX $10,Y", 0x10),
    ("6502", "6C FF 30", "JMP ($30FF)", 0x30FF),
    ("6502", "D0 FE", "BNE $1000", 0x1000),
    ("6502", "20 11 7F", "JSR KEYS", 0x7F11),
    ("65C02", "AD 11 7F", "LDA KEYS", 0x7F11),
    ("65C02", "B2 10", "LDA ($10)", 0x10),
    ("65C02", "7C 00 20", "JMP ($2000,X)", 0x2000),
    ("65C02", "3F 12 FD", "BBR3 $12,$1000", 0x1000),
    ("65C02", "A7 10", "SMB2 $10", 0x10),
    ("65C02", "1A", "INC A", None),
    ("6502", "02", "JAM", None),
    ("6502", "9E 00 20", "SHX $2000,Y", 0x2000),
]


@pytest.mark.parametrize(("cpu", "code", "text", "target"), CASES)
def test_instructions_read_as_the_maker_writes_them(cpu, code, text, target):
    """Mnemonics and operand forms: MCS6500 Programming Manual 1976, appendix B; W65C02S data sheet, tables 6-1, 6-4."""
    memory = bytes(0x1000) + bytes.fromhex(code) + bytes(4)
    found = disassemble(memory.__getitem__, 0x1000, cpu, {0x7F11: "KEYS"})
    assert (found.text, found.bytes, found.target) == (text, bytes.fromhex(code), target)
    assert found.length == len(bytes.fromhex(code))


@pytest.mark.parametrize("cpu", ["6502", "65C02"])
def test_every_opcode_has_a_text_and_wraps_at_the_top_of_memory(cpu):
    for code in range(256):
        memory = bytearray(65536)
        memory[0xFFFF] = code
        found = disassemble(memory.__getitem__, 0xFFFF, cpu)
        assert found.mnemonic == OPCODES[cpu][code].mnemonic
        assert found.length == OPCODES[cpu][code].length
        assert found.text
