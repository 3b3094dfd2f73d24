"""Findings as people can use them: causes first, one entry a rule and place, a line each for editors."""

import re
from fractions import Fraction
from pathlib import Path

import pytest

from simkit import Machine
from simkit.check.result.findings import CheckFinding
from simkit.check.result.lines import one_line_report
from simkit.check.result.order import folded, in_order
from simkit.check.result.report import report_text
from simkit.check.rules.catalogue import rule_or_plain
from simkit.check.run import check

BENCH = Path(__file__).resolve().parents[2] / "demo" / "bench" / "machine.toml"
ROM = 2
MESSAGE = re.compile(
    r"^(?P<file>(?:[A-Za-z]:[\\/])?[^:\n]+):(?P<line>\d+):(?:(?P<column>\d+):)?\s*"
    r"(?P<severity>fatal error|error|warning|note|info):\s*(?P<text>.*?)(?:\s*\[(?P<rule>[\w.+=-]+)\])?$"
)
"""The form that editors read."""


def finding(rule, pc=None, cycle=None, **more):
    return CheckFinding(rule=rule_or_plain(rule), message=f"{rule} at {pc}.", pc=pc, cycle=cycle, **more)


def rom(code, fill=0xFF, at=0, vectors="008000800080"):
    content = bytearray([fill]) * 0x8000
    content[at : at + len(bytes.fromhex(code))] = bytes.fromhex(code)
    content[-6:] = bytes.fromhex(vectors)
    return bytes(content)


@pytest.mark.parametrize("fill", [0xFF, 0x03, 0x00, 0x1A])
def test_a_program_that_runs_into_filler_is_told_in_a_few_lines(fill):
    """On the NMOS part $FF, $03 and $1A are undocumented opcodes, $00 is BRK."""
    result = check(Machine.load(BENCH, images={ROM: rom("A2FF9AD8A9008510A510", fill)}), seconds=Fraction(1, 1000))
    assert [one.rule.name for one in result.findings if one.rule.name != "unfilled-area"] == ["ran-away"]
    assert len(report_text(result).splitlines()) < 20


def test_a_program_that_runs_into_a_table_is_told_once_with_a_count():
    """4096 bytes $03 $07 in turn: undocumented opcodes, and no filler."""
    result = check(Machine.load(BENCH, images={ROM: rom("A2FF9AD8" + "0307" * 2048)}), seconds=Fraction(1, 1000))
    missing = [one for one in result.findings if one.rule.name == "opcode-missing"]
    assert len(missing) == 1
    assert missing[0].count > 1000
    assert "more instructions between $8004 and $" in missing[0].message
    assert len(report_text(result).splitlines()) < 30


def test_what_is_wrong_in_many_places_apart_is_told_of_a_few_of_them():
    """An undocumented opcode and three NOPs, over and over."""
    result = check(Machine.load(BENCH, images={ROM: rom("A2FF9AD8" + "03EAEAEA" * 1000)}), seconds=Fraction(1, 1000))
    text = report_text(result)
    assert len(text.splitlines()) < 90
    assert "opcode-missing: in " in text
    assert "which --json lists: $" in text


def test_causes_come_before_what_follows_from_them():
    found = in_order(
        [
            finding("image-size"),
            finding("opcode-missing", 0x9000),
            finding("opcode-missing", 0x8010),
            finding("vector-astray"),
            finding("unfilled-area"),
            finding("never-written", 0x8002, 5),
            finding("undriven-read", 0x8010, 9),
            finding("ran-away", 0x8020, 12),
            finding("wait-without-end", 0x8030, 100),
        ]
    )
    assert [(one.rule.name, one.pc) for one in found] == [
        ("image-size", None),
        ("vector-astray", None),
        ("never-written", 0x8002),
        ("opcode-missing", 0x8010),
        ("undriven-read", 0x8010),
        ("ran-away", 0x8020),
        ("opcode-missing", 0x9000),
        ("unfilled-area", None),
        ("wait-without-end", 0x8030),
    ]


