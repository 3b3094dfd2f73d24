"""Where py65 1.2, on which the engine is built, differs from the parts: each case by name, and the engine right.

The first assertion of a test keeps watch over py65: when a release puts a case right, the test says so.
"""

import pytest
from py65.devices import mpu65c02, mpu6502

MPUS = {"6502": mpu6502.MPU, "65C02": mpu65c02.MPU}


def _both(rig, part, code, memory=None, pc=0x1000, **registers):
    """Cycles and state of one instruction: (py65, engine)."""
    bytes_ = bytes.fromhex(code)
    mpu = MPUS[part]()
    board = rig(part, pulled=())
    for offset, value in enumerate(bytes_):
        mpu.memory[pc + offset & 0xFFFF] = board.memory[pc + offset & 0xFFFF] = value
    for address, value in (memory or {}).items():
        mpu.memory[address] = board.memory[address] = value
    registers = {"p": 0x20, "sp": 0xFF, **registers}
    board.begin(pc, **registers)
    for name, value in registers.items():
        setattr(mpu, name, value)
    mpu.pc = pc
    mpu.step()
    board.cpu.step()
    return mpu, board.cpu, mpu.processorCycles, board.cpu.cycle


# part, code, memory, registers, cycles of py65, cycles of the part, source
CYCLES = [
    ("6502", "CE 00 20", {}, {}, 3, 6, "MCS6500 Hardware Manual 1976, A.4.2: DEC abs"),
    ("65C02", "CE 00 20", {}, {}, 3, 6, "W65C02S data sheet, table 6-5: DEC abs"),
    ("65C02", "80 02", {}, {}, 2, 3, "BRA taken in the page"),
    ("65C02", "80 80", {}, {}, 3, 4, "BRA into another page"),
    ("65C02", "1E 00 20", {}, {}, 7, 6, "table 7-1: ASL abs,X in a page"),
    ("65C02", "3E 00 20", {}, {}, 7, 6, "table 7-1: ROL abs,X in a page"),
    ("65C02", "5E 00 20", {}, {}, 7, 6, "table 7-1: LSR abs,X in a page"),
    ("65C02", "7E 00 20", {}, {}, 7, 6, "table 7-1: ROR abs,X in a page"),
    ("65C02", "3C F0 20", {}, {"x": 0x20}, 4, 5, "BIT abs,X over a page"),
    ("65C02", "69 01", {}, {"p": 0x28}, 2, 3, "table 7-1: decimal ADC, one cycle more"),
    ("65C02", "E9 01", {}, {"p": 0x28}, 2, 3, "table 7-1: decimal SBC, one cycle more"),
    ("65C02", "72 10", {}, {"p": 0x28}, 5, 6, "table 7-1: decimal ADC (zp)"),
    ("65C02", "0F 10 02", {0x10: 1}, {}, 0, 5, "BBR0 not taken"),
    ("65C02", "8F 10 02", {0x10: 1}, {}, 0, 6, "BBS0 taken"),
    ("65C02", "03", {}, {}, 0, 1, "table 7-1: NOP of one cycle"),
    ("65C02", "5C 00 20", {}, {}, 0, 8, "table 7-1: NOP of eight cycles"),
    ("65C02", "DB", {}, {}, 0, 3, "STP"),
    ("6502", "04 10", {}, {}, 0, 3, "groepaz 2017: undocumented NOP zp"),
    ("6502", "A7 10", {}, {}, 0, 3, "groepaz 2017: LAX zp"),
]


@pytest.mark.parametrize(("part", "code", "memory", "registers", "theirs", "ours", "source"), CYCLES)
def test_cycle_counts_that_py65_gets_wrong(part, code, memory, registers, theirs, ours, source, rig):
    _, _, py65, engine = _both(rig, part, code, memory, **registers)
    assert py65 == theirs, "py65 has changed; the engine no longer differs here"
    assert engine == ours, source


def test_bit_branches_branch(rig):
    """W65C02S data sheet, table 6-5: BBRn and BBSn; py65 has none of the sixteen."""
    for bit in range(8):
        for code, value in ((bit << 4 | 0x0F, 0xFF ^ 1 << bit), (bit << 4 | 0x8F, 1 << bit)):
            mpu, cpu, *_ = _both(rig, "65C02", f"{code:02X} 10 20", {0x10: value})
            assert mpu.pc == 0x1002
            assert cpu.pc == 0x1023


