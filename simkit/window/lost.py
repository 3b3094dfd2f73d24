"""A program that is lost while its machine runs: where it left its code is looked for between two pictures."""

from __future__ import annotations

from collections.abc import Callable

from simkit.check.image.astray import astray
from simkit.check.leaving.search import Leaving, Search
from simkit.contract.errors import SimkitError
from simkit.machine.again import Again
from simkit.machine.machine import Machine

BETWEEN_SECONDS = 0.004
"""Host time for it between two pictures."""
PIECE = 2_000
"""Cycles between two looks at the host's clock."""
NEXT = 2
"""Times the cycles after which it is looked for again where nothing was found."""


class Lost:
    """Looks for it.

    Args:
        again: of the machine in the window.
        now: host time in seconds.

    Attributes:
        leaving: where the program left its code; None: as far as is known it has not.
    """

    def __init__(self, again: Again, now: Callable[[], float]) -> None:
        self._now = now
        self._begin(again)

    def play(self, machine: Machine) -> None:
        """Another machine goes on."""
        self._again.stop()
        self._begin(Again(machine))

    def _begin(self, again: Again) -> None:
        self._again = again
        self._forget()

    def _forget(self) -> None:
        self.leaving: Leaving | None = None
        self._search: Search | None = None
        self._power_ons = self._again.power_ons
        self._next = 0
        self._told = False

    def look(self) -> None:
        """Begin to search, if the program seems lost; now and then."""
        machine = self._again.of
        if self._again.power_ons != self._power_ons:
            self._forget()
        if self.leaving is not None or self._search is not None or not self._again.whole:
            return
        if machine.cycle >= self._next and (machine.cpu.halted or astray(machine)):
            self._next = NEXT * machine.cycle
            self._search = Search(self._again)

    def go_on(self) -> None:
        """Search for a moment."""
        search = self._search
        if search is None:
            return
        until = self._now() + BETWEEN_SECONDS
        try:
            while search.go_on(PIECE):
                if self._now() >= until:
                    return
        except SimkitError:  # a card fails as it did in the window, which tells it
            search.leaving = None
        self._search = None
        self.leaving = search.leaving

    def lines(self) -> tuple[list[str], int | None]:
        """Where and why it left, in paragraphs, and the cycle; nothing and None when it has not."""
        return ([], None) if self.leaving is None else (self.leaving.lines(), self.leaving.cycle)

    def news(self) -> list[str]:
        """What is to be told once, in sentences."""
        if self.leaving is None or self._told:
            return []
        self._told = True
        first = self.leaving.findings[0]
        why = f"First cause: {first.message}" if first.role == "cause" else " ".join(first.way[:1])
        return [f"{self.leaving.heading()} {why} The count at the foot opens the list."]
