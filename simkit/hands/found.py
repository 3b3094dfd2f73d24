"""Findings as a front tells them: the first of each rule when it comes up, how many, and all that is to be said."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import attrs

from simkit.check.rules.catalogue import rule_or_plain
from simkit.machine.found import times, who
from simkit.machine.told import digits

if TYPE_CHECKING:
    from simkit.contract.findings import Finding
    from simkit.machine.machine import Machine

MOST_AT_ONCE = 3
"""More that come up in one moment are counted, not told."""


@attrs.frozen
class Line:
    """A paragraph.

    Attributes:
        text: what stands in it.
        heading: whether it begins something.
    """

    text: str
    heading: bool = False


class Found:
    """Remembers what was told of a machine's findings."""

    def __init__(self, machine: Machine) -> None:
        self.play(machine)

    def play(self, machine: Machine) -> None:
        """Another machine goes on; what came up before its first cycle is told elsewhere."""
        self._machine = machine
        self._told = {(finding.rule, finding.slot) for finding in machine.warnings}

    def news(self) -> list[str]:
        """The first finding of each rule and slot that came up since the last time this was asked, in sentences."""
        counts = self._machine.findings.counts()
        if counts.keys() == self._told:
            return []
        new = [key for key in counts if key not in self._told]
        self._told = set(counts)  # after a power cycle there may be fewer: they are told again
        told = [self._sentence(first_of(self._machine, *key)) for key in new[:MOST_AT_ONCE]]
        if len(new) > MOST_AT_ONCE:
            told.append(f"{len(new) - MOST_AT_ONCE} more were found; the count at the foot opens the list.")
        return told

    def _sentence(self, finding: Finding) -> str:
        return (
            f"Found: {finding.rule}, {who(self._machine, finding.slot)}{_at(self._machine, finding)}: {finding.message}"
        )


def count_words(machine: Machine) -> str:
    """How much was found."""
    counts = machine.findings.counts()
    kinds, times = len(counts), sum(counts.values())
    if not kinds:
        return "No findings"
    return f"{kinds} finding{'' if kinds == 1 else 's'}{f', {digits(times)} times' if times > kinds else ''}"


def first_of(machine: Machine, rule: str, slot: int | None) -> Finding:
    """The first finding of a rule in a slot."""
    return next(finding for finding in machine.findings if (finding.rule, finding.slot) == (rule, slot))


def list_lines(machine: Machine, left: Sequence[str] = (), until: int | None = None) -> list[Line]:
    """What, where, why and what to do, finding by finding, each rule and slot once.

    Args:
        machine: the machine.
        left: where and why the program left its code, in paragraphs; none: as far as is known it has not.
        until: cycle in which it did: what came up first from then on is only named.
    """
    counts = machine.findings.counts()
    told = [Line(text.strip(), heading=not number) for number, text in enumerate(left)]
    if not counts and told:
        return told
    if not counts:
        return [
            Line("Nothing has been found since power-on by the cards and the bus."),
            Line(
                "What takes a look at every access is told by simkit check: reads that no card drives, the stack, RAM "
                "that was never written."
            ),
        ]
    lines: list[Line] = []
    followed: list[str] = []
    number = 0
    for (name, slot), count in counts.items():
        first, rule = first_of(machine, name, slot), rule_or_plain(name)
        if until is not None and first.cycle >= until:
            followed.append(f"{name}, {who(machine, first.slot)}, {times(count)}")
            continue
        number += 1
        lines += [
            Line(f"{number}. {name} ({rule.level}), {who(machine, first.slot)}, {times(count)}", heading=True),
            Line(f"What: {first.message}"),
            Line(f"Where: {_where(machine, first)}"),
            Line(f"Why: {rule.hardware}"),
            Line(f"Do: {rule.do}"),
        ]
    if followed:
        told.append(Line(f"What followed, and means nothing: {'; '.join(followed)}."))
    return told + lines


def _where(machine: Machine, finding: Finding) -> str:
    if finding in machine.warnings:
        return "before the first cycle; it lies in the wiring or the image."
    accessed = ""
    if finding.pc is not None and finding.address is not None and finding.address != finding.pc:
        accessed = f", at address {machine.place(finding.address).words()}"
    return f"first in cycle {digits(finding.cycle)}{_at(machine, finding)}{accessed}."


def _at(machine: Machine, finding: Finding) -> str:
    at = finding.pc if finding.pc is not None else finding.address
    return f" at {machine.place(at, finding.seen).words()}" if at is not None else ""
