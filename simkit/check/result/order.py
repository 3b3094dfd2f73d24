"""Findings in the order in which people can use them: what caused others first, one entry a rule and place."""

from __future__ import annotations

from collections.abc import Hashable, Iterable
from itertools import pairwise

import attrs

from simkit.check.result.findings import CheckFinding

FOLDED_FROM = 8
"""Neighbouring instructions that break one rule and are told as one place: so many are hardly a program."""

LONGEST_INSTRUCTION = 3

_LAST = frozenset(("wait-without-end", "unfilled-area"))
"""Rules that tell how the run ended, or what would be nicer."""


def in_order(findings: Iterable[CheckFinding]) -> list[CheckFinding]:
    """Causes before consequences.

    What wiring, images and constants say comes first: where they are wrong, much else follows. Then that the program
    left its code, behind what led there. Then what else happened, as it happened, each instruction that is wrong in the
    image where it ran. Wrong instructions that never ran follow, since most are found where a program has left its
    code; then how the run ended.

    Args:
        findings: what was seen without a run, in order of the rules; what was seen in the run, in order of cycles, one
            power-on after the other.
    """
    findings = list(findings)
    ran = {finding.pc: number for number, finding in reversed(list(enumerate(findings))) if finding.cycle is not None}

    def key(numbered: tuple[int, CheckFinding]) -> tuple[int, int]:
        number, finding = numbered
        if finding.rule.name in _LAST:
            return 4, number
        if finding.role:
            return 1, number if finding.role == "cause" else len(findings)
        if finding.cycle is not None:
            return 2, number
        if finding.pc is None:
            return 0, number
        return (2, ran[finding.pc]) if finding.pc in ran else (3, number)

    return [finding for _, finding in sorted(enumerate(findings), key=key)]


def folded(findings: Iterable[CheckFinding]) -> list[CheckFinding]:
    """One entry a rule and place, with a count: the first stands for the others.

    A place is a source line; without one an instruction, or a row of instructions that all break the rule.
    """
    return _rows_folded(_lines_folded(findings))


def _kind(finding: CheckFinding) -> tuple[Hashable, ...]:
    return finding.rule.name, finding.slot, finding.accepted


def _lines_folded(findings: Iterable[CheckFinding]) -> list[CheckFinding]:
    kept: dict[Hashable, CheckFinding] = {}
    for number, finding in enumerate(findings):
        is_placed = finding.file is not None and finding.pc is not None
        key = (*_kind(finding), finding.file, finding.line) if is_placed else number
        first = kept.get(key)
        kept[key] = finding if first is None else attrs.evolve(first, count=first.count + finding.count)
    return list(kept.values())


def _rows_folded(findings: list[CheckFinding]) -> list[CheckFinding]:
    bare: dict[Hashable, list[CheckFinding]] = {}
    for finding in findings:
        if finding.file is None and finding.pc is not None:
            bare.setdefault(_kind(finding), []).append(finding)
    instead: dict[int, CheckFinding | None] = {}
    for group in bare.values():
        for row in _rows(sorted(group, key=lambda finding: finding.pc or 0)):
            if len(row) < FOLDED_FROM:
                continue
            first = min(row, key=lambda finding: -1 if finding.cycle is None else finding.cycle)
            instead |= {id(finding): None for finding in row}
            instead[id(first)] = attrs.evolve(
                first,
                message=f"{first.message} So do {len(row) - 1} more instructions between ${row[0].pc:04X} and "
                f"${row[-1].pc:04X}.",
                count=sum(finding.count for finding in row),
            )
    told = (instead.get(id(finding), finding) for finding in findings)
    return [finding for finding in told if finding is not None]


def _rows(findings: list[CheckFinding]) -> list[list[CheckFinding]]:
    """Findings by neighbourhood of their instructions, rising."""
    rows = [findings[:1]]
    for before, finding in pairwise(findings):
        if (finding.pc or 0) - (before.pc or 0) > LONGEST_INSTRUCTION:
            rows.append([])
        rows[-1].append(finding)
    return rows
