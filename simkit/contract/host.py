"""What a slot asks of the backplane it stands on."""

from __future__ import annotations

from typing import Protocol

from simkit.contract.turn import Turn


class UnderWay(Protocol):
    """The access under way, as a slot can ask of it."""

    @property
    def address(self) -> int | None:
        """On the address lines; None between accesses."""

    @property
    def reading(self) -> bool:
        """Whether it is a read."""

    @property
    def spare(self) -> bool:
        """Whether it is a read whose byte the CPU throws away."""

    @property
    def fetching(self) -> bool:
        """Whether it is a read that fetches an opcode, or a vector."""

    def pc(self, cycle: int) -> int | None:
        """The instruction that makes the access of `cycle`; None between accesses."""


class Host(Protocol):
    """The backplane as a slot sees it; `simkit.backplane.bus.Bus` is one, a test may bring another.

    Attributes:
        turn: when the card may act.
    """

    turn: Turn

    @property
    def access(self) -> UnderWay:
        """The access under way."""

    def arm(self, cycle: int, slot: int, name: str) -> None:
        """Have the card in `slot` called in phase 0 of `cycle`; an earlier call of that name is replaced."""

    def disarm(self, slot: int, name: str) -> None:
        """Take a pending call back; nothing happens when there is none."""

    def armed(self, slot: int, name: str) -> int | None:
        """Cycle a call is pending for, or None."""

    def data_before(self, slot: int) -> int:
        """Byte that the card's data pins saw in the cycle before the one under way."""

    def memory_changed(self, slot: int, start: int, end: int) -> None:
        """Bytes start .. end-1 of the card's plain memory changed other than by a store of the CPU."""

    def hide_memory(self, slot: int, hidden: bool) -> None:
        """Have each access of the card's plain memory come to the card, or no longer."""