def test_pointer_at_ff_takes_its_high_byte_from_zero_page_address_0(rig):
    """SingleStepTests 65x02, case "92 ff 16": (zp) wraps in page 0."""
    memory = {0xFF: 0xBB, 0x00: 0xCC, 0x100: 0x11}
    for code in ("12", "32", "52", "72", "B2", "D2", "F2"):
        board = rig("65C02", pulled=()).watch()
        board.place(0x1000, f"{code} FF")
        for address, value in memory.items():
            board.memory[address] = value
        board.begin(0x1000)
        board.cpu.step()
        assert board.log[-1].address == 0xCCBB
    mpu, *_ = _both(rig, "65C02", "92 FF", memory, a=0x42)
    assert mpu.memory[0x11BB] == 0x42, "py65 has changed"
    board = rig("65C02", pulled=())
    board.place(0x1000, "92 FF")
    for address, value in memory.items():
        board.memory[address] = value
    board.begin(0x1000, a=0x42)
    board.cpu.step()
    assert board.memory[0xCCBB] == 0x42


def test_decimal_flags_of_the_cmos_part_follow_the_result(rig):
    """Rockwell R65C00 data 1984, item 6: 99 + 01 gives 00 with Z set and N clear."""
    mpu, cpu, *_ = _both(rig, "65C02", "69 01", a=0x99, p=0x28)
    assert mpu.p & 0x82 != 0x02, "py65 has changed"
    assert (cpu.a, cpu.p & 0x83) == (0, 0x03)


@pytest.mark.parametrize(("part", "a"), [("6502", 0x2D), ("65C02", 0x1D)])
def test_decimal_subtraction_of_invalid_digits_differs_between_the_parts(part, a, rig):
    """SingleStepTests 65x02, opcode E1 with A=62, M=DF, C=1."""
    _, cpu, *_ = _both(rig, part, "E9 DF", a=0x62, p=0x29)
    assert cpu.a == a


@pytest.mark.parametrize("part", ["6502", "65C02"])
def test_bit_4_of_p_has_no_latch(part, rig):
    """MCS6500 Programming Manual 1976, p. 27: B exists in the pushed copy only."""
    mpu, cpu, *_ = _both(rig, part, "28", {0x100: 0x94}, sp=0xFF)
    assert mpu.p == 0xB4
    assert cpu.p == 0xA4


@pytest.mark.parametrize("part", ["6502", "65C02"])
def test_an_instruction_may_run_over_the_top_of_memory(part, rig):
    """Addresses have 16 bits: after $FFFF comes $0000."""
    mpu = MPUS[part]()
    mpu.memory[0xFFFE] = 0xAD
    mpu.pc = 0xFFFE
    with pytest.raises(IndexError):
        mpu.step()
    board = rig(part, pulled=())
    board.place(0xFFFE, "AD 34")
    board.memory[0x0000], board.memory[0x1234] = 0x12, 0x77
    board.begin(0xFFFE)
    board.cpu.step()
    assert (board.cpu.a, board.cpu.pc) == (0x77, 0x0001)


@pytest.mark.parametrize("part", ["6502", "65C02"])
def test_reset_sets_i_takes_the_vector_and_seven_cycles(part, rig):
    """MCS6500 Programming Manual 1976, pp. 124-126; W65C02S data sheet, section 3 (RESB)."""
    mpu = MPUS[part]()
    assert (mpu.p & 4, mpu.processorCycles) == (0, 0), "py65 has changed"
    board = rig(part)
    board.vectors(reset=0x1234)
    board.cpu.step()
    assert (board.cpu.pc, board.cpu.p & 4, board.cpu.cycle) == (0x1234, 4, 7)


def test_wai_can_be_woken(rig):
    """Eyes and Lichty, Programming the 65816, 1986: WAI ends with an interrupt; py65 has no way out."""
    mpu, *_ = _both(rig, "65C02", "CB")
    mpu.irq()
    assert mpu.waiting, "py65 has changed"
    board = rig("65C02")
    board.vectors()
    board.place(0x0400, "58 CB EA")
    board.pull("IRQ", 40)
    board.cpu.run(49)
    assert board.cpu.pc == 0x0500
