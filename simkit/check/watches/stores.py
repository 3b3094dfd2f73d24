"""What was stored in each cell of the cards' memory, and by which instruction of the main program."""

from __future__ import annotations

from array import array
from collections.abc import Mapping

Key = tuple[int, int]
"""Slot and offset of a cell."""

NOBODY = -1
"""The main program has not stored there."""


class Stores:
    """The last store into each cell; a cell more, the last one, is for what is stored elsewhere.

    Args:
        sizes: bytes of memory by slot.

    Attributes:
        first: number of a slot's first cell; the others follow in order of offsets.
        values: by cell, byte last stored by anybody.
        writers: by cell, instruction of the main program that stored last, or NOBODY.
        written: by cell, the byte that one stored.
    """

    def __init__(self, sizes: Mapping[int, int]) -> None:
        self.first: dict[int, int] = {}
        total = 0
        for slot, size in sizes.items():
            self.first[slot] = total
            total += size
        self.values = bytearray(total + 1)
        self.writers = array("i", [NOBODY]) * (total + 1)
        self.written = bytearray(total + 1)

    def cell(self, key: Key) -> int:
        """Number of a cell."""
        return self.first[key[0]] + key[1]

    def keys(self, cell: int) -> Key:
        """Slot and offset of a cell's number."""
        slot, first = max(((slot, first) for slot, first in self.first.items() if first <= cell), key=lambda at: at[1])
        return slot, cell - first

    def value(self, key: Key) -> int:
        """Byte last stored there; 0 before the first."""
        return self.values[self.cell(key)]

    def store(self, key: Key, value: int) -> None:
        """A handler has stored there."""
        self.values[self.cell(key)] = value

    def main_stores(self, key: Key, value: int, pc: int) -> None:
        """The main program has stored there."""
        cell = self.cell(key)
        self.values[cell] = self.written[cell] = value
        self.writers[cell] = pc

    def main_store(self, key: Key) -> tuple[int | None, int]:
        """Instruction of the main program that stored there last, and its byte; (None, 0) when none did."""
        cell = self.cell(key)
        writer = self.writers[cell]
        return (None, 0) if writer == NOBODY else (writer, self.written[cell])
