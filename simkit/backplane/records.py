"""Bus cycles as records: eight bytes each, in a ring that is emptied before it is full.

From bit 0 up: address (16 bits), byte (8), kind (3, as `Kind` numbers them), write (1), cycle (36).
"""

from __future__ import annotations

import struct
from collections.abc import Callable

RECORD_BYTES = 8
DATA_SHIFT = 16
KIND_SHIFT = 24
WRITE = 8
"""Bit of the kind: R/W low."""
CYCLE_SHIFT = 28

ROOM = 65_536
"""Records in a ring: 33 ms at 2 MHz."""

Sink = Callable[[memoryview], None]
"""Takes the records of some bus cycles, in order; the memory is used again as soon as it comes back."""

_RECORD = struct.Struct("<Q")


class Ring:
    """Collects records and hands them on.

    Attributes:
        memory: room for ROOM records.
        filled: how many it holds.
        sinks: who gets them.
    """

    def __init__(self, memory: memoryview | None = None) -> None:
        self.memory = memoryview(bytearray(ROOM * RECORD_BYTES)) if memory is None else memory
        self.filled = 0
        self.sinks: list[Sink] = []

    def add(self, cycle: int, address: int, value: int, kind: int) -> None:
        """Record a cycle; `kind` with WRITE for a write."""
        word = cycle << CYCLE_SHIFT & 0xFFFF_FFFF_FFFF_FFFF | kind << KIND_SHIFT | value << DATA_SHIFT | address
        _RECORD.pack_into(self.memory, self.filled * RECORD_BYTES, word)
        self.filled += 1
        if self.filled == ROOM:
            self.empty()

    def empty(self) -> None:
        """Hand on what is there."""
        if self.filled:
            records = self.memory[: self.filled * RECORD_BYTES]
            self.filled = 0
            for sink in self.sinks:
                sink(records)
