"""What cards and machine have found since the running rules looked last."""

from __future__ import annotations

from collections import deque
from itertools import islice

from simkit.check.result.notes import Notes
from simkit.machine.machine import Machine


class News:
    """Findings of a machine that are not noted yet, also those that the machine only counts.

    What wiring and images said at power-on is told without a run, and left out.

    Args:
        machine: the machine.
        notes: where they go.
    """

    def __init__(self, machine: Machine, notes: Notes) -> None:
        self._notes = notes
        self._findings = machine.findings
        self.found = deque(islice(self._findings, len(machine.warnings), None))
        self._findings.tell(self.found.append)

    def take(self, pc: int | None, now: int = -1) -> None:
        """Note them.

        Args:
            pc: the instruction that brought them about, if there is one.
            now: the cycle in which the next instruction begins; what is found in it belongs to that one.
        """
        while self.found and self.found[0].cycle != now:
            found = self.found.popleft()
            at = pc if found.address is not None else None
            self._notes.add(found.rule, found.cycle, found.message, pc=at, address=found.address, slot=found.slot)

    def stop(self) -> None:
        """Be told no more."""
        self._findings.tell_no_more(self.found.append)
