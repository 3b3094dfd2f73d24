"""Where candidates are asked first: where others left something that is enough, and not in the first rows again."""

import numpy as np
import pytest

from simkit.capture.captured import Captured
from simkit.compare.followed import Difference
from simkit.suspect.parts import BEFORE, BEHIND, BEHIND_RESET, FIRST_ROWS, TELLING, Parts

COUNT = 20_000
LINES = tuple(f"A{bit}" for bit in range(16))


def captured(count=COUNT, *, reset_at=None):
    levels = np.zeros(count, np.uint64)
    if reset_at is not None:
        levels[reset_at : reset_at + 2] = 0xFFFC, 0xFFFD
    return Captured(LINES, levels, np.full(count, 0xFFFF, np.uint64), np.arange(count) / 1e6, np.zeros(count, bool))


def left(*rows, proven=()):
    return [Difference(row, 0, 0, None, 0, 0, 0, 1, 0, 1, False, proven=row in proven) for row in rows]


def noted(*found):
    parts = Parts(captured())
    for one in found:
        parts.note(one)
    return [row for row, _ in parts.telling]


@pytest.mark.parametrize(
    ("of", "ends"),
    [
        (captured(), FIRST_ROWS),
        (captured(reset_at=5), (BEHIND_RESET, *FIRST_ROWS)),
        (captured(reset_at=BEHIND_RESET), FIRST_ROWS),
        (captured(FIRST_ROWS[1]), FIRST_ROWS[:1]),
        (captured(FIRST_ROWS[0]), ()),
    ],
)
def test_the_first_rows_are_fewer_behind_reset_and_less_than_all(of, ends):
    assert [(part.start, part.stop) for part in Parts(of).first] == [(0, end) for end in ends]


def test_a_proven_row_is_enough_and_two_instructions_near_one_another_are():
    assert noted(left(5_000, 7_000, 9_000, proven=[7_000])) == [7_000]
    assert noted(left(5_000, 7_000, 7_050, 9_000)) == [7_000]
    assert noted(left(5_000, 5_002, 7_000)) == [5_000, 7_000]  # two of one instruction are not, so all of them
    assert noted(left(5_000, 5_000 + BEHIND)) == [5_000, 5_000 + BEHIND][:1]  # that is in the same part


def test_the_last_who_left_something_is_asked_for_first_and_few_are_kept():
    assert noted(left(5_000), left(7_000), left(7_010)) == [7_000, 5_000]
    many = [left(row) for row in range(1_000, 9_000, 1_000)]
    assert noted(*many) == [8_000, 7_000, 6_000][:TELLING]


def test_a_part_lies_round_its_row_within_the_capture_and_not_where_the_first_rows_are():
    parts = Parts(captured())
    parts.note(left(BEFORE, proven=[BEFORE]))
    assert parts.telling == []
    parts.note(left(COUNT - 50))
    assert parts.telling == [(COUNT - 50, slice(COUNT - 50 - BEFORE, COUNT))]
