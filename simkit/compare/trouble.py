"""An instruction did not go as captured: which byte was misread, which way did the CPU go, or is it out of step?"""

from __future__ import annotations

from collections.abc import Iterator

from simkit.compare.followed import Difference, Read
from simkit.compare.led_cpu import IRQ_VECTOR, NMI_VECTOR, RESET_VECTOR, Ended, State
from simkit.compare.rows import DOUBTFUL, WRITE_BIT
from simkit.compare.track import Lost, Track
from simkit.compare.worlds import AHEAD, ALL, NEAR, Price

LOST_ROWS = 4
"""The CPU is no longer in step when of the next NEAR rows so many differ. Ours."""
LOADS_PC = (0x20, 0x40, 0x4C, 0x60, 0x6C, 0x7C)
"""JSR, RTI, JMP address, RTS, JMP (address) and JMP (address,X)."""
VECTOR_ENDS = (IRQ_VECTOR + 1, NMI_VECTOR + 1, RESET_VECTOR + 1)
TRACED = 64
"""Instructions through which a register is traced back to where it was loaded. Ours."""
FRESH = 250
"""Rows for which they are remembered. Ours."""
REPEATED = 2
"""Rows that a line must have wrong, alone, to be one of two that are at fault together. Ours."""
OFTEN = 24
"""A line that differs so often, alone, while the CPU stays in step, is taken as it is. Ours."""
CLOSE = 400
"""Rows within which it must differ again for that. Ours."""
LONGEST = 16
"""Rows of an instruction or a sequence, at most, but for those in which RDY holds it."""
BEHIND = 2
"""Rows behind an instruction whose addresses may come of what it read. Ours."""
FLAGS = frozenset({"n", "v", "z", "c"})


