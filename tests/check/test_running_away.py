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
    assert "filler of the ROM at $9000" in result.findings[-1].message


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
    assert rules(result)[-1] == "ran-away"
    assert "cpu-jammed" not in rules(result)


def test_the_first_instruction_has_none_before_it(checked):
    (lost,) = [one for one in checked("", vectors="FFFFFFFFFFFF").findings if one.rule.name == "ran-away"]
    assert lost.message.endswith("; it is the first one after RESET.")
