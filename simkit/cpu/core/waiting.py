"""Loops that wait: when a round passes as the one before did, whole rounds can be counted instead of made.

No loop is looked for. At a read that the core asks for, the registers, the program counter and the number of stores are
compared with those of an earlier read at the same place: all equal means that every round is like the last one as long
as the registers that it reads stay, and their cards say until when they do (`Card.steady_until`).
"""

from __future__ import annotations

MOST_READS = 8
"""Reads of a round; a longer one is not recognised."""


class Rounds:
    """Recognises a round that came back to where it began.

    Attributes:
        reads: address and byte of each read of the round that ended, the first one first.
    """

    __slots__ = ("_cycle", "_key", "_reads", "reads")

    def __init__(self) -> None:
        self.forget()

    def forget(self) -> None:
        """What comes is not what was: an access with effects, an event, an instruction of the reference."""
        self._key: tuple[bytes, int] | None = None
        self._cycle = 0
        self._reads: list[tuple[int, int]] = []
        self.reads: list[tuple[int, int]] = []

    def period(self, key: tuple[bytes, int], address: int, value: int, cycle: int) -> int:
        """Cycles since everything was as it is now, with only reads in between; 0 when it was not.

        Args:
            key: everything a round could change, before the read: registers, flags, number of stores; and the cycle
                of its instruction in which the read is made.
            address: that was read.
            value: byte that came.
            cycle: of the read.
        """
        read = (address, value)
        if key == self._key and read == self._reads[0]:
            period, self._cycle = cycle - self._cycle, cycle
            self.reads, self._reads = self._reads, [read]
            return period
        if self._key is None or key == self._key or len(self._reads) >= MOST_READS:
            self._key, self._cycle = key, cycle
            self._reads = [read]
        else:
            self._reads.append(read)
        return 0

    def skipped(self, cycles: int) -> None:
        """The present moved on by whole rounds."""
        self._cycle += cycles
