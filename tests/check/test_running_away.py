"""A program that leaves its code: where that is seen, and that nothing is said of what follows."""

from fractions import Fraction
from pathlib import Path

import pytest

from simkit import Machine
from simkit.check.run import check

BENCH = Path(__file__).resolve().parents[2] / "demo" / "bench" / "machine.toml"
ROM = 2


@pytest.fixture
def checked(tmp_path):
    """Check a ROM of the bench machine: `code` at $8000, the rest is `fill`, vectors as given."""

    def run(code, *, fill=0xFF, vectors="008000800080"):
        content = bytearray([fill]) * 0x8000
        content[: len(bytes.fromhex(code))] = bytes.fromhex(code)
        content[-6:] = bytes.fromhex(vectors)
        return check(Machine.load(BENCH, images={ROM: bytes(content)}), seconds=Fraction(1, 50))

    return run


def rules(result):
    return [one.rule.name for one in result.findings]


@pytest.mark.parametrize(
    "code",
    [
        "A2FF9A D8 20 0D80 4C0480 FFFFFF A901 60",  # LDA #1, RTS before the fill
        "A2FF9A D8 20 0D80 4C0480 FFFFFF AD6060 60",  # LDA $6060, RTS
    ],
)
def test_the_last_rts_before_a_fill_of_rts_is_program(checked, code):
    assert "ran-away" not in rules(checked(code, fill=0x60))


def test_a_fill_of_rts_is_filler_beyond_its_first_bytes(checked):
    result = checked("A2FF9A D8 4C0090", fill=0x60)
    (lost,) = [one for one in result.findings if one.rule.name == "ran-away"]
    assert "filler of the ROM at $9000" in lost.message


def test_nothing_is_said_of_what_the_lost_cpu_does(checked):
    """JMP ($5000), a vector in the registers of the serial card."""
    result = checked("A2FF9A D8 A980 8D0010 6C0050")
    lost = [one for one in result.findings if one.rule.name == "ran-away"]
    assert len(lost) == 1
    assert all(one.cycle is None or one.cycle <= lost[0].cycle for one in result.findings)
    assert result.halted is None
    assert result.cycles == lost[0].cycle


def test_a_jam_after_the_program_is_lost_is_not_listed(checked):
    """The bench machine's RAM powers up as zeros: the CPU runs through BRK to a handler that jams."""
    result = checked("A2FF9A D8 4C0003 02", vectors="008000800780")  # JMP $0300; IRQ vector: the $02
    assert rules(result)[:1] == ["ran-away"]
    assert "cpu-jammed" not in rules(result)


def test_the_first_instruction_has_none_before_it(checked):
    (lost,) = [one for one in checked("", vectors="FFFFFFFFFFFF").findings if one.rule.name == "ran-away"]
    assert lost.message.endswith("; it is the first one after RESET.")


LISTING = """$8000  A2 FF                     rule.asm:1            ldx #$FF
$8002  9A                        rule.asm:2            txs
$8003  {bytes:<26}rule.asm:3            {text}
$8006  EA                        rule.asm:4            nop
$8007  4C 07 80                  rule.asm:5    stop:   jmp stop
"""


@pytest.mark.parametrize(
    ("data", "text", "lost"),
    [
        ("9C 00 02", ".byte $9C, $00, $02", False),  # STZ $0200
        ("9C 00 02", '.incbin "clear.bin"', False),
        ("9C 00 02", ".word $009C", True),
        ("9C 00 02", ".byte 156, 0, 2", True),
        ("4E 4F 50", '.byte "NOP"', True),
        ("9C 00 00", ".byte $9C, 0, 0 ; stz 0", False),
        ("03 00 EA", ".byte $03, $00, $EA", True),  # an opcode that is none, and BRK
        ("EA EA A9", ".byte $EA, $EA, $A9", True),  # LDA # with its byte in the next row
        ("EA EA 24", ".byte $EA, $EA, $24", False),  # BIT hides the next byte
        ("0C 00 48", ".byte $0C, $00, $48", True),  # TSB of an address that no card has
        ("EA AD FF", ".byte $EA, $AD, $FF", True),
    ],
)
def test_bytes_of_the_source_are_instructions_or_data(tmp_path, data, text, lost):
    """The third row of the listing, as the CPU runs into it."""
    content = bytearray(b"\xff" * 0x8000)
    content[:10] = bytes.fromhex(f"A2FF9A {data} EA4C0780")
    content[-6:] = bytes.fromhex("008000800080")
    (tmp_path / "rule.bin").write_bytes(content)
    (tmp_path / "rule.labels").write_text("stop = $8007\n")
    (tmp_path / "rule.lst").write_text(LISTING.format(bytes=data, text=text))
    (tmp_path / "machine.toml").write_text(
        f'base = "{BENCH.as_posix()}"\ncpu = "65C02"\n[[card]]\nslot = 2\nimage = "rule.bin"\nlabels = "rule.labels"\n'
    )
    assert ("ran-away" in rules(check(Machine.load(tmp_path), seconds=Fraction(1, 1000)))) is lost
