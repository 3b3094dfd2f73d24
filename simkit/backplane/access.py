"""The access under way, as cards are told of it: its address, what the CPU does, which instruction makes it."""

from __future__ import annotations

from collections.abc import Sequence

from simkit.backplane.cpu_side import Engine
from simkit.backplane.cycle import Kind
from simkit.backplane.vectors import VECTORS
from simkit.contract.slot import Slot

_SEQUENCES = (Kind.INTERRUPT, Kind.RESET)


class Access:
    """What a slot can say of the access under way; `simkit.contract.host.UnderWay`.

    Attributes:
        address: on the address lines; None between accesses.
        kind: what the CPU does in a read that reaches cards; None otherwise.
        engine: makes the accesses; None while power is off.
    """

    __slots__ = ("_late", "_late_at", "_late_cycles", "address", "engine", "kind")

    def __init__(self) -> None:
        self.address: int | None = None
        self.kind: Kind | None = None
        self.engine: Engine | None = None
        self._late: Sequence[int] = ()  # instructions of writes that are handed over
        self._late_cycles: Sequence[int] = ()  # in which these were made
        self._late_at: Slot | None = None  # and to which slot

    @property
    def reading(self) -> bool:
        """Whether it is a read."""
        return self.address is not None and self.kind is not None

    @property
    def spare(self) -> bool:
        """Whether it is a read that the CPU makes for want of anything better."""
        return self.kind is Kind.DUMMY

    @property
    def fetching(self) -> bool:
        """Whether it is a read that fetches an opcode, or a vector."""
        if self.kind in _SEQUENCES:  # a BRK's cannot be told from data, but its opcode was fetched before
            return self.address is not None and self.address >= VECTORS["NMI"]
        return self.kind is Kind.FETCH

    def pc(self, cycle: int) -> int | None:
        """The instruction that makes the access of `cycle`, under way or handed over late; None between accesses."""
        if self.address is None or self.engine is None:
            return None
        if self._late:
            under_way = self.late_cycle
            made = cycle if under_way is None else under_way
            return self._late[self._late_cycles.index(made)] if made in self._late_cycles else None
        recent = self.engine.recent
        return recent[-1][1] if recent else None

    @property
    def late_cycle(self) -> int | None:
        """Cycle of the write that is being handed over late, or None."""
        return self._late_at.late if self._late and self._late_at is not None else None

    def begin_late(self, address: int, slot: Slot, cycles: Sequence[int], pcs: Sequence[int]) -> None:
        """Writes that waited are about to be handed over to the card on that slot, each made by its instruction."""
        self.address = address
        self._late, self._late_cycles = pcs, cycles
        self._late_at = slot

    def end_late(self) -> None:
        """They are handed over; the address stays until the access is left."""
        self._late = ()
        self._late_at = None
