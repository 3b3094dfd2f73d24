"""Where a program that is lost left its code, found afterwards: the machine is run again under the eyes of the check.

machine = Machine.load("demo/marlpit")
again = Again(machine)
machine.run(seconds=2)
search = Search(again)
while search.go_on():
    ...                                # a piece has been run again; search.part tells how far it is
search.leaving                         # None: the program never left its code

`simkit check` watches the run itself and needs no search.
"""

from __future__ import annotations

from typing import Any

import attrs

from simkit.check.leaving.causes import led_there
from simkit.check.leaving.trail import Trail
from simkit.check.leaving.way import way_of
from simkit.check.result.findings import CheckFinding, placed
from simkit.check.result.notes import Noted
from simkit.check.result.order import folded, in_order
from simkit.check.watches.watch import Watch
from simkit.contract.plain import plain
from simkit.machine.again import Again
from simkit.machine.machine import Machine
from simkit.rom.places import Places

PIECE = 200_000
"""Cycles that are run again at a time."""


@attrs.frozen
class Leaving:
    """That a program left its code.

    Attributes:
        cycle: when.
        findings: what led there, the first cause first; the last one tells that the program is lost.
    """

    cycle: int
    findings: tuple[CheckFinding, ...]

    def heading(self) -> str:
        """That it left, in a sentence."""
        cycle = f"{self.cycle:,}".replace(",", " ")
        return f"The program left its code in cycle {cycle}; what came later means nothing."

    def lines(self) -> list[str]:
        """For people."""
        told = [self.heading()]
        *causes, left = self.findings
        for number, finding in enumerate(causes):
            what = "Then" if number else "First cause"
            told.append(f"  {what}: {_where(finding)}{finding.rule.name}: {finding.message}")
        if left.way:
            told.append(f"  {'So' if causes else 'How'}: {' '.join(left.way)}")
        return [*map(plain, told), plain(f"  {left.message}")]

    def as_dict(self) -> dict[str, Any]:
        """For --json."""
        return {"cycle": self.cycle, "findings": [finding.as_dict() for finding in self.findings]}


class Search:
    """Looks for the cycle in which a program left its code.

    Args:
        again: of the machine, as it stands now; without it being `whole` nothing is found.

    Attributes:
        leaving: what was found, when it is done.
    """

    def __init__(self, again: Again) -> None:
        self.leaving: Leaving | None = None
        self._again = again
        self._until = again.cycle
        self._noted: list[Noted] = []
        self._trail: Trail | None = None
        self._machine: Machine | None = again.machine() if again.whole else None
        self._watch = Watch(self._machine, self._machine.source_lines.listing) if self._machine is not None else None

    @property
    def part(self) -> float:
        """How much of the run has been looked at, 0 to 1."""
        return 1.0 if self._machine is None else min(1.0, self._machine.cycle / max(1, self._until))

    def go_on(self, cycles: int = PIECE) -> bool:
        """Look at a piece more; whether there is more to look at."""
        machine = self._machine
        if machine is None:
            return False
        if self._watch is not None:
            return self._look(self._watch, machine, cycles)
        if self._trail is not None and self._trail.go_on(cycles):
            return True
        self._machine = None
        if self._trail is not None:
            self.leaving = self._told(self._trail)
        return False

    def _look(self, watch: Watch, machine: Machine, cycles: int) -> bool:
        """Have the check look at a piece; what follows when it has seen enough."""
        left = self._until - machine.cycle
        if left > 0:
            machine.run(cycles=min(left, cycles))
        if watch.course.lost is None and not machine.cpu.halted and machine.cycle < self._until:
            return True
        self._noted = sorted(watch.stop().all(), key=lambda one: one.cycle)
        self._watch = None
        if watch.course.lost is not None:
            self._trail = Trail(self._again.machine(), watch.course.lost_at)
        return self._trail is not None

    def _told(self, trail: Trail) -> Leaving:
        machine = trail.machine
        places = Places(machine.labels, machine.source_lines.listing)
        titles = {slot: card.title for slot, card in machine.cards.items()}
        found = led_there((placed(one, places, titles) for one in self._noted), way_of(trail))
        return Leaving(machine.cycle, tuple(one for one in in_order(folded(found)) if one.role))


def _where(finding: CheckFinding) -> str:
    if finding.file is not None:
        return f"{finding.file}:{finding.line}: "
    return f"${finding.pc:04X}{f' ({finding.label})' if finding.label else ''}: " if finding.pc is not None else ""
