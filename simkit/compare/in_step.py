"""Where in a capture the CPU begins to be in step: at RESET, or where so many rows fit, whatever the registers."""

from __future__ import annotations

from collections.abc import Callable

from simkit.backplane.cycle import Kind
from simkit.compare.heard import Heard
from simkit.compare.led_cpu import RESET_CYCLES, RESET_VECTOR, State
from simkit.compare.rows import DOUBTFUL, WRITE_BIT
from simkit.compare.track import Track
from simkit.compare.worlds import ALL

SEARCH = 600
"""Rows from one place that are tried before it is said that nothing is to be followed there. Ours."""
PROOF = 48
"""Rows that must fit for the CPU to be in step. Ours."""
WRONG_LINES = 2
"""Address lines that may be at fault where RESET is told by its vector. Ours."""


class Beginnings:
    """Finds where the CPU is in step, and puts it there."""

    def __init__(self, track: Track, heard: Heard, goes_on: Callable[[int], bool] | None) -> None:
        self._track = track
        self._cpu, self._rows, self._ways, self._cells = track.cpu, track.rows, track.ways, track.cells
        self._heard, self._goes_on = heard, goes_on

    def find(self, row: int) -> bool:
        """Find the next place from a row on at which the CPU is in step, and put it there."""
        rows = self._rows
        while row < len(rows):
            almost: State | None = None
            for at in range(row, min(row + SEARCH, len(rows))):
                if self._is_reset(at):
                    self._begin_with_reset(at)
                    return True
                state = self._may_begin(at)
                if state is None:
                    continue
                cost = self._ways.ahead(state, ALL, min(at + PROOF, len(rows)), most=PROOF // 4)
                if cost == (0, 0):
                    return self._begin_at(state)
                if cost[0] == 1 and almost is None:
                    almost = state
            if almost is not None:
                return self._begin_at(almost)
            if self._goes_on is not None and not self._goes_on(row):
                return False
            row += SEARCH
        return False

    def _is_reset(self, row: int) -> bool:
        """Whether RESET's vector is fetched from here on, on address lines of which two may be at fault."""
        rows = self._rows
        if row + 2 >= len(rows) or DOUBTFUL in rows.seen[row : row + 3] or DOUBTFUL in rows.data[row : row + 2]:
            return False
        vector = rows.data[row] | rows.data[row + 1] << 8
        wanted = RESET_VECTOR, RESET_VECTOR + 1, self._track.start if self._track.start is not None else vector
        wrong = 0
        for at, address in enumerate(wanted, row):
            wrong |= rows.words[at] & 0x1FFFF ^ address
        sync = [bool(word >> 17) for word in rows.words[row : row + 3]]
        return wrong.bit_count() <= WRONG_LINES and (not rows.has_sync or sync == [False, False, True])

    def _begin_with_reset(self, row: int) -> None:
        """The sequence ends with the vector, which is at the row."""
        cpu, rows = self._cpu, self._rows
        before = rows.words[row - 1] if row else DOUBTFUL
        unknown = ALL - {"i"} - ({"d"} if cpu.cmos else frozenset())
        cpu.load((row, 0, 0, 0, 0, 0, 0, 0, 1, 0, 0, 4, 0))
        if row and before & 0x1FF00 == 0x100:
            cpu.sp = before - 1 & 0xFF
            unknown -= {"sp"}
        cpu.fetch_vector(RESET_VECTOR, Kind.RESET)
        if self._track.start is not None:
            cpu.pc = self._track.start
        self._track.unknown = unknown
        self._heard.note_odd((row, cpu.pc))
        if self._track.fed.since is None and not self._track.parts:
            self._track.fed.power_on(row - (RESET_CYCLES - 2))
        self._track.pending.clear()
        self._heard.check(row, row + 2, cpu.pc)

    def _may_begin(self, row: int) -> State | None:
        """State with which an instruction could begin at a row; None where none does."""
        cpu, rows = self._cpu, self._rows
        if rows.seen[row] == DOUBTFUL or rows.seen[row] & WRITE_BIT or (rows.has_sync and not rows.words[row] >> 17):
            return None
        pc = rows.words[row] & 0xFFFF
        if row + PROOF // 2 > len(rows) or (rows.words[row + 1] ^ pc + 1) & rows.masks[row + 1] & 0xFF:
            return None
        return (row, pc, cpu.a, cpu.x, cpu.y, cpu.sp, cpu.n, cpu.v, cpu.z, cpu.c, cpu.d, cpu.i, 0)

    def _begin_at(self, state: State) -> bool:
        """The CPU is in step from there on."""
        self._cpu.load(state)
        self._track.unknown = ALL
        self._track.pending.clear()
        self._track.before = None
        return True
