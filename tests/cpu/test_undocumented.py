"""Opcodes that the maker's manual does not list.

Sources: groepaz, NMOS 6510 Unintended Opcodes, v0.92, 2017; masswerk, 6502/6510 illegal opcodes, 2021. The bus of
all of them is checked in test_cycle_table.py.
"""

import pytest


def _do(rig, code, part="6502", memory=None, **registers):
    board = rig(part, pulled=())
    board.place(0x1000, code)
    for address, value in (memory or {}).items():
        board.memory[address] = value
    board.begin(0x1000, **{"p": 0x20, **registers})
    board.cpu.step()
    return board


# code; registers; memory at $0010 before and after; a, x, flags N V Z C afterwards
MODIFY = [
    ("07 10", {"a": 0x01}, 0x81, 0x02, 0x03, "C"),  # SLO: $81 shifted is $02, carry; $01 OR $02
    ("27 10", {"a": 0xFF, "p": 0x21}, 0x40, 0x81, 0x81, "N"),  # RLA
    ("47 10", {"a": 0x0F}, 0x03, 0x01, 0x0E, "C"),  # SRE
    ("67 10", {"a": 0x10, "p": 0x21}, 0x02, 0x81, 0x91, "N"),  # RRA: rotated $81, carry out 0; $10 + $81
    ("C7 10", {"a": 0x40}, 0x41, 0x40, 0x40, "ZC"),  # DCP
    ("E7 10", {"a": 0x50, "p": 0x21}, 0x0F, 0x10, 0x40, "C"),  # ISC: $50 - $10
]


def _flags(p):
    return "".join(name for name, bit in (("N", 0x80), ("V", 0x40), ("Z", 2), ("C", 1)) if p & bit)


@pytest.mark.parametrize(("code", "registers", "before", "after", "a", "flags"), MODIFY)
def test_read_modify_write_combinations(code, registers, before, after, a, flags, rig):
    board = _do(rig, code, memory={0x10: before}, **registers)
    assert (board.memory[0x10], board.cpu.a, _flags(board.cpu.p)) == (after, a, flags)


# code; registers before; registers after; flags
IMMEDIATE = [
    ("0B 80", {"a": 0xC0}, {"a": 0x80}, "NC"),  # ANC: carry is bit 7
    ("2B 7F", {"a": 0xC0}, {"a": 0x40}, ""),
    ("4B 03", {"a": 0xFF}, {"a": 0x01}, "C"),  # ALR
    ("6B FF", {"a": 0xC0, "p": 0x21}, {"a": 0xE0}, "NC"),  # ARR: bits 6 and 5 both set: V 0, C 1
    ("6B FF", {"a": 0x80}, {"a": 0x40}, "VC"),
    ("6B FF", {"a": 0x55, "p": 0x28}, {"a": 0x80}, "VC"),  # ARR in decimal mode: $2A, digits 5 and 5 corrected
    ("CB 02", {"a": 0x0F, "x": 0x07}, {"x": 0x05}, "C"),  # SBX: no borrow in
    ("CB 08", {"a": 0x0F, "x": 0x07}, {"x": 0xFF}, "N"),
    ("EB 01", {"a": 0x03, "p": 0x21}, {"a": 0x02}, "C"),  # SBC
    ("AB 0F", {"a": 0x00}, {"a": 0x0E, "x": 0x0E}, ""),  # LXA with the constant EE
    ("8B 0F", {"a": 0x01, "x": 0xFF}, {"a": 0x0F}, ""),  # ANE: ($01 OR $EE) AND $FF AND $0F
]


@pytest.mark.parametrize(("code", "before", "after", "flags"), IMMEDIATE)
def test_immediate_combinations(code, before, after, flags, rig):
    board = _do(rig, code, **before)
    assert {name: getattr(board.cpu, name) for name in after} == after
    assert _flags(board.cpu.p) == flags


@pytest.mark.parametrize("magic", [0x00, 0xEE, 0xEF, 0xFF])
def test_the_constant_in_ane_and_lxa_is_an_option_as_it_differs_from_chip_to_chip(magic, rig):
    board = rig("6502", pulled=(), magic=magic)
    board.place(0x1000, "AB FF")
    board.begin(0x1000, a=0x10)
    board.cpu.step()
    assert board.cpu.a == board.cpu.x == 0x10 | magic


def test_lax_and_las_load_several_registers(rig):
    board = _do(rig, "A7 10", memory={0x10: 0x85})
    assert (board.cpu.a, board.cpu.x, _flags(board.cpu.p)) == (0x85, 0x85, "N")
    board = _do(rig, "BB 00 20", memory={0x2001: 0x3C}, y=1, sp=0x0F)
    assert (board.cpu.a, board.cpu.x, board.cpu.sp) == (0x0C, 0x0C, 0x0C)


def test_sax_stores_a_and_x_and_leaves_the_flags(rig):
    board = _do(rig, "97 10", a=0xF3, x=0x3F, y=2, p=0xE3)
    assert board.memory[0x12] == 0x33
    assert _flags(board.cpu.p) == "NVZC"


# code; registers; where and what is stored: the byte is ANDed with the base's high byte plus one, $21
UNSTABLE = [
    ("9E 00 20", {"x": 0xF7, "y": 0x10}, 0x2010, 0x21),  # SHX
    ("9C 00 20", {"y": 0xF6, "x": 0x10}, 0x2010, 0x20),  # SHY
    ("9F 00 20", {"a": 0xFF, "x": 0x0F, "y": 0x10}, 0x2010, 0x01),  # SHA
    ("9B 00 20", {"a": 0xFF, "x": 0x31, "y": 0x10}, 0x2010, 0x21),  # TAS
    (
        "9E F0 20",
        {"x": 0xF7, "y": 0x20},
        0x2110,
        0x21,
    ),  # over a page: the byte becomes the high byte, here the right one
    ("9E F0 20", {"x": 0x01, "y": 0x20}, 0x0110, 0x01),  # and here not
]


@pytest.mark.parametrize(("code", "registers", "address", "value"), UNSTABLE)
def test_unstable_stores_follow_the_stated_model(code, registers, address, value, rig):
    board = _do(rig, code, **registers)
    assert board.memory[address] == value
    if code.startswith("9B"):
        assert board.cpu.sp == 0x31


@pytest.mark.parametrize("code", [c for c in range(256) if c & 7 == 3 and c not in (0xCB, 0xDB)])
def test_undefined_cmos_opcodes_change_nothing_but_pc(code, rig):
    """W65C02S data sheet, table 7-1: columns 3 and B are NOPs of one byte and one cycle."""
    board = _do(rig, f"{code:02X}", part="65C02", a=1, x=2, y=3, sp=4, p=0xEF)
    cpu = board.cpu
    assert (cpu.pc, cpu.cycle, cpu.a, cpu.x, cpu.y, cpu.sp, cpu.p) == (0x1001, 1, 1, 2, 3, 4, 0xEF)
