"""Whose turn it is: when a card may act, and when it is only asked.

A card acts (moves a pin, arms or cancels a call, reports, announces that its memory changed) while it is called to do
something, in the cycle of that call. While it is only asked (peek, save, advance, words, ...) it changes nothing, or it
would matter how often somebody looks.
"""

from __future__ import annotations

from collections.abc import Callable
from threading import get_ident

from simkit.contract.errors import CardMisuse

BETWEEN = -1
"""No card is called, or one is only asked."""
LOADING = -2
"""A card takes a state back: what it arms and drives is replaced by the machine's own state."""
WAITED = -3
"""A card gets a write to a register whose table says that writes may wait."""

WHEN = "A card acts in `event`, `outside`, `pin_changed`, `read`, `write`, `reset` and `power_on`."


class Turn:
    """What is under way on a backplane.

    Attributes:
        cycle: in which the card that is called may act, or BETWEEN, LOADING, WAITED.
        asked: why nobody may act, to go on from "while"; "" when no card is called.
        thread: which one runs the machine.
        owe: called as owe(slot, misuse) with what a card did while nobody called it; None: it is told by the exception
            alone.
    """

    __slots__ = ("asked", "cycle", "owe", "thread")

    def __init__(self, cycle: int = BETWEEN, asked: str = "") -> None:
        self.cycle = cycle
        self.asked = asked
        self.thread = get_ident()
        self.owe: Callable[[int, CardMisuse], None] | None = None

    def check(self, slot: int, did: str, cycle: int | None = None) -> None:
        """Refuse what a card does when it is not its turn.

        Args:
            slot: of the card.
            did: what it does, to go on from its name.
            cycle: in which it means to do so, where it says so.

        Raises:
            CardMisuse: it is not its turn.
        """
        now = self.cycle
        if now == LOADING:
            return
        if now == WAITED:
            raise CardMisuse(
                f"{did} in a write that may wait", "Leave `writes_wait` out of the register's table: such a write does "
                "nothing that shows before the card is called again."
            )  # fmt: skip
        if now >= 0:
            if cycle is None or cycle == now:
                return
            raise CardMisuse(f"{did} as if in cycle {cycle}", f"It is cycle {now}: hand on the cycle of the call.")
        if get_ident() == self.thread:
            if self.asked:
                raise CardMisuse(f"{did} while {self.asked}", f"Do that elsewhere. {WHEN}")
            return  # no card's code runs now, so it is the hand of a test
        misuse = CardMisuse(f"{did} while nobody had called it, from another thread", f"Leave threads out. {WHEN}")
        if self.owe is not None:
            self.owe(slot, misuse)
        raise misuse


ANY_TIME = Turn(LOADING)
"""For pins and slots that stand on no backplane: nothing is refused. Nobody changes it."""
