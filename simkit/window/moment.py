"""A moment that the machine in the window is to run to."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

from simkit.contract.errors import SimkitError
from simkit.machine.moments import Moment, Span, parse_end
from simkit.machine.waiting import Wait

if TYPE_CHECKING:
    from simkit.machine.machine import Machine

FORMS = "2s, 120f, +5000c from here, label:NAME, finding:RULE, text:HELLO, read:NAME, write:$7F00, label:NAME#3"


class Goal:
    """The moment, and when it is.

    Args:
        machine: which is to run there.
        text: as the person wrote it; with a + before it, from now on.

    Attributes:
        text: as it was written.
        cycle: the cycle to stand in; None while nobody knows.

    Raises:
        SimkitError: it is no moment, or has gone by.
    """

    def __init__(self, machine: Machine, text: str) -> None:
        self.text = text.strip()
        self.cycle: int | None = None
        self._machine = machine
        here = Moment(after=(Span(Fraction(machine.cycle), "c"),))
        self._wait = Wait(machine, parse_end(self.text, here), self._come)
        known = self._wait.cycle
        if known is not None and known <= machine.cycle:
            self._wait.cancel()
            raise SimkitError(
                f"{self.text} has gone by: the machine is at {machine.seconds:.6f} s.",
                remedy=f"Write +{self.text} to run that long from here.",
            )

    def _come(self, cycle: int) -> None:
        self.cycle = cycle
        self._machine.end_run_at(cycle)

    def give_up(self) -> None:
        """Wait no longer."""
        self._wait.cancel()
