"""Plain memory that the core can reach: the pieces that slots ask for, side by side behind the state."""

from __future__ import annotations

import ctypes
from collections.abc import Iterable

from simkit.backplane.records import RECORD_BYTES, ROOM
from simkit.cpu.core.instance import Instance
from simkit.cpu.core.layout import STATE_BYTES, as_word

PAGE = 256
COPIES = 192
"""Pages for copies of ROM whose wires are exchanged and for tables of all kinds; what finds no room asks Python."""


def needed(sizes: Iterable[int]) -> int:
    """Bytes of a memory for pieces of these sizes."""
    return STATE_BYTES + ROOM * RECORD_BYTES + sum(-(-size // PAGE) * PAGE for size in sizes) + COPIES * PAGE


class Arena:
    """Hands out pieces of one memory.

    Addresses are those of the core, as its words hold them.

    Attributes:
        memory: all of it.
        state_at: address of the state, at its beginning.
        ring: room for a ring of records.
        ring_at: address of the ring.
    """

    def __init__(self, instance: Instance) -> None:
        self.memory = instance.memory
        self._base = instance.base
        self._start = instance.start
        self._free = STATE_BYTES
        self.ring = self.take(ROOM * RECORD_BYTES)
        self.state_at, self.ring_at = self.at(0), self.at(STATE_BYTES)
        self._copies: int | None = None
        self._shared: dict[bytes, int] = {}

    def take(self, size: int) -> memoryview:
        """A piece of zeros that begins at a page."""
        start, self._free = self._free, self._free + -(-size // PAGE) * PAGE
        if self._free > len(self.memory):
            raise MemoryError(f"{size} bytes more were asked for than were told before")
        return self.memory[start : start + size]

    def at(self, offset: int) -> int:
        """Address of the byte at an offset in the memory."""
        return as_word(self._start + offset)

    def address(self, buffer: memoryview | bytearray, index: int) -> int | None:
        """Address of byte `index` of a buffer; None when the buffer is not one of the pieces of the memory."""
        view = memoryview(buffer)
        if view.nbytes == 0 or view.readonly or not view.contiguous:
            return None
        offset = ctypes.addressof(ctypes.c_char.from_buffer(buffer)) - self._base + index
        return self.at(offset) if 0 <= offset < len(self.memory) else None

    def copy(self, content: bytes | bytearray | memoryview) -> int | None:
        """Address of a copy; None when there is no more room for copies."""
        if self._copies is None:
            self._copies = self._free
        offset = self._copies
        if offset + len(content) > len(self.memory):
            return None
        self._copies += -(-len(content) // 16) * 16
        self.memory[offset : offset + len(content)] = content
        return self.at(offset)

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
