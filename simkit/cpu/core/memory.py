"""Plain memory that the core can reach: the pieces that slots ask for, side by side behind the state."""

from __future__ import annotations

import ctypes
from collections.abc import Iterable

from simkit.backplane.records import RECORD_BYTES, ROOM
from simkit.cpu.core.layout import STATE_BYTES

PAGE = 256
COPIES = 192
"""Pages for copies of ROM whose wires are exchanged and for tables of all kinds; what finds no room asks Python."""


def needed(sizes: Iterable[int]) -> int:
    """Bytes of a memory for pieces of these sizes."""
    return STATE_BYTES + ROOM * RECORD_BYTES + sum(-(-size // PAGE) * PAGE for size in sizes) + COPIES * PAGE


class Arena:
    """Hands out pieces of one memory.

    Attributes:
        memory: all of it.
        base: address of its first byte in the process.
        ring: room for a ring of records.
        ring_at: where it lies in the memory.
    """

    def __init__(self, memory: memoryview, base: int) -> None:
        self.memory = memory
        self.base = base
        self._free = STATE_BYTES
        self.ring = self.take(ROOM * RECORD_BYTES)
        self.ring_at = STATE_BYTES
        self._copies: int | None = None
        self._shared: dict[bytes, int] = {}

    def take(self, size: int) -> memoryview:
        """A piece of zeros that begins at a page."""
        start, self._free = self._free, self._free + -(-size // PAGE) * PAGE
        if self._free > len(self.memory):
            raise MemoryError(f"{size} bytes more were asked for than were told before")
        return self.memory[start : start + size]

    def address(self, buffer: memoryview | bytearray, index: int) -> int | None:
        """Where byte `index` of a buffer lies in the memory; None when the buffer is not one of its pieces."""
        if len(buffer) == 0:
            return None
        at = ctypes.addressof(ctypes.c_char.from_buffer(buffer)) - self.base + index
        return at if 0 <= at < len(self.memory) else None

    def copy(self, content: bytes | bytearray | memoryview) -> int | None:
        """Address of a copy, at a multiple of 16; None when there is no more room for copies."""
        if self._copies is None:
            self._copies = self._free
        at = self._copies
        if at + len(content) > len(self.memory):
            return None
        self._copies += -(-len(content) // 16) * 16
        self.memory[at : at + len(content)] = content
        return at

    def shared(self, content: bytes) -> int | None:
        """As `copy`; the same content is copied once."""
        at = self._shared.get(content)
        if at is None:
            at = self.copy(content)
            if at is not None:
                self._shared[content] = at
        return at

    def drop_copies(self) -> None:
        """All copies are stale."""
        self._copies = None
        self._shared.clear()
