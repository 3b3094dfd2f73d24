"""A moment that the machine in the window is to run to."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simkit.contract.clock import parse_duration
from simkit.contract.errors import SimkitError

if TYPE_CHECKING:
    from simkit.machine.machine import Machine
    from simkit.machine.views import Screen

FORMS = "2s, 120f, 5000c since power-on, or +2s from here"


class Goal:
    """The moment, and when it is.

    Args:
        machine: which is to run there.
        screen: whose frames are counted.
        text: as the person wrote it: "2s", "120f", "5000c" since power-on; with a + before it, from now on.

    Attributes:
        text: as it was written.
        cycle: the cycle to stand in; None while nobody knows.

    Raises:
        SimkitError: it is no moment, or has gone by.
    """

    def __init__(self, machine: Machine, screen: Screen | None, text: str) -> None:
        self.text = text.strip()
        self.cycle: int | None = self._cycle_of(machine, screen)

    def _cycle_of(self, machine: Machine, screen: Screen | None) -> int:
        frame = screen.frame_cycles if screen is not None else None
        cycles = parse_duration(self.text.removeprefix("+"), machine.clock_hz, frame)
        if self.text.startswith("+"):
            return machine.cycle + cycles
        if cycles <= machine.cycle:
            raise SimkitError(
                f"{self.text} has gone by: the machine is at {machine.seconds:.6f} s.",
                remedy=f"Write +{self.text} to run that long from here.",
            )
        return cycles

    def give_up(self) -> None:
        """Wait no longer."""
