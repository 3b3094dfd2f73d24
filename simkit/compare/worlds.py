"""What a led CPU may have done: unknown registers worked out from what follows, one way weighed against another."""

from __future__ import annotations

import itertools
from collections.abc import Mapping

from simkit.compare.cells import Cells
from simkit.compare.led_cpu import Ended, LedCpu, State
from simkit.compare.rows import SYNC_BIT, WRITE_BIT, Rows
from simkit.cpu.isa.effects import effects

ALL = frozenset({"a", "x", "y", "sp", "n", "v", "z", "c", "d", "i"})
FLAGS = "nvzcdi"
MAKE_ADDRESSES = frozenset({"x", "y", "sp"})
"""Registers that addresses are made of."""
AHEAD = 40
"""Rows that decide between two ways. Ours."""
DATA_SHIFT = 18
"""Where the data lines stand above a word of address and control."""

SHOWN_BY = 2
"""Rows whose addresses show a register, so that no misread one can have told it. Ours."""
LONGEST = 3
"""Bytes of an instruction: at their addresses the CPU cannot be wrong, while it is in step."""
ELSEWHERE = 4
"""Rows in a row that are elsewhere, wherever that is, for a CPU that waits to have gone on. Ours."""
_LONGEST = 16
"""Rows of an instruction or a sequence, at most, but for those in which RDY holds it."""
_ORDER = ("sp", "x", "y", "d", "n", "v", "z", "c", "a")
_SET = {"n": (0x80, 0), "v": (0x40, 0), "z": (0, 1), "c": (1, 0), "d": (8, 0)}
"""Values of a flag's attribute, set and clear."""
_INDEXED = {
    "x": frozenset({"zpx", "absx", "indx", "iax"}),
    "y": frozenset({"zpy", "absy", "indy"}),
}

WORST = (16, 16)
"""What is added where a way ends with a CPU that stands still, and the capture goes on. Ours."""
Cost = tuple[int, int]
"""Lines in which a way differs from the capture, and rows."""
Price = tuple[int, int, int]
"""Rows in which it differs soon, and then its cost."""
NEAR = 14
"""Rows that are soon. Ours."""


