"""A line that the capture has wrong all the time: it is taken as it is, and no trouble any more."""

from __future__ import annotations

from simkit.compare.led_cpu import State
from simkit.compare.rows import WRITE_BIT
from simkit.compare.shown import LONGEST_ROWS
from simkit.compare.track import Track
from simkit.compare.worlds import NEAR

LOST_ROWS = 4
"""The CPU is no longer in step when of the next NEAR rows so many differ. Ours."""
REPEATED = 2
"""Rows that a line must have wrong, alone, to be one of two that are at fault together. Ours."""
OFTEN = 24
"""A line that differs so often, alone, while the CPU stays in step, is taken as it is. Ours."""
CLOSE = 400
"""Rows within which it must differ again for that. Ours."""


class AtFault:
    """Finds lines that are at fault, and has them tolerated."""

    def __init__(self, track: Track) -> None:
        self._track = track
        self._cpu, self._rows, self._ways = track.cpu, track.rows, track.ways
        self._alone: dict[int, tuple[int, int]] = {}  # times and last row, by bit

    def note(self, bit: int, row: int) -> None:
        """The CPU is in step but for one line; where that is so often the line is at fault, and no trouble any more."""
        times, before = self._alone.get(bit, (0, 0))
        times = times + 1 if row - before <= CLOSE else 1
        self._alone[bit] = times, row
        if times >= OFTEN:
            self._ways.tolerated |= bit

    def same_lines(self, state: State, limit: int) -> bool:
        """Whether it is one line that the capture has wrong all the time, in what comes, or two that touch.

        They are taken as they are then.
        """
        ways, before = self._ways, self._ways.tolerated
        ways.ahead(state, self._track.unknown, min(state[0] + NEAR, len(self._rows)), most=0)
        for bits in (ways.bits if ways.bits.bit_count() == 1 else 0, self._two_lines(state, limit)):
            if bits:
                ways.tolerated = before | bits
                if ways.ahead(state, self._track.unknown, limit)[1] < LOST_ROWS:
                    ways.tolerated, found = before, ways.tolerated
                    if self._differs_by_cards(state, limit) < LOST_ROWS:
                        return False
                    ways.tolerated = found
                    return True
        ways.tolerated = before
        return False

    def _differs_by_cards(self, state: State, limit: int) -> int:
        """How many rows differ where the CPU takes what cards hold: a byte misread on its way leads it elsewhere."""
        cpu, ways, unknown, found = self._cpu, self._ways, self._track.unknown, 0
        with ways.tried(state, limit + LONGEST_ROWS):
            while cpu.at < limit and not cpu.halted and found < LOST_ROWS:
                before, left = cpu.save(), ways.advance(unknown)
                if misread := dict(held_otherwise(self._track, before[0], cpu.at)):
                    left = ways.advance_from(before, unknown, misread)
                found, unknown = found + ways.cost_of_odd()[1], left
                cpu.odd = []
        return found

    def _two_lines(self, state: State, limit: int) -> int:
        """The two lines in which rows differ most often that differ in one line alone; 0 where they do not repeat."""
        ways, times = self._ways, dict[int, int]()
        ways.ahead(state, self._track.unknown, limit)
        for each in self._cpu.odd:
            bits = ways.differs(*each) & ~ways.tolerated
            if bits.bit_count() == 1:
                times[bits] = times.get(bits, 0) + 1
        ranked = sorted((bits for bits in times if times[bits] >= REPEATED), key=lambda bits: -times[bits])
        return ranked[0] | ranked[1] if len(ranked) > 1 else 0


def held_otherwise(track: Track, row: int, end: int) -> list[tuple[int, int]]:
    """Reads of an instruction of which the capture holds another byte than the card: row and the card's byte."""
    rows, should, cells = track.rows, track.cpu.should, track.cells
    found = []
    for at in range(row, min(end, len(rows))):
        word = should[at]
        if word >= 0 and not word & WRITE_BIT:
            expected = cells.likely(word & 0xFFFF)
            if expected is not None and (expected ^ rows.bytes[at]) & rows.known[at]:
                found.append((at, expected))
    return found
