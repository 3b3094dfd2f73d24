"""What a led CPU may have done: it goes one instruction further, and one way is priced against another."""

from __future__ import annotations

import itertools
from collections.abc import Mapping

from simkit.compare.apart import Apart
from simkit.compare.cells import Cells
from simkit.compare.led_cpu import Ended, LedCpu, State
from simkit.compare.rows import WRITE_BIT, Rows
from simkit.compare.shown import LONGEST_ROWS, MAKE_ADDRESSES, Shown
from simkit.cpu.isa.effects import effects

ALL = frozenset({"a", "x", "y", "sp", "n", "v", "z", "c", "d", "i"})
FLAGS = "nvzcdi"
AHEAD = 40
"""Rows that decide between two ways. Ours."""
SHOWN_BY = 2
"""Rows whose addresses show a register, so that no misread one can have told it. Ours."""
ELSEWHERE = 4
"""Rows in a row that are elsewhere, wherever that is, for a CPU that waits to have gone on. Ours."""
_ORDER = ("sp", "x", "y", "d", "n", "v", "z", "c", "a")

WORST = (16, 16)
"""What is added where a way ends with a CPU that stands still, and the capture goes on. Ours."""
Cost = tuple[int, int]
"""Lines in which a way differs from the capture, and rows."""
Price = tuple[int, int, int]
"""Rows in which it differs soon, and then its cost."""
NEAR = 14
"""Rows that are soon. Ours."""


class Tried:
    """As of `Ways.tried`; a class, as it is begun very often."""

    __slots__ = ("_cpu", "_instead", "_made", "_start", "_state", "_wrote")

    def __init__(self, cpu: LedCpu, state: State, end: int, instead: Mapping[int, int]) -> None:
        self._cpu, self._state, self._instead = cpu, state, instead
        self._start = state[0]
        self._made, self._wrote = cpu.should[state[0] : end], cpu.wrote[state[0] : end]

    def __enter__(self) -> None:
        self._cpu.load(self._state)
        self._cpu.instead = self._instead

    def __exit__(self, kind: type[BaseException] | None, error: object, trace: object) -> bool:
        cpu, start, end = self._cpu, self._start, self._start + len(self._made)
        cpu.instead = {}
        cpu.should[start:end], cpu.wrote[start:end] = self._made, self._wrote
        return kind is Ended


