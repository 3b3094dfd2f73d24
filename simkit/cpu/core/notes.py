"""The last instructions begun, kept in the core's memory so that nothing is copied while nobody looks."""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator

from simkit.cpu.core.layout import NOTE_BYTES, NOTES, NOTES_AT, OFFSET
from simkit.cpu.reference.engine import BeforeLoop

_NOTE = struct.Struct("<qi")
_NOTED = OFFSET["noted"] // 4
_STRIDE = NOTE_BYTES // 4
_FIRST_PC = NOTES_AT // 4 + 2
"""In words: from one note to the next, and where the address in the first is."""


class Notes:
    """(cycle, pc) of the last instructions, oldest first, at most NOTES of them; takes the place of a deque.

    Args:
        state: the core's state.
    """

    def __init__(self, state: memoryview) -> None:
        self._state = state
        self._words = state.cast("i")
        self._first = self._words[_NOTED]  # number of the first note that counts
        self._before: list[tuple[int, int]] = []  # notes before the first rounds that were skipped of one loop
        self._loop = frozenset[int]()  # addresses of its instructions
        self._period = self._instructions = 0  # of a round

    def __len__(self) -> int:
        return min(self._words[_NOTED] - self._first & 0xFFFF_FFFF, NOTES)

    def __bool__(self) -> bool:
        return self._words[_NOTED] != self._first

    def __getitem__(self, index: int) -> tuple[int, int]:
        if index == -1 and self:  # the reference looks at the last one before each of its instructions
            return self._note(self._words[_NOTED] - 1)
        count = len(self)
        if not -count <= index < count:
            raise IndexError("no such note")
        return self._note(self._words[_NOTED] - count + index % count)

    def __iter__(self) -> Iterator[tuple[int, int]]:
        noted = self._words[_NOTED]
        return (self._note(number) for number in range(noted - len(self), noted))

    def last(self, most: int) -> list[tuple[int, int]]:
        """The last so many, oldest first."""
        noted = self._words[_NOTED]
        return [self._note(number) for number in range(noted - min(most, len(self)), noted)]

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
        self._loop = frozenset()

    def skip(self, began: int, skipped: int, period: int) -> None:
        """Cycles of whole rounds were skipped: forget all but the last, which begins so much later than `began`."""
        pcs = self._pcs()
        if not (period == self._period and self._loop.issuperset(pcs) and self._is_round(began - period, len(pcs))):
            self._before = list(self)
            self._period = period
            self._instructions = sum(cycle > began - period for cycle, _ in self._before[-period:])
            self._loop = frozenset(pcs[-self._instructions :])
        self._first = self._words[_NOTED] - 1
        _NOTE.pack_into(self._state, NOTES_AT + self._first % NOTES * NOTE_BYTES, began + skipped, pcs[-1])

    def _pcs(self) -> list[int]:
        """Addresses of all that are noted: a slice of the memory, as this is wanted often."""
        end = self._words[_NOTED]
        count, end = min(end - self._first & 0xFFFF_FFFF, NOTES), end % NOTES
        pcs: list[int] = self._words[
            _FIRST_PC + max(0, end - count) * _STRIDE : _FIRST_PC + end * _STRIDE : _STRIDE
        ].tolist()
        if count > end:
            pcs[:0] = self._words[
                _FIRST_PC + (NOTES + end - count) * _STRIDE : _FIRST_PC + NOTES * _STRIDE : _STRIDE
            ].tolist()
        return pcs

    def _is_round(self, before: int, noted: int) -> bool:
        """Whether as many instructions as the loop has began later than cycle `before`, of `noted` in all."""
        count, end = self._instructions, self._words[_NOTED]
        return self._note(end - count)[0] > before and (noted == count or self._note(end - count - 1)[0] <= before)

    def _goes_on(self) -> bool:
        """Whether everything since is of the loop, of which rounds were skipped before."""
        return bool(self._loop) and self._loop.issuperset(self._pcs())

    @property
    def before_loop(self) -> BeforeLoop | None:
        """What led into the loop that goes on; None where rounds of it were not skipped."""
        if not self._goes_on() or not len(self):
            return None
        cycle, pc = self[0]
        for number in range(len(self._before) - 1, max(-1, len(self._before) - 1 - self._instructions), -1):
            if self._before[number][1] == pc:
                rounds = (cycle - self._before[number][0]) // self._period
                return BeforeLoop(self._before[:number], self._instructions, rounds)
        return None
