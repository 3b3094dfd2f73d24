"""The last instructions begun, kept in the core's memory so that nothing is copied while nobody looks."""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator

from simkit.cpu.core.layout import NOTE_BYTES, NOTES, NOTES_AT, OFFSET

_NOTE = struct.Struct("<qi")
_NOTED = OFFSET["noted"] // 4


class Notes:
    """(cycle, pc) of the last instructions, oldest first, at most NOTES of them; takes the place of a deque.

    Args:
        state: the core's state.
    """

    def __init__(self, state: memoryview) -> None:
        self._state = state
        self._words = state.cast("i")
        self._first = self._words[_NOTED]  # number of the first note that counts

    def __len__(self) -> int:
        return min(self._words[_NOTED] - self._first & 0xFFFF_FFFF, NOTES)

    def __getitem__(self, index: int) -> tuple[int, int]:
        count = len(self)
        if not -count <= index < count:
            raise IndexError("no such note")
        return self._note(self._words[_NOTED] - count + index % count)

    def __iter__(self) -> Iterator[tuple[int, int]]:
        noted = self._words[_NOTED]
        return (self._note(number) for number in range(noted - len(self), noted))

    def _note(self, number: int) -> tuple[int, int]:
        cycle, pc = _NOTE.unpack_from(self._state, NOTES_AT + number % NOTES * NOTE_BYTES)
        return cycle, pc

    def append(self, note: tuple[int, int]) -> None:
        """Note an instruction."""
        noted = self._words[_NOTED]
        _NOTE.pack_into(self._state, NOTES_AT + noted % NOTES * NOTE_BYTES, *note)
        self._words[_NOTED] = (noted + 1 & 0xFFFF_FFFF ^ 0x8000_0000) - 0x8000_0000

    def extend(self, notes: Iterable[tuple[int, int]]) -> None:
        """Note several."""
        for note in notes:
            self.append(note)

    def clear(self) -> None:
        """Forget all."""
        self._first = self._words[_NOTED]

    def keep_last_as(self, cycle: int) -> None:
        """Forget all but the last, which began in another cycle than it says: rounds were skipped."""
        ((_, pc),) = (self[-1],)
        self._first = self._words[_NOTED] - 1
        _NOTE.pack_into(self._state, NOTES_AT + self._first % NOTES * NOTE_BYTES, cycle, pc)
