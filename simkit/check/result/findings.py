"""What the check hands out: findings with their place, and the accepted ones with their reasons."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import attrs

from simkit.check.result.notes import Noted
from simkit.check.rules.catalogue import rule_or_plain
from simkit.check.rules.rule import Rule
from simkit.rom.places import Places


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
        card: what people call that card, with its slot; "" without one.
        count: how often.
        accepted: why the builder accepts it, or None.
        role: "cause" of what led to the program leaving its code, "left" of that itself, else "".
        together: what findings of this rule have in common, in sentences; told with the first.
        way: how the program counter came to where the program is lost, in sentences, the last step first.
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
    card: str = ""
    count: int = 1
    accepted: str | None = None
    role: str = ""
    way: tuple[str, ...] = ()
    together: str = ""

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
            "card": self.card or None,
            "count": self.count,
            "hardware": self.rule.hardware,
            "do": self.rule.do,
            "accepted": self.accepted,
            "role": self.role or None,
            "way": list(self.way),
            "together": self.together or None,
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


def placed(noted: Noted, places: Places, cards: Mapping[int, str]) -> CheckFinding:
    """A noted finding with its place, and its card as `cards` name it by slot."""
    at = noted.pc if noted.pc is not None else noted.address
    place = places.at(at, noted.seen) if at is not None else None
    return CheckFinding(
        rule=rule_or_plain(noted.rule),
        message=noted.message,
        cycle=noted.cycle if noted.cycle >= 0 else None,
        address=noted.address,
        pc=noted.pc,
        label=place.name if place is not None and noted.pc is not None else None,
        file=place.file if place is not None else None,
        line=place.line if place is not None else None,
        source=place.source if place is not None else "",
        slot=noted.slot,
        card="" if noted.slot is None else cards.get(noted.slot, f"slot {noted.slot}"),
        count=noted.count,
    )