def test_a_source_line_of_several_instructions_is_one_place():
    """A macro, or a repetition; what is accepted there is told apart."""
    line = {"file": "main.asm", "line": 7}
    found = folded(
        [
            finding("undriven-read", 0x8000, 5, count=2, **line),
            finding("never-written", 0x8000, 5, **line),
            finding("undriven-read", 0x8003, 9, count=3, **line),
            finding("undriven-read", 0x8006, 12, accepted="so it is meant", **line),
            finding("undriven-read", 0x8009, 15, file="main.asm", line=8),
        ]
    )
    assert [(one.rule.name, one.pc, one.count) for one in found] == [
        ("undriven-read", 0x8000, 5),
        ("never-written", 0x8000, 1),
        ("undriven-read", 0x8006, 1),
        ("undriven-read", 0x8009, 1),
    ]


def test_a_few_neighbouring_instructions_keep_their_own_entries():
    found = folded([finding("undriven-read", 0x8000 + 3 * n, n) for n in range(7)])
    assert len(found) == 7


def test_the_first_of_a_row_in_time_stands_for_it():
    found = folded([finding("undriven-read", 0x8000 + 3 * n, 100 - n) for n in range(9)])
    assert [(one.pc, one.cycle, one.count) for one in found] == [(0x8018, 92, 9)]


def test_each_finding_is_a_line_that_editors_read(tmp_path):
    """Behind a label the statement begins; a finding of a card stands at the card, any other at the machine's top."""
    (tmp_path / "main.asm").write_text("; nothing\nstart:  lda $4000 ; read\n")
    result = check(Machine.load(BENCH, images={ROM: rom("4C0080")}), seconds=Fraction(1, 10_000))
    result.file = tmp_path / "machine.toml"  # its sources may be read
    result.findings = [
        finding("undriven-read", 0x8000, 5, count=1200, file=str(tmp_path / "main.asm"), line=2),
        finding("undriven-read", 0x8003, 5, file=str(tmp_path / "gone.asm"), line=3, label="x"),
        finding("image-size", slot=ROM),
        finding("ran-away", 0x8010, 7, label="start+16"),
        finding("never-written", 0x8020, 7, accepted="for a reason of mine"),
    ]
    lines, rest = one_line_report(result, {ROM: ("machine.toml", 20)})
    found = [MESSAGE.match(line) for line in lines]
    assert [(Path(m["file"]).name, m["line"], m["column"], m["severity"], m["rule"]) for m in found] == [
        ("main.asm", "2", "9", "error", "undriven-read"),
        ("gone.asm", "3", "1", "error", "undriven-read"),
        ("machine.toml", "20", "1", "error", "image-size"),
        ("machine.toml", "1", "1", "error", "ran-away"),
    ]
    assert found[0]["text"].endswith("1 200 times.")
    assert found[3]["text"].endswith("At $8010 (start+16).")
    assert rest[-1].startswith("Bench M1: 4 findings")


def test_every_place_is_told_and_all_are_counted_however_often_an_earlier_one_broke_the_rule():
    """A loop writes to ROM 256 times, then another instruction once: the machine keeps 200 of a rule."""
    machine = Machine.load(BENCH, images={ROM: rom("A2FF9AD8A200 8E0080 CAD0FA 8D0190 4C0F80")})
    result = check(machine, seconds=Fraction(1, 100))
    found = [(one.pc, one.count, one.message) for one in result.findings if one.rule.name == "write-to-rom"]
    assert found == [
        (0x8006, 256, "A write of $00 to $8000 went to ROM, which cannot take it."),
        (0x800C, 1, found[1][2]),
    ]
    assert "to $9001 went" in found[1][2]


@pytest.mark.parametrize(("start", "told"), [(None, ["stack-pointer-unset"]), (0x8000, [])])
def test_a_program_that_a_loader_starts_need_not_set_the_stack_pointer(start, told):
    """JSR to an RTS, and for ever: nothing sets S."""
    machine = Machine.load(BENCH, images={ROM: rom("D8 200780 4C0180 60")}, start=start)
    result = check(machine, seconds=Fraction(1, 1000))
    assert [one.rule.name for one in result.findings if one.rule.name.startswith("stack")] == told
