"""The rows of a capture in which candidates are asked first: those that most of them do not explain."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence

from simkit.capture.captured import Captured
from simkit.compare.followed import Difference
from simkit.compare.led_cpu import RESET_VECTOR
from simkit.suspect.floating import LONGEST

FIRST_ROWS = 400, 2_000
"""Rows that a candidate must explain before more are looked at: those that do not are most, and are told soon. Ours."""
BEHIND_RESET = 64
"""The same where the vector of RESET is among them: there the CPU is in step at once. In so few others a line may stand
still by chance. Ours."""

TELLING, BEFORE, BEHIND = 3, 400, 200
"""Places at which candidates left something that are looked at first with the next one, rows before them and behind
them. Ours."""


class Parts:
    """Parts of a capture, in the order in which they tell.

    Args:
        captured: the capture.

    Attributes:
        first: its first rows, the fewest first; those that a candidate does not explain are most often among them.
    """

    def __init__(self, captured: Captured) -> None:
        self._count = len(captured)
        at_once = (BEHIND_RESET,) if _begins_with_reset(captured[:BEHIND_RESET]) else ()
        self.first = [slice(0, rows) for rows in (*at_once, *FIRST_ROWS) if rows < self._count]
        self._rows: list[int] = []

    @property
    def telling(self) -> list[tuple[int, slice]]:
        """Rows in which others left something, each with the part round it; not what is in the first rows."""
        parts = [(row, slice(max(0, row - BEFORE), min(self._count, row + BEHIND))) for row in self._rows]
        return [(row, part) for row, part in parts if part.start]

    def note(self, left: Sequence[Difference]) -> None:
        """Somebody left something there: others may, too."""
        new: list[int] = []
        for row in _enough(left):
            if all(abs(row - known) > BEHIND for known in (*new, *self._rows)):
                new.append(row)
        self._rows = [*new[:TELLING], *self._rows][:TELLING]


def _enough(left: Sequence[Difference]) -> list[int]:
    """Rows of which the part behind each is enough to leave something, the first ones first; else all."""
    rows = sorted(one.row for one in left)
    proven = [one.row for one in left if one.proven]
    return proven or [row for row in rows if _is_another_behind(row, rows)] or rows


def _is_another_behind(row: int, rows: Sequence[int]) -> bool:
    """Whether another of some rows, in their order, is of a later instruction and in the same part."""
    at = bisect_left(rows, row + LONGEST)
    return at < len(rows) and rows[at] < row + BEHIND


def _begins_with_reset(captured: Captured) -> bool:
    """Whether both bytes of RESET's vector are read in some cycles, one behind the other."""
    address, known = captured.address
    low = (address == RESET_VECTOR) & (known == 0xFFFF)
    return bool((low[:-1] & (address[1:] == RESET_VECTOR + 1) & (known[1:] == 0xFFFF)).any())