class Trouble:
    """Finds a way for the CPU through an instruction that did not go as captured."""

    def __init__(self, track: Track) -> None:
        self._track = track
        self._cpu, self._rows, self._ways, self._cells = track.cpu, track.rows, track.ways, track.cells
        self._doubted = 0  # lines in which an address differed that a register made, when it was seen last
        self._alone: dict[int, tuple[int, int]] = {}  # times and last row, by bit

    def solve(self, state: State) -> None:
        """An instruction did not go as captured: find out which way the CPU went, and go it."""
        cpu, ways = self._cpu, self._ways
        if not cpu.odd:  # a byte is not known that counts
            cpu.load(state)
            self._track.unknown = ways.advance(self._track.unknown)
            return
        if all(not ways.differs(*each) & ~ways.tolerated for each in cpu.odd):
            cpu.load(state)
            self._track.unknown = ways.advance(self._track.unknown)
            return
        odd = list(cpu.odd)
        limit = min(max(cpu.at, state[0]) + AHEAD, len(self._rows))
        misread = self._misread(state[0], cpu.at)
        best: Price = ways.price(state, self._track.unknown, limit)
        chosen: tuple[Difference, State, frozenset[str]] | None = None
        instead: dict[int, int] = {}
        for others in (*({row: byte} for row, byte in misread), dict(misread)):
            if others and (cost := ways.price(state, self._track.unknown, limit, others)) < best:
                best, instead = cost, others
        self._track.pending = [each for each in self._track.pending if each[0].row >= state[0] - FRESH]
        for others in self._unsure(state[0], cpu.at, one_row=best[2] == 1) if best[0] else ():
            cost = ways.price(state, self._track.unknown, limit, others)
            if cost < best and cost[1] <= 1 and not self._contradicted(state, others):
                best, instead = cost, others
        for each in reversed(self._track.pending):
            difference, before, unknown = each
            cost = ways.price(before, unknown, limit, {difference.row: difference.expected})
            if cost < best and cost[:2] < (best[0], max(best[1] - 1, 1)):
                best, chosen, instead = cost, each, {}
        if self._branched_before() and self._track.before is not None:
            branch, unknown = self._track.before[0], self._track.before[1] | FLAGS
            if (cost := ways.price(branch, unknown, limit)) < best and cost[1] <= 1:
                best, chosen, instead = cost, None, {}
                self._track.replay(branch, unknown, state[0], {})
                state = cpu.save()
        if best[2] >= LOST_ROWS and self._track.before is not None:
            begun, unknown = self._track.before
            for code in self._other_lengths(begun):
                if (cost := ways.price(begun, unknown, limit, {begun[0]: code})) < best and cost[1] <= 1:
                    best, chosen, instead = cost, None, {}
                    self._track.replay(begun, unknown, state[0], {begun[0]: code})
                    state = cpu.save()
        if (landed := self._landed(state)) is not None and (
            cost := ways.price(landed, self._track.unknown, limit)
        ) < best:
            best, chosen, instead, state = cost, None, {}, landed
        soft = self._soft(state) if best != (0, 0, 0) else frozenset()
        if (
            soft
            and self._is_wrong(odd, best)
            and (cost := ways.price(state, self._track.unknown | soft, limit)) < best
            and cost[1] <= 1
        ):
            best, chosen, instead = cost, None, {}
            self._track.unknown |= soft
            self._track.earlier |= soft  # one cycle alone tells what comes of them
        if chosen is not None:
            difference, before, unknown = chosen
            difference.read = Read.EXPECTED
            self._track.pending.remove(chosen)
            self._track.replay(before, unknown, state[0], {difference.row: difference.expected})
            state = cpu.save()
        astray = best[1] != 1 and best[2] >= 4 and (best[1] >= 4 or best[2] >= 8)
        if astray and not self._is_one_line_behind(state, odd, instead, limit):
            near = self._ways.ahead(state, self._track.unknown, min(state[0] + NEAR, len(self._rows)), instead)
            in_a_gap = self._branched_in_a_gap(state[0])
            other = (
                state
                if near[1] < LOST_ROWS or (best[2] >= 8 and not in_a_gap and self._same_lines(state, limit))
                else self._other_way(state, limit)
            )
            if other is None and (best[1] >= 4 or in_a_gap):
                cpu.load(state)
                cpu.at = state[0] + 1
                raise Lost(self._certain_fetch(state, odd))
            state = other or state
        cpu.load(state)
        cpu.instead = instead
        try:
            self._track.unknown = ways.advance(self._track.unknown)
        finally:
            cpu.instead = {}
        self._track.misread_rows = set(instead)
        ways.cost_of_odd()
        if best[1] == 1 and ways.bits.bit_count() == 1:
            self._tolerate(ways.bits, state[0])

    def _unsure(self, row: int, end: int, *, one_row: bool) -> Iterator[dict[int, int]]:
        """Bytes that only the capture knows, each with one bit as it may have been; or all, where it does not know.

        Where one row alone differs that row may as well be the one that was misread.
        """
        rows, cells = self._rows, self._cells
        words = self._cpu.should[row:end]
        for at, word in enumerate(words, row):
            if word < 0 or word & WRITE_BIT or cells.expected(word & 0xFFFF) is not None or self._is_read_twice(at):
                continue
            if rows.data[at] < 0:
                yield from ({at: byte} for byte in self._shown_behind(at, end))
            elif not one_row:
                yield from ({at: rows.data[at] ^ 1 << bit} for bit in range(8))

    def _is_read_twice(self, row: int) -> bool:
        """Whether the same comes from the same place beside it: the 65C02 reads twice what it writes back."""
        should, data = self._cpu.should, self._rows.data
        return data[row] >= 0 and any(
            should[at] == should[row] and data[at] == data[row] for at in (row - 1, row + 1) if at < len(data)
        )

    def _shown_behind(self, row: int, end: int) -> set[int]:
        """Bytes of which the addresses behind a row come, as they are or by a branch, where its own is not known."""
        found, behind = set[int](), self._cpu.should[row] + 1
        for word in self._rows.words[row + 1 : end + BEHIND]:
            for byte in (word & 0xFF, word >> 8 & 0xFF, word - behind & 0xFF):
                found |= {byte, byte - 1 & 0xFF}
        known, shown = self._rows.known[row], self._rows.bytes[row]
        return {byte for byte in found if not (byte ^ shown) & known}

    def _contradicted(self, state: State, instead: dict[int, int]) -> bool:
        """Whether cards hold other bytes at the addresses to which the CPU goes in a way, and these were captured."""
        cpu, rows = self._cpu, self._rows
        made, wrote = cpu.should[state[0] : state[0] + NEAR], cpu.wrote[state[0] : state[0] + NEAR]
        cpu.load(state)
        cpu.instead = instead
        try:
            self._ways.advance(self._track.unknown)
        except Ended:
            pass
        finally:
            cpu.instead = {}
        went = cpu.should[state[0] : cpu.at]
        cpu.should[state[0] : state[0] + len(made)], cpu.wrote[state[0] : state[0] + len(made)] = made, wrote
        for row, word in enumerate(went, state[0]):
            if word >= 0 and not word & WRITE_BIT and row not in instead and rows.data[row] >= 0:
                held = self._cells.expected(word & 0xFFFF)
                if held is not None and held != rows.data[row]:
                    return True
        return False

    def _is_wrong(self, odd: list[tuple[int, int, int]], best: Price) -> bool:
        """Whether a register is not what it is held for, and not one address misread: by what came, or the second time.

        Args:
            odd: rows of the instruction in which the capture differs.
            best: price of the best other way.
        """
        row, word, value = odd[0]
        if len(odd) > 1 or best[2] > 1 or value >= 0:
            return True
        lines = (self._rows.words[row] ^ word) & self._rows.masks[row]
        mine, shown = (self._cells.expected(address & 0xFFFF) for address in (word, word ^ lines))
        if not word & WRITE_BIT and mine is not None and shown is not None and mine != shown:
            return self._rows.data[row] == shown
        again, self._doubted = lines == self._doubted, lines
        return again

    def _certain_fetch(self, state: State, odd: list[tuple[int, int, int]]) -> int | None:
        """Word of the fetch at a state, where nothing but the lines can be why the capture shows another one."""
        if odd[0][0] != state[0] or self._landed(state) is not None or self._branched_before():
            return None
        return None if self._was_of_another_length(state) else odd[0][1]

    def _other_lengths(self, state: State) -> list[int]:
        """Opcodes of another length that the CPU may have taken at a state: one line is as only the capture has it."""
        length = self._ways.effects[self._track.code_at(state)].length
        return [code for code in self._other_codes(state[0]) if self._ways.effects[code].length != length]

    def _was_of_another_length(self, state: State) -> bool:
        """Whether the last opcode, with one line as only the capture has it, leads where the capture shows the CPU."""
        track = self._track
        if not track.starts:
            return False
        row, pc = track.starts[-1]
        shown = self._rows.words[state[0]] & 0xFFFF
        return any(pc + self._ways.effects[code].length & 0xFFFF == shown for code in self._other_codes(row))

    def _branched_before(self) -> bool:
        """Whether a branch was made last: its flag may have been the other way than the capture has it."""
        return (
            self._track.before is not None
            and self._ways.effects[self._track.code_at(self._track.before[0])].conditional
        )

    def _branched_in_a_gap(self, row: int) -> bool:
        """Whether a branch was made last, and cycles are missing from there to a row: nobody knows where it went."""
        if self._track.before is None or not self._branched_before():
            return False
        rows, begun = self._rows, self._track.before[0][0]
        return any(rows.lost[begun : row + 1]) or DOUBTFUL in rows.place[begun : row + 1]

    def _landed(self, state: State) -> State | None:
        """A state with PC as captured, where it was last loaded with bytes that only the capture knows."""
        rows, row = self._rows, state[0]
        if not self._track.starts or rows.seen[row] == DOUBTFUL:
            return None
        begun, pc = self._track.starts[-1]
        codes = {rows.data[begun], self._cells.likely(pc)}
        if rows.data[begun] >= 0 and self._ways.effects[rows.data[begun]].branches:
            return self._branched_to(state, begun, pc)
        if self._cpu.should[row - 1] in VECTOR_ENDS:
            loaded = [*range(max(begun, row - 2), row)]
        elif codes.isdisjoint(LOADS_PC):
            return None
        else:
            loaded = [begun + 1, row - 1] if codes & {0x20, 0x4C} else [*range(max(begun, row - 3), row)]
        if all(self._track.expected[at] >= 0 and self._track.agreed[at] == 0xFF for at in loaded):
            return None
        mine, shown = (self._cells.expected(address) for address in (state[1], rows.words[row] & 0xFFFF))
        if mine == rows.data[row] and shown not in (None, mine):  # it is the address that was misread
            return None
        return (row, rows.words[row] & 0xFFFF, *state[2:])

    def _branched_to(self, state: State, begun: int, pc: int) -> State | None:
        """The same behind a branch, where its operand, or one line of it, is what only the capture has.

        Args:
            state: behind it.
            begun: row in which it begins.
            pc: its address.
        """
        rows, row, track = self._rows, state[0], self._track
        behind = pc + self._ways.effects[rows.data[begun]].length & 0xFFFF
        at = next((at for at in range(begun + 1, row) if self._cpu.should[at] == behind - 1), None)
        shown = rows.words[row] & 0xFFFF
        by = shown - behind
        if at is None or state[1] == behind or not -0x80 <= by < 0x80:
            return None
        apart = (by & 0xFF) ^ rows.bytes[at]
        told = track.agreed[at] if track.expected[at] >= 0 else 0
        if rows.data[at] < 0:
            told |= rows.known[at]
        elif apart & apart - 1:
            return None
        return None if apart & told else (row, shown, *state[2:])

    def _soft(self, state: State) -> frozenset[str]:
        """Registers that an instruction uses and whose value comes of a byte that only the capture knows."""
        effect = self._ways.effects[self._track.code_at(state)]
        found = frozenset(name for name in effect.reads & {"a", "x", "y"} if self._comes_of_capture(name))
        return found | (effect.reads & {"sp"} if self._track.from_middle else frozenset())

    def _comes_of_capture(self, name: str) -> bool:
        for row, _ in reversed(self._track.starts[-TRACED:]):
            if self._ways.told.get(name) == row:
                return True
            code = self._rows.data[row]
            effect = self._ways.effects[code if code >= 0 else 0xEA]
            if any(name in self._ways.effects[other].writes for other in self._other_codes(row)):
                return True
            if name not in effect.writes:
                continue
            if effect.opcode.mode in ("imp", "acc", "imm"):
                if name in effect.reads or not effect.reads & {"a", "x", "y"}:
                    if effect.opcode.mode == "imm" or not effect.reads & {"a", "x", "y"}:
                        return effect.pulls == name
                    continue
                name = next(iter(effect.reads & {"a", "x", "y"}))
                continue
            return True
        return self._track.from_middle

    def _other_codes(self, row: int) -> list[int]:
        """Opcodes that the CPU may have taken in a row, where one line of the captured one is what only that knows."""
        track, code = self._track, self._rows.data[row]
        told = track.agreed[row] if track.expected[row] >= 0 else 0
        return [code ^ 1 << bit for bit in range(8) if not told >> bit & 1] if code >= 0 else []

    def _misread(self, row: int, end: int) -> list[tuple[int, int]]:
        """Reads of an instruction of which the capture holds another byte than the card: row and the card's byte."""
        rows, should, cells = self._rows, self._cpu.should, self._cells
        found = []
        for at in range(row, min(end, len(rows))):
            word = should[at]
            if word >= 0 and not word & WRITE_BIT:
                expected = cells.likely(word & 0xFFFF)
                if expected is not None and (expected ^ rows.bytes[at]) & rows.known[at]:
                    found.append((at, expected))
        return found

    def _tolerate(self, bit: int, row: int) -> None:
        """The CPU is in step but for one line; where that is so often the line is at fault, and no trouble any more."""
        times, before = self._alone.get(bit, (0, 0))
        times = times + 1 if row - before <= CLOSE else 1
        self._alone[bit] = times, row
        if times >= OFTEN:
            self._ways.tolerated |= bit

    def _same_lines(self, state: State, limit: int) -> bool:
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
        made, wrote = cpu.should[state[0] : limit + LONGEST], cpu.wrote[state[0] : limit + LONGEST]
        cpu.load(state)
        try:
            while cpu.at < limit and not cpu.halted and found < LOST_ROWS:
                before, left = cpu.save(), ways.advance(unknown)
                if misread := dict(self._misread(before[0], cpu.at)):
                    cpu.load(before)
                    cpu.instead = misread
                    left = ways.advance(unknown)
                found, unknown, cpu.instead = found + ways.cost_of_odd()[1], left, {}
                cpu.odd = []
        except Ended:
            pass
        cpu.instead = {}
        cpu.should[state[0] : state[0] + len(made)], cpu.wrote[state[0] : state[0] + len(made)] = made, wrote
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

    def _is_one_line_behind(
        self, state: State, odd: list[tuple[int, int, int]], instead: dict[int, int], limit: int
    ) -> bool:
        """Whether one line of the instruction was misread, and what differs behind it is one line, too, but another.

        The CPU is on its way then: what is wrong with the other line is told where it shows.
        """
        cpu, ways = self._cpu, self._ways
        if len(odd) != 1 or (ways.differs(*odd[0]) & ~ways.tolerated).bit_count() != 1:
            return False
        cpu.load(state)
        cpu.instead = instead
        try:
            unknown = ways.advance(self._track.unknown)
        except Ended:
            return False
        finally:
            cpu.instead = {}
        if cpu.at >= limit or len(cpu.odd) > 1:
            return False
        return ways.ahead(cpu.save(), unknown, limit)[0] <= 1

    def _other_way(self, state: State, limit: int) -> State | None:
        """A state from which the CPU goes on as captured: a flag was the other way, a register is not what it was."""
        cpu = self._cpu
        for name in ("z", "n", "c", "v"):
            if self._fits_without(frozenset({name, "a"}), state, limit):
                return state
        if self._fits_without(ALL - {"sp"}, state, limit):
            return state
        cpu.load(state)
        return None

    def _fits_without(self, names: frozenset[str], state: State, limit: int) -> bool:
        """Whether all fits where some registers are not known; they are not, then."""
        unknown = self._track.unknown | names
        if self._ways.ahead(state, unknown, limit)[0] > 1:
            return False
        self._track.unknown = unknown
        self._track.earlier |= names  # one cycle alone tells what comes of them
        return True