class Ways:
    """Tries what a CPU may have done; the CPU is where it was, afterwards, but for its notes.

    Attributes:
        tolerated: bits of a word with data lines in which the capture differs all the time: the line is at fault.
        bits: in which the way differed whose cost was asked last.
        soon: rows of it that differ within NEAR rows.
        misread: rows of the last instruction whose address alone told a register, and was misread by what came.
        told: by register, the row of the instruction whose cycles told it last.
        borne_out: index registers that the last instruction told, and showed in several rows, where what came is of
            another address.
    """

    def __init__(self, cpu: LedCpu, rows: Rows, part: str, cells: Cells) -> None:
        self._cpu, self._rows, self._expected, self._fights = cpu, rows, cells.expected, cells.fights
        self.effects = effects(part)
        self.tolerated = 0
        self.bits = self.soon = 0
        self.misread: set[int] = set()
        self.told: dict[str, int] = {}
        self.borne_out: frozenset[str] = frozenset()

    def differs(self, row: int, word: int, value: int) -> int:
        """Bits in which the capture differs from what should be."""
        rows = self._rows
        found = rows.apart(row, word)
        if value >= 0:
            apart = (rows.bytes[row] ^ value) & rows.known[row]
            found |= (apart if not apart or not self._fights(word & 0xFFFF) else 0) << DATA_SHIFT
        return found

    def cost_of_odd(self) -> Cost:
        """Of what the CPU has noted."""
        bits = count = 0
        for row, word, value in self._cpu.odd:
            different = self.differs(row, word, value) & ~self.tolerated
            bits |= different
            count += different != 0
        self.bits = bits
        return bits.bit_count(), count

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
        made, wrote = cpu.should[state[0] : limit + _LONGEST], cpu.wrote[state[0] : limit + _LONGEST]
        cpu.load(state)
        cpu.instead = instead or {}
        try:
            while cpu.at < limit and not cpu.halted and len(cpu.odd) <= most:
                unknown = self.advance(unknown)
        except Ended:
            pass
        stands = cpu.halted and cpu.at < limit and self._goes_on(cpu.at)
        cpu.instead = {}
        cpu.should[state[0] : state[0] + len(made)], cpu.wrote[state[0] : state[0] + len(made)] = made, wrote
        cost = self.cost_of_odd()
        near = limit - AHEAD + NEAR
        self.soon = sum(
            row < near and self.differs(row, word, value) & ~self.tolerated != 0 for row, word, value in cpu.odd
        )
        return (cost[0] + WORST[0], cost[1] + WORST[1]) if stands else cost

    def price(
        self, state: State, unknown: frozenset[str], limit: int, instead: Mapping[int, int] | None = None
    ) -> Price:
        """The same with, before all, the rows that differ soon: noise far ahead decides nothing."""
        bits, rows = self.ahead(state, unknown, limit, instead)
        return self.soon, bits, rows

    def _goes_on(self, row: int) -> bool:
        """Whether the capture shows that the CPU does not stand still from a row on."""
        seen = self._rows.seen[row : row + _LONGEST]
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
            here = slice(before[0], before[0] + _LONGEST)
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
            if name in wanted and (found := self._worked_out(before, code, name)) is not None:
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
        if index and (misread := self._misread(before[0], cpu.at)):
            if min(len(rows) for rows in self._made_by(before, index)) < SHOWN_BY:
                self.misread = misread
                return unknown | index | effect.writes
            self.borne_out = index
        is_handed_on = "sp" in wanted and "sp" not in effect.writes  # TSX
        if wanted - {"sp"} or cpu.doubt or is_handed_on:
            noted = [each for each in cpu.odd if each not in odd]
            if wanted & MAKE_ADDRESSES - {"sp"}:  # nobody knows where it was
                self.misread = {*itertools.chain(*self._made_by(before, wanted & {"x", "y"}))}
            if wanted - {"sp"}:  # what it writes comes of what is not known: the capture is not wrong there
                cpu.odd = odd + [(row, word, -1) for row, word, _ in noted if self.differs(row, word, -1)]
            return unknown | effect.writes
        return unknown - (effect.writes - wanted)  # the stack pointer comes of itself

    def _worked_out(self, before: State, code: int, name: str) -> tuple[State, bool] | None:
        """State with the value of a register that the cycles of an instruction show; None: they show none.

        With it comes whether that is certain: where wiring leaves address lines open several values may fit, and where
        a row is misread none does, but for that row.
        """
        cpu = self._cpu
        values = self._possible(before, code, name)
        fits: list[tuple[int, State]] = []
        nearly: list[tuple[int, State]] = []
        for value in values:
            cpu.load(before)
            setattr(cpu, name, value)
            start = cpu.save()
            try:
                cpu.step()
            except Ended:
                return None
            elsewhere = [each for each in cpu.odd if self._elsewhere(each)]
            odd = len(cpu.odd if name == "a" else elsewhere)
            if name in _SET:
                fits.append((odd + self._does_not_go_on_at(cpu.pc), start))
            elif odd <= (name == "sp"):  # one row may be misread: the stack is accessed in several
                fits.append((odd, start))
            elif name in _INDEXED and odd == 1:
                row, word, _ = elsewhere[0]
                nearly.append((self.differs(row, word, -1).bit_count(), start))
        fits.sort()
        if not fits:
            return (min(nearly)[1], False) if nearly else None
        if len(fits) > 1 and fits[0][0] == fits[1][0]:
            return (fits[0][1], False) if name in MAKE_ADDRESSES else None
        self.told[name] = before[0]
        return fits[0][1], True

    def _misread(self, row: int, end: int) -> set[int]:
        """Reads whose byte is not the card's at the address that was captured, but is so at one a line apart.

        The addresses of the instruction's own bytes are no register's, and certain.
        """
        rows, found, pc = self._rows, set(), self._cpu.should[row]
        for at in range(row, min(end, len(rows))):
            word, byte = self._cpu.should[at], rows.data[at]
            if word < 0 or word & (WRITE_BIT | SYNC_BIT) or byte < 0 or word - pc & 0xFFFF < LONGEST:
                continue
            mine = self._expected(word & 0xFFFF)
            if mine not in (None, byte) and any(self._expected(word & 0xFFFF ^ 1 << bit) == byte for bit in range(16)):
                found.add(at)
        return found

    def _made_by(self, before: State, names: frozenset[str]) -> list[list[int]]:
        """For each of some registers the rows of an instruction whose addresses it makes.

        Args:
            before: the state in which it begins.
            names: of the registers.
        """
        cpu = self._cpu
        after, odd, doubt = cpu.save(), cpu.odd, cpu.doubt
        here = slice(before[0], before[0] + _LONGEST)
        made, wrote = cpu.should[here], cpu.wrote[here]
        found: list[list[int]] = []
        for name in sorted(names):
            cpu.load(before)
            setattr(cpu, name, getattr(cpu, name) ^ 1)
            cpu.odd = []
            try:
                cpu.step()
            except Ended:
                found.append([])
                continue
            pairs = enumerate(zip(made, cpu.should[here], strict=True), before[0])
            found.append([row for row, (mine, other) in pairs if mine != other])
        cpu.load(after)
        cpu.should[here], cpu.wrote[here] = made, wrote
        cpu.odd, cpu.doubt = odd, doubt
        return found

    def _possible(self, before: State, code: int, name: str) -> set[int]:
        """Values of a register that the cycles of an instruction could show; none where they show nothing of it."""
        rows, effect, row = self._rows, self.effects[code], before[0]
        end = min(row + _LONGEST // 2, len(rows))
        if name in _SET:
            return set(_SET[name]) if effect.conditional or (name == "d" and self._cpu.cmos) else set()
        if name == "sp":
            lows = self._lows(row + 1, end)
            return {low + by & 0xFF for low in lows for by in (-2, -1, 0, 1, 2)}
        found: set[int] = set()
        if effect.opcode.mode in _INDEXED.get(name, ()):
            instead = self._cpu.instead
            bases = {instead.get(at, byte) for at, byte in enumerate(rows.bytes[row + 1 : row + 4], row + 1)}
            found |= {low - base & 0xFF for low in self._lows(row + 2, end) for base in bases}
        if (effect.stores and not effect.modifies) or effect.pushes == name:
            found |= {rows.bytes[at] for at in range(row, end) if rows.words[at] & WRITE_BIT and rows.known[at] == 0xFF}
        return found

    def _lows(self, row: int, end: int) -> set[int]:
        """Low bytes that the addresses of some rows may have at the CPU: wiring may leave lines of them open."""
        rows, found = self._rows, set[int]()
        for word, mask in zip(rows.words[row:end], rows.masks[row:end], strict=True):
            if mask & 0xFF:
                found |= {word & 0xFF & mask | bits for bits in subsets(0xFF & ~mask)}
        return found

    def _does_not_go_on_at(self, pc: int) -> int:
        """In how many of two rows the capture shows that neither an instruction nor an interrupt sequence begins."""
        rows, row, found = self._rows, self._cpu.at, 0
        for at, addresses in ((row, (pc,)), (row + 1, (pc, pc + 1 & 0xFFFF))):
            if at < len(rows):
                mask = rows.masks[at] & 0xFFFF & ~self.tolerated
                found += all((rows.words[at] ^ address) & mask for address in addresses)
        return found

    def _elsewhere(self, odd: tuple[int, int, int]) -> bool:
        """Whether it is the address that differs, or a read is none; bytes may come of what else is not known."""
        row, word, _ = odd
        mask = self._rows.masks[row] & (0xFFFF | WRITE_BIT) & ~self.tolerated
        return bool((self._rows.words[row] ^ word) & mask)

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


def subsets(bits: int) -> list[int]:
    """Each choice of bits."""
    found = [0]
    for bit in (1 << at for at in range(bits.bit_length()) if bits >> at & 1):
        found += [each | bit for each in found]
    return found
