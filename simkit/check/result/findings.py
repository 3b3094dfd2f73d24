"""What the check hands out: findings with their place, and the accepted ones with their reasons."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import attrs

from simkit.check.result.notes import Noted
from simkit.check.rules.catalogue import rule_or_plain
from simkit.check.rules.rule import Rule
from simkit.rom.listing import Listing


@attrs.define(kw_only=True)
class CheckFinding:
    """One finding.

    Attributes:
        rule: the rule.
        message: what happened, one sentence.
        cycle: when first; None for what is seen without running.
        address: bus address concerned, or None.
        pc: address of the instruction, or None.
        label: nearest label at or before the instruction with its distance ("Start", "Start+3"), or None.
        file: source file of the instruction, or None.
        line: line in it.
        source: text of that line.
        slot: slot of the card concerned, or None.
        count: how often.
        accepted: why the builder accepts it, or None.
    """

    rule: Rule
    message: str
    cycle: int | None = None
    address: int | None = None
    pc: int | None = None
    label: str | None = None
    file: str | None = None
    line: int | None = None
    source: str = ""
    slot: int | None = None
    count: int = 1
    accepted: str | None = None

    def as_dict(self) -> dict[str, Any]:
        """Fields for --json."""
        return {
            "rule": self.rule.name,
            "level": self.rule.level,
            "message": self.message,
            "cycle": self.cycle,
            "address": self.address,
            "pc": self.pc,
            "label": self.label,
            "file": self.file,
            "line": self.line,
            "source": self.source,
            "slot": self.slot,
            "count": self.count,
            "hardware": self.rule.hardware,
            "do": self.rule.do,
            "accepted": self.accepted,
        }


@attrs.define(kw_only=True)
class CheckResult:
    """All of one check.

    Attributes:
        machine: name of the machine.
        file: its machine file.
        cycles: machine cycles that were run.
        seconds: machine time.
        findings: accepted ones too.
        remarks: what is worth knowing and no finding: room in the ROM, unused acceptances, why the run ended.
        halted: why the CPU stands still, or None.
        stopped: whether the run was ended before its time, from outside.
    """

    machine: str
    file: Path
    cycles: int
    seconds: float
    findings: list[CheckFinding]
    remarks: list[str] = attrs.field(factory=list)
    halted: str | None = None
    stopped: bool = False

    @property
    def open(self) -> list[CheckFinding]:
        """Findings that count: neither accepted nor mere notes."""
        return [f for f in self.findings if f.accepted is None and f.rule.level != "note"]

    def as_dict(self) -> dict[str, Any]:
        """Fields for --json."""
        return {
            "machine": self.machine,
            "cycles": self.cycles,
            "seconds": self.seconds,
            "open": len(self.open),
            "findings": [finding.as_dict() for finding in self.findings],
            "remarks": self.remarks,
            "halted": self.halted,
            "stopped": self.stopped,
        }


class Places:
    """Finds label and source line of an address."""

    def __init__(self, labels: Mapping[int, str], listing: Listing | None) -> None:
        self._labels = labels
        self._sorted = sorted(labels)
        self._listing = listing

    def label(self, address: int, seen: tuple[int, int] | None = None) -> str | None:
        """Nearest label at or before an address, with the distance; none further than 255 bytes away."""
        in_bank = self._listing.label(address, seen) if self._listing is not None else None
        if in_bank is not None:
            name, distance = in_bank
            return name if name is None or not distance else f"{name}+{distance}"
        number = bisect_right(self._sorted, address) - 1
        if number < 0 or address - self._sorted[number] > 0xFF:
            return None
        base = self._sorted[number]
        return self._labels[base] if base == address else f"{self._labels[base]}+{address - base}"

    def finding(self, noted: Noted) -> CheckFinding:
        """A noted finding with its place."""
        at = noted.pc if noted.pc is not None else noted.address
        row = self._listing.row(at, noted.seen) if self._listing is not None and at is not None else None
        return CheckFinding(
            rule=rule_or_plain(noted.rule),
            message=noted.message,
            cycle=noted.cycle if noted.cycle >= 0 else None,
            address=noted.address,
            pc=noted.pc,
            label=self.label(noted.pc, noted.seen) if noted.pc is not None else None,
            file=_shown(row.file) if row is not None else None,
            line=row.line if row is not None else None,
            source=" ".join(row.text.split(";")[0].split()) if row is not None else "",
            slot=noted.slot,
            count=noted.count,
        )


def _shown(file: str) -> str:
    """Path as people want to see it: from the working folder where the file lies below it."""
    try:
        return str(Path(file).resolve().relative_to(Path.cwd()))
    except ValueError:
        return file