class Ways:
    """Tries what a CPU may have done; the CPU is where it was, afterwards, but for its notes.

    Attributes:
        differs: bits in which the capture differs from what should be, as of `Apart`.
        bits: in which the way differed whose cost was asked last.
        soon: rows of it that differ within NEAR rows.
        misread: rows of the last instruction whose address alone told a register, and was misread by what came.
        told: by register, the row of the instruction whose cycles told it last.
        borne_out: index registers that the last instruction told, and showed in several rows, where what came is of
            another address.
    """

    def __init__(self, cpu: LedCpu, rows: Rows, part: str, cells: Cells) -> None:
        self._cpu, self._rows, self._apart = cpu, rows, Apart(rows, cells)
        self._shown = Shown(cpu, rows, part, cells, self._apart)
        self.differs = self._apart.differs
        self.effects = effects(part)
        self.bits = self.soon = 0
        self.misread: set[int] = set()
        self.told = self._shown.told
        self.borne_out: frozenset[str] = frozenset()

    @property
    def tolerated(self) -> int:
        """Bits of a word with data lines in which the capture differs all the time: the line is at fault."""
        return self._apart.tolerated

    @tolerated.setter
    def tolerated(self, bits: int) -> None:
        self._apart.tolerated = bits

    def cost_of_odd(self) -> Cost:
        """Of what the CPU has noted."""
        bits = count = 0
        counted = ~self._apart.tolerated
        for row, word, value in self._cpu.odd:
            different = self.differs(row, word, value) & counted
            bits |= different
            count += different != 0
        self.bits = bits
        return bits.bit_count(), count

    def tried(self, state: State, end: int, instead: Mapping[int, int] | None = None) -> Tried:
        """`with` it the CPU goes on from a state; what it put out in rows before `end` is as it was, afterwards.

        That the capture ends there is no error.
        """
        return Tried(self._cpu, state, end, instead or {})

    def ahead(
        self,
        state: State,
        unknown: frozenset[str],
        limit: int,
        instead: Mapping[int, int] | None = None,
        most: int = AHEAD,
    ) -> Cost:
        """What it costs to go on from a state up to a row; no further than to so many rows that differ."""
        cpu = self._cpu
        with self.tried(state, limit + LONGEST_ROWS, instead):
            while cpu.at < limit and not cpu.halted and len(cpu.odd) <= most:
                unknown = self.advance(unknown)
        stands = cpu.halted and cpu.at < limit and self._goes_on(cpu.at)
        cost = self.cost_of_odd()
        near, counted = limit - AHEAD + NEAR, ~self._apart.tolerated
        self.soon = sum(row < near and self.differs(row, word, value) & counted != 0 for row, word, value in cpu.odd)
        return (cost[0] + WORST[0], cost[1] + WORST[1]) if stands else cost

    def price(
        self, state: State, unknown: frozenset[str], limit: int, instead: Mapping[int, int] | None = None
    ) -> Price:
        """The same with, before all, the rows that differ soon: noise far ahead decides nothing."""
        bits, rows = self.ahead(state, unknown, limit, instead)
        return self.soon, bits, rows

    def _goes_on(self, row: int) -> bool:
        """Whether the capture shows that the CPU does not stand still from a row on."""
        seen = self._rows.seen[row : row + LONGEST_ROWS]
        return len(set(seen)) > 1

    def advance(self, unknown: frozenset[str]) -> frozenset[str]:
        """One instruction or interrupt sequence, whichever the capture shows; gives what is unknown after it."""
        cpu = self._cpu
        self.misread, self.borne_out = set(), frozenset()
        if cpu.waiting:
            self.wait(unknown)
            return unknown
        before, odd = cpu.save(), list(cpu.odd)
        known = self.plain_step(unknown)
        if len(cpu.odd) > len(odd) and self._may_push(before[0]):
            after, noted, doubt = cpu.save(), cpu.odd, cpu.doubt
            here = slice(before[0], before[0] + LONGEST_ROWS)
            made, wrote = cpu.should[here], cpu.wrote[here]
            cpu.load(before)
            cpu.odd = list(odd)
            try:
                left = self.interrupt(unknown)
                if len(cpu.odd) == len(odd):
                    return left
            except Ended:
                pass
            cpu.load(after)
            cpu.should[here], cpu.wrote[here] = made, wrote
            cpu.odd, cpu.doubt = noted, doubt
        return known

    def advance_from(self, state: State, unknown: frozenset[str], instead: Mapping[int, int]) -> frozenset[str]:
        """The same from a state, with other bytes.

        Raises:
            Ended: the capture ends in it.
        """
        cpu = self._cpu
        cpu.load(state)
        cpu.instead = instead
        try:
            return self.advance(unknown)
        finally:
            cpu.instead = {}

    def _may_push(self, row: int) -> bool:
        """Whether a sequence that begins at a row may be an interrupt: it writes then in the third."""
        rows, third = self._rows, row + 2
        if third >= len(rows) or self._cpu.may_stall:
            return True
        return rows.masks[third] & WRITE_BIT == 0 or rows.words[third] & WRITE_BIT != 0

    def interrupt(self, unknown: frozenset[str]) -> frozenset[str]:
        """An interrupt sequence, which shows the stack pointer and the flags; gives what is unknown after it.

        Raises:
            Ended: the capture ends in it.
        """
        cpu, rows, told = self._cpu, self._rows, frozenset[str]()
        row = cpu.at + 2
        if "sp" in unknown and row < len(rows):
            cpu.sp = rows.words[row] & 0xFF
            told = told | {"sp"} if rows.masks[row] & 0xFF == 0xFF else told
        flags = unknown & frozenset(FLAGS)
        if flags and row + 2 < len(rows) and rows.known[row + 2] == 0xFF:
            cpu.p = rows.bytes[row + 2]
        cpu.interrupt()
        return unknown - flags - told - {"i"} - ({"d"} if cpu.cmos else set())

    def plain_step(self, unknown: frozenset[str]) -> frozenset[str]:
        """One instruction; registers that it shows become known, those that come of unknown ones unknown."""
        cpu = self._cpu
        if not unknown:
            cpu.doubt = False
            code = cpu.step()
            return self.effects[code].writes if cpu.doubt else unknown
        before, odd, told = cpu.save(), list(cpu.odd), set[str]()
        code = cpu.fetch()
        effect = self.effects[code]
        wanted = effect.reads & unknown
        cpu.load(before)
        cpu.odd = list(odd)
        for name in _ORDER:
            if name in wanted and (found := self._shown.worked_out(before, code, name)) is not None:
                before, is_told = found
                if is_told:
                    wanted -= {name}
                    unknown -= {name}
                    told.add(name)
        cpu.load(before)
        cpu.odd = list(odd)
        cpu.doubt = False
        cpu.step()
        index = frozenset(told & {"x", "y"})
        if index and (misread := self._shown.misread(before[0], cpu.at)):
            if min(len(rows) for rows in self._shown.made_by(before, index)) < SHOWN_BY:
                self.misread = misread
                return unknown | index | effect.writes
            self.borne_out = index
        is_handed_on = "sp" in wanted and "sp" not in effect.writes  # TSX
        if wanted - {"sp"} or cpu.doubt or is_handed_on:
            noted = [each for each in cpu.odd if each not in odd]
            if wanted & MAKE_ADDRESSES - {"sp"}:  # nobody knows where it was
                self.misread = {*itertools.chain(*self._shown.made_by(before, wanted & {"x", "y"}))}
            if wanted - {"sp"}:  # what it writes comes of what is not known: the capture is not wrong there
                cpu.odd = odd + [(row, word, -1) for row, word, _ in noted if self.differs(row, word, -1)]
            return unknown | effect.writes
        return unknown - (effect.writes - wanted)  # the stack pointer comes of itself

    def wait(self, unknown: frozenset[str]) -> None:
        """Pass over the rows in which WAI has stopped the CPU, up to an interrupt or the next instruction.

        Raises:
            Ended: it waits to the end.
        """
        cpu, rows = self._cpu, self._rows
        row, pc = cpu.at, cpu.pc
        while row < len(rows) and not self._goes_on_behind_wait(row, pc):
            row += 1
        if row >= len(rows):
            cpu.at = row
            raise Ended
        cpu.waiting = False
        if rows.words[row] & WRITE_BIT:
            cpu.at = max(cpu.at, row - 2)
            self.interrupt(unknown)
        else:
            cpu.at = max(cpu.at, row - 1)

    def _goes_on_behind_wait(self, row: int, pc: int) -> bool:
        """Whether a row shows that a CPU which waited goes on: it writes, or reads the next address.

        Or several rows are elsewhere, wherever that is. Else it is misread.
        """
        if not self._is_elsewhere(row, pc):
            return False
        if self._is_elsewhere(row + 1, pc) and (
            self._rows.words[row] & WRITE_BIT or not self._is_elsewhere(row, pc + 1 & 0xFFFF)
        ):
            return True
        return all(self._is_elsewhere(row + at, pc) for at in range(ELSEWHERE))

    def _is_elsewhere(self, row: int, pc: int) -> bool:
        """Whether there is such a row, and it does not read an address."""
        rows = self._rows
        return row < len(rows) and (rows.words[row] ^ pc) & rows.masks[row] & (0xFFFF | WRITE_BIT) != 0
