"""What a slot asks of the backplane it stands on."""

from __future__ import annotations

from typing import Protocol

from simkit.contract.turn import Turn


class Host(Protocol):
    """The backplane as a slot sees it; `simkit.backplane.bus.Bus` is one, a test may bring another.

    Attributes:
        access_address: address of the access under way, None between accesses.
        turn: when the card may act.
    """

    access_address: int | None
    turn: Turn

    @property
    def reading(self) -> bool:
        """Whether the access under way is a read."""

    @property
    def spare_read(self) -> bool:
        """Whether the access under way is a read whose byte the CPU throws away."""

    @property
    def program_read(self) -> bool:
        """Whether the read under way fetches an opcode, or a vector."""

    def access_pc(self, cycle: int) -> int | None:
        """The instruction that makes the access of `cycle`; None between accesses."""

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
