import json

import pytest
import typer
from typer.testing import CliRunner

from simkit.commands import opcode
from simkit.contract.errors import SimkitError


@pytest.fixture
def ask():
    app = typer.Typer()
    app.callback()(lambda: None)
    opcode.register(app)

    def call(*arguments):
        done = CliRunner().invoke(app, ["opcode", *arguments])
        if done.exception is not None:
            raise done.exception
        return done.stdout

    return call


def test_a_store_is_shown_cycle_by_cycle_on_both_parts_with_its_sources(ask):
    """MCS6500 Hardware Manual 1976, A.3.4; W65C02S data sheet, table 7-1."""
    lines = ask("sta $7F00,x").splitlines()
    assert lines[:7] == [
        "$9D STA absolute,X, 3 bytes, on the NMOS 6502",
        "  always: 5 cycles   [HM A.3.4]",
        "    1  read        opcode",
        "    2  read        operand, low byte",
        "    3  read        operand, high byte",
        "    4  dummy read  address + X, high byte not carried",
        "    5  write       address + X: the stored byte",
    ]
    assert "$9D STA absolute,X, 3 bytes, on the W65C02S" in lines
    assert any(line.startswith("  HM: MOS Technology") for line in lines)
    assert any(line.startswith("  WDC: Western Design Center") for line in lines)
    assert not any(line.startswith("  UO:") for line in lines)


@pytest.mark.parametrize(
    ("text", "codes"),
    [
        ("A9", [0xA9]),
        ("$a9", [0xA9]),
        ("lda #", [0xA9]),
        ("lda ($12),y", [0xB1]),
        ("lda ($12)", [0xB2]),
        ("lda $12,X", [0xB5]),
        ("lda $0012,X", [0xBD]),
        ("ldx $12,y", [0xB6]),
        ("lda $12,y", [0xB9]),
        ("jmp ($1234)", [0x6C]),
        ("jmp ($1234,x)", [0x7C]),
        ("bne loop", [0xD0]),
        ("bbr0 $10,loop", [0x0F]),
        ("inc a", [0x1A]),
        ("wai", [0xCB]),
        ("adc", [0x61, 0x65, 0x69, 0x6D, 0x71, 0x72, 0x75, 0x79, 0x7D]),
    ],
)
def test_opcodes_and_instructions_are_found_however_they_are_written(text, codes, ask):
    found = json.loads(ask(text, "--cpu", "65C02", "--json"))
    assert [entry["opcode"] for entry in found] == codes
    assert all(entry["cases"] for entry in found)


def test_cases_and_undocumented_opcodes_are_told(ask):
    text = ask("69", "--cpu", "65C02")
    assert "  D clear: 2 cycles" in text
    assert "  D set: 3 cycles" in text
    assert "not in the maker's manual" in ask("A7", "--cpu", "6502")


def test_an_address_in_a_machine_shows_what_stands_there(ask):
    text = ask("reset", "--machine", "demo:marlpit")
    assert text.splitlines()[0] == "$8000 reset: 78  SEI"
    assert "on the W65C02S" in text
    assert text == ask("$8000", "--machine", "demo:marlpit")


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("ldq",), "'ldq' is no instruction of the NMOS 6502 or W65C02S.\nDid you mean 'LDY' or 'LDX' or 'LDA'?"),
        (
            ("stx ($10),y",),
            "'stx ($10),y' is no instruction of the NMOS 6502 or W65C02S.\n"
            "STX has the modes absolute, zero page, zero page,Y. Write the operand as in a source, e.g. 'lda $7F00,x'.",
        ),
        (("lda", "--cpu", "6809"), "'6809' is not a CPU.\nWrite 6502 or 65C02."),
    ],
)
def test_what_cannot_be_found_says_what_there_is(arguments, message, ask):
    with pytest.raises(SimkitError) as error:
        ask(*arguments)
    assert str(error.value) == message


def test_an_unknown_label_of_a_machine_says_the_near_ones(ask):
    with pytest.raises(SimkitError, match="'rezet' is neither an address nor a label of demo:marlpit"):
        ask("rezet", "--machine", "demo:marlpit")


@pytest.mark.parametrize(
    "text",
    ["lda ($10", "jmp ($10,y)", "lda #300", "lda #$100", "lda $12345", "sta $10,z", "lda $10,x,y", "lda ??",
     "lda #%102", "bbr0 $10", "asl (a)", "lda ;"],
)  # fmt: skip
def test_an_operand_that_is_none_is_never_taken_for_another(ask, text):
    with pytest.raises(SimkitError, match="is no instruction of the NMOS 6502 or W65C02S"):
        ask(text)


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("lda #", 0xA9), ("lda #$0D", 0xA9), ("lda #255", 0xA9), ("lda #%101", 0xA9), ("lda #<table", 0xA9),
        ("lda #'a'", 0xA9), ("lda $10", 0xA5), ("lda $0010", 0xAD), ("lda 4096", 0xAD), ("lda KEYBOARD_DATA", 0xAD),
        ("sta $7F00,x", 0x9D), ("lda ($10),y", 0xB1), ("lda ( $10 , x )", 0xA1), ("jmp ($FFFC)", 0x6C),
        ("bne loop", 0xD0), ("asl a", 0x0A), ("lda ,y", 0xB9), ("0xA9", 0xA9),
    ],
)  # fmt: skip
def test_operands_are_read_as_sources_write_them(text, code):
    assert [each.code for each in opcode.find("65C02", text)] == [code]


def test_several_opcodes_begin_with_a_table(ask):
    """W65C02S data sheet, table 4-1 and 7-1: LDA (zero page), $B2, is the W65C02S's alone."""
    lines = ask("lda").splitlines()
    assert [line.split() for line in lines[:4]] == [
        ["code", "mode", "bytes", "cycles", "on"],
        ["$A1", "LDA", "(zero", "page,X)", "2", "6", "both"],
        ["$A5", "LDA", "zero", "page", "2", "3", "both"],
        ["$A9", "LDA", "immediate", "2", "2", "both"],
    ]
    table = lines[1 : lines.index("")]
    assert len(table) == 9
    assert next(line for line in table if line.startswith("$B2")).endswith("5       W65C02S")
    assert next(line for line in table if line.startswith("$BD")).split()[-4:-1] == ["4", "to", "5"]


def test_what_differs_between_the_parts_has_a_line_for_each_and_undocumented_ones_come_last(ask):
    lines = ask("jmp").splitlines()
    table = lines[1 : lines.index("")]
    assert [line.split()[0] for line in table] == ["$4C", "$6C", "$6C", "$7C"]
    nops = ask("nop").splitlines()
    assert nops[1].startswith("$EA")
    assert "undocumented" in nops[2]


def test_one_opcode_needs_no_table(ask):
    assert not ask("lda", "#").startswith("code")
