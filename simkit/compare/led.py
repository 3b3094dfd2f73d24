"""A capture followed cycle by cycle: the CPU runs on the captured bytes, and each cycle says who was wrong.

followed = Follower(machine, captured).follow()

`judged.py` says what it comes to. Nothing has to be aligned. The CPU is in step as soon as one place in the capture
shows what it does, at RESET or in the middle, with registers that are unknown until it loads them. Where it falls
out of step (cycles were lost, or it did what no 6502 does on these bytes) the next such place is looked for.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from enum import IntEnum

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.cycle import Kind
from simkit.capture.captured import Captured
from simkit.compare.fed import FEED, NOBODY, ROM, SURE, UNTOLD, Answers, Fed
from simkit.compare.led_cpu import RESET_CYCLES, RESET_VECTOR, Ended, LedCpu, State
from simkit.compare.rows import DOUBTFUL, WRITE_BIT, Rows, full
from simkit.compare.worlds import AHEAD, ALL, DATA_SHIFT, NEAR, Price, Ways
from simkit.contract.errors import SimkitError
from simkit.machine.machine import Machine

SEARCH = 600
"""Rows from one place that are tried before it is said that nothing is to be followed there. Ours."""
PROOF = 48
"""Rows that must fit for the CPU to be in step. Ours."""
WRONG_LINES = 2
"""Address lines that may be at fault where RESET is told by its vector. Ours."""
LOST_ROWS = 4
"""The CPU is no longer in step when of the next NEAR rows so many differ. Ours."""
PENDING = 6
"""Bytes that the CPU may have taken otherwise than captured which are tried again when it goes another way. Ours."""
LOADS_PC = (0x40, 0x60, 0x6C, 0x7C)
"""RTI, RTS, JMP (address) and JMP (address,X)."""
TRACED = 64
"""Instructions through which a register is traced back to where it was loaded. Ours."""
FRESH = 250
"""Rows for which they are remembered. Ours."""
WEIGHED = 400
"""Bytes that differ whose consequences are looked at; after that their number speaks. Ours."""
OFTEN = 24
"""A line that differs so often, alone, while the CPU stays in step, is taken as it is. Ours."""
CLOSE = 400
"""Rows within which it must differ again for that. Ours."""
STEPS = 1 << 14
"""Rows from one call of `goes_on` to the next."""


class Read(IntEnum):
    """Which byte the CPU took where the captured one is not the one to expect."""

    OPEN = 0  # nothing that follows tells
    CAPTURED = 1
    EXPECTED = 2


@attrs.define(eq=False)
class Difference:
    """A row in which the capture differs from what is to be expected.

    Attributes:
        row: its number.
        address: that the CPU put out.
        pc: of the instruction.
        slot: of the card that is reached; None: nobody, or several.
        offset: at the card.
        control: bits of the word (A0 to A15, R/W, SYNC) in which the capture differs.
        word: the word to be expected.
        data: bits of the byte in which it differs.
        expected: the byte to be expected; where data is 0: that is captured.
        captured: byte.
        is_write: whether the CPU writes.
        read: which byte the CPU took.
        counts: whether it is told: it is no noise.
    """

    row: int
    address: int
    pc: int
    slot: int | None
    offset: int
    control: int
    word: int
    data: int
    expected: int
    captured: int
    is_write: bool
    read: Read = Read.OPEN
    counts: bool = False


@attrs.frozen(eq=False)
class Followed:
    """What following a capture gave, before it is judged.

    Attributes:
        should: word of each row, DOUBTFUL where the CPU was not in step.
        expected: byte of each row, and -1 where none counts.
        agreed: bits of that which count.
        slot: of the card that answers or takes, -1 for none.
        offset: at that card.
        starts: row and PC of each instruction.
        differences: in order.
        parts: rows from which the CPU was in step, with the row at which it no longer was.
        answers: of registers.
        from_reset: the row in which RESET began; None: the capture begins in the middle.
        stopped: it was broken off at this row; None: it went to the end.
    """

    should: NDArray[np.int64]
    expected: NDArray[np.int16]
    agreed: NDArray[np.uint8]
    slot: NDArray[np.int16]
    offset: NDArray[np.int32]
    starts: list[tuple[int, int]]
    differences: list[Difference]
    parts: list[tuple[int, int]]
    answers: dict[tuple[int, int], Answers]
    from_reset: int | None
    stopped: int | None = None


def check_full(captured: Captured) -> None:
    """Refuse a capture by which no CPU can be led.

    Raises:
        SimkitError: with what is missing.
    """
    if not full(captured):
        raise SimkitError(
            "A CPU cannot be led by this capture: A0 to A15, D0 to D7 and RW must all be in it.",
            remedy="Clip the missing lines, or compare it free-running, which takes any lines.",
        )


class Follower:
    """Follows one capture.

    Args:
        machine: as it should be; it is left alone.
        captured: bus cycles with all of A0 to A15, D0 to D7 and RW.
        goes_on: called now and then with the row; False breaks off.

    Attributes:
        rows: of the capture, with those that are missing.
    """

    def __init__(self, machine: Machine, captured: Captured, goes_on: Callable[[int], bool] | None = None) -> None:
        check_full(captured)
        self._goes_on = goes_on
        self.rows = self._rows = rows = Rows.of(captured)
        self._fed = Fed(machine)
        self._cells = self._fed.cells
        options = machine.description.cpu_options
        self._cpu = LedCpu(
            machine.description.cpu,
            rows,
            self._cells.likely,
            spare=options.indexed_store_spare,
            magic=options.magic,
            stalls=machine.bus.may_stall,
        )
        self._start = machine.cpu.start
        self._ways = Ways(self._cpu, rows, machine.description.cpu)
        self._unknown: frozenset[str] = ALL
        count = len(rows)
        self._expected = [DOUBTFUL] * count
        self._agreed = [0xFF] * count
        self._slots, self._offsets = [-1] * count, [0] * count
        self._starts: list[tuple[int, int]] = []
        self._differences: list[Difference] = []
        self._pending: list[tuple[Difference, State, frozenset[str]]] = []
        self._parts: list[tuple[int, int]] = []
        self._weighed = 0
        self._alone: dict[int, tuple[int, int]] = {}  # times and last row, by bit
        self._known_less: frozenset[str] = ALL  # unknown before the instruction under way
        self._before: tuple[State, frozenset[str]] | None = None  # the instruction that was made last
        self._misread_rows: set[int] = set()  # of that, of which the CPU took the card's byte
        self._odd: dict[int, Difference] = {}  # of the instruction that was made last

    def follow(self) -> Followed:
        """Follow it to its end."""
        cpu, rows, ways = self._cpu, self._rows, self._ways
        count, next_call, stopped = len(rows), STEPS, None
        row = 0
        in_step = self._find_step(0)
        began = cpu.at if in_step else count
        while in_step:
            row = cpu.at
            if row >= next_call:
                next_call = row + STEPS
                if self._goes_on is not None and not self._goes_on(row):
                    stopped = row
                    break
            state, self._known_less = cpu.save(), self._unknown
            try:
                if cpu.waiting or self._unknown:
                    before, self._unknown = self._unknown, ways.advance(self._unknown)
                    if cpu.odd:
                        self._unknown = before
                        self._trouble(state)
                else:
                    cpu.step()
                    if cpu.odd or cpu.doubt:
                        self._trouble(state)
                if cpu.odd or cpu.doubt:
                    self._note_odd(state)
                if cpu.halted:
                    self._commit(row, cpu.at, state)
                    raise _Lost
                self._commit(row, cpu.at, state)
                self._before = state, self._known_less
            except Ended:
                break
            except _Lost:
                self._parts.append((began, cpu.at))
                self._cells.forget()
                in_step = self._find_step(cpu.at)
                began = cpu.at if in_step else count
        if in_step:
            self._parts.append((began, min(cpu.at, count)))
        self._check_unfollowed()
        should = np.full(count, DOUBTFUL, np.int64)
        for first, end in self._parts:
            should[first:end] = cpu.should[first:end]
        return Followed(
            should,
            np.array(self._expected, np.int16),
            np.array(self._agreed, np.uint8),
            np.array(self._slots, np.int16),
            np.array(self._offsets, np.int32),
            self._starts,
            self._differences,
            self._parts,
            self._fed.answers,
            self._fed.since,
            stopped,
        )

    # in step ----------------------------------------------------------------------------------------------------------

    def _find_step(self, row: int) -> bool:
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
        wanted = RESET_VECTOR, RESET_VECTOR + 1, self._start if self._start is not None else vector
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
        if self._start is not None:
            cpu.pc = self._start
        self._unknown = unknown
        self._note_odd((row, cpu.pc))
        if self._fed.since is None and not self._parts:
            self._fed.power_on(row - (RESET_CYCLES - 2))
        self._pending.clear()
        self._check_bytes(row, row + 2, cpu.pc)

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
        self._unknown = ALL
        self._pending.clear()
        self._before = None
        return True

    # trouble ----------------------------------------------------------------------------------------------------------

    def _trouble(self, state: State) -> None:
        """An instruction did not go as captured: find out which way the CPU went, and go it."""
        cpu, ways = self._cpu, self._ways
        if not cpu.odd:  # a byte is not known that counts
            cpu.load(state)
            self._unknown = ways.advance(self._unknown)
            return
        if all(not ways.differs(*each) & ~ways.tolerated for each in cpu.odd):
            cpu.load(state)
            self._unknown = ways.advance(self._unknown)
            return
        limit = min(max(cpu.at, state[0]) + AHEAD, len(self._rows))
        misread = self._misread(state[0], cpu.at)
        best: Price = ways.price(state, self._unknown, limit)
        chosen: tuple[Difference, State, frozenset[str]] | None = None
        instead: dict[int, int] = {}
        for others in (*({row: byte} for row, byte in misread), dict(misread)):
            if others and (cost := ways.price(state, self._unknown, limit, others)) < best:
                best, instead = cost, others
        self._pending = [each for each in self._pending if each[0].row >= state[0] - FRESH]
        for others in self._unsure(state[0], cpu.at) if best[0] else ():
            cost = ways.price(state, self._unknown, limit, others)
            if cost < best and cost[1] <= 1:
                best, instead = cost, others
        for each in reversed(self._pending):
            difference, before, unknown = each
            cost = ways.price(before, unknown, limit, {difference.row: difference.expected})
            if cost < best and cost[:2] < (best[0], max(best[1] - 1, 1)):
                best, chosen, instead = cost, each, {}
        if self._branched_before() and self._before is not None:
            branch, unknown = self._before[0], self._before[1] | _FLAGS
            if (cost := ways.price(branch, unknown, limit)) < best and cost[1] <= 1:
                best, chosen, instead = cost, None, {}
                self._replay(branch, unknown, state[0], {})
                state = cpu.save()
        if (landed := self._landed(state)) is not None and (cost := ways.price(landed, self._unknown, limit)) < best:
            best, chosen, instead, state = cost, None, {}, landed
        soft = self._soft(state) if best != (0, 0, 0) else frozenset()
        if soft and (cost := ways.price(state, self._unknown | soft, limit)) < best and cost[1] <= 1:
            best, chosen, instead = cost, None, {}
            self._unknown |= soft
        if chosen is not None:
            difference, before, unknown = chosen
            difference.read = Read.EXPECTED
            self._pending.remove(chosen)
            self._replay(before, unknown, state[0], {difference.row: difference.expected})
            state = cpu.save()
        if best[1] != 1 and best[2] >= 4 and (best[1] >= 4 or best[2] >= 8):
            near = self._ways.ahead(state, self._unknown, min(state[0] + NEAR, len(self._rows)), instead)
            other = (
                state
                if near[1] < LOST_ROWS or (best[2] >= 8 and self._one_line(state, limit))
                else self._other_way(state, limit)
            )
            if other is None and best[1] >= 4:
                cpu.load(state)
                cpu.at = state[0] + 1
                raise _Lost
            state = other or state
        cpu.load(state)
        cpu.instead = instead
        try:
            self._unknown = ways.advance(self._unknown)
        finally:
            cpu.instead = {}
        self._misread_rows = set(instead)
        ways.cost_of_odd()
        if best[1] == 1 and ways.bits.bit_count() == 1:
            self._tolerate(ways.bits, state[0])

    def _unsure(self, row: int, end: int) -> Iterator[dict[int, int]]:
        """Bytes of memory that only the capture knows, each with one bit as it may have been."""
        rows, cells = self._rows, self._cells
        words = self._cpu.should[row:end]
        for at, word in enumerate(words, row):
            if word < 0 or word & WRITE_BIT or rows.data[at] < 0:
                continue
            if cells.read_at(word & 0xFFFF) >= 0 and cells.expected(word & 0xFFFF) is None:
                yield from ({at: rows.data[at] ^ 1 << bit} for bit in range(8))

    def _branched_before(self) -> bool:
        """Whether a branch was made last: its flag may have been the other way than the capture has it."""
        return self._before is not None and self._ways.effects[self._code_at(self._before[0])].conditional

    def _landed(self, state: State) -> State | None:
        """A state with PC as captured, where it was last loaded with bytes that only the capture knows."""
        rows, row = self._rows, state[0]
        if not self._starts or rows.seen[row] == DOUBTFUL:
            return None
        begun, pc = self._starts[-1]
        codes = {rows.data[begun], self._cells.likely(pc)}
        if codes.isdisjoint(LOADS_PC) or all(self._expected[at] >= 0 for at in range(max(begun, row - 3), row)):
            return None
        return (row, rows.words[row] & 0xFFFF, *state[2:])

    def _soft(self, state: State) -> frozenset[str]:
        """Registers that an instruction uses and whose value comes of a byte that only the capture knows."""
        effect = self._ways.effects[self._code_at(state)]
        found = frozenset(name for name in effect.reads & {"a", "x", "y"} if self._comes_of_capture(name))
        return found | (effect.reads & {"sp"} if self._from_middle else frozenset())

    @property
    def _from_middle(self) -> bool:
        """Whether registers were first told by the capture alone, and not by RESET."""
        return self._fed.since is None or bool(self._parts)

    def _comes_of_capture(self, name: str) -> bool:
        for row, _ in reversed(self._starts[-TRACED:]):
            code = self._rows.data[row]
            effect = self._ways.effects[code if code >= 0 else 0xEA]
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
        return self._from_middle

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

    def _replay(self, before: State, unknown: frozenset[str], row: int, instead: dict[int, int]) -> None:
        """Go from a state to a row once more, with other bytes."""
        cpu = self._cpu
        cpu.load(before)
        cpu.instead = instead
        self._unknown = unknown
        try:
            while cpu.at < row:
                self._unknown = self._ways.advance(self._unknown)
        finally:
            cpu.instead = {}
        cpu.odd, cpu.doubt = [], False

    def _one_line(self, state: State, limit: int) -> bool:
        """Whether it is one line that the capture has wrong all the time, in what comes; it is taken as it is then."""
        ways, before = self._ways, self._ways.tolerated
        ways.ahead(state, self._unknown, min(state[0] + NEAR, len(self._rows)), most=0)
        if ways.bits.bit_count() == 1:
            ways.tolerated |= ways.bits
            if ways.ahead(state, self._unknown, limit)[1] < LOST_ROWS:
                return True
        ways.tolerated = before
        return False

    def _other_way(self, state: State, limit: int) -> State | None:
        """A state from which the CPU goes on as captured: a flag was the other way, a register is not what it was."""
        cpu, ways = self._cpu, self._ways
        for name in ("z", "n", "c", "v"):
            if ways.ahead(state, frozenset({name, "a"}), limit)[0] <= 1:
                self._unknown = frozenset({name, "a"})
                return state
        if ways.ahead(state, ALL - {"sp"}, limit)[0] <= 1:
            self._unknown = ALL - {"sp"}
            return state
        cpu.load(state)
        return None

    def _note_odd(self, state: tuple[int, ...]) -> None:
        """Remember rows in which the capture shows another cycle than the CPU makes."""
        cpu, ways, rows = self._cpu, self._ways, self._rows
        for row, word, value in cpu.odd:
            bits = ways.differs(row, word, value)
            if not bits:
                continue
            difference = Difference(
                row,
                word & 0xFFFF,
                state[1],
                None,
                0,
                bits & (1 << DATA_SHIFT) - 1,
                word,
                bits >> DATA_SHIFT,
                value if value >= 0 else rows.bytes[row],
                rows.bytes[row],
                bool(word & WRITE_BIT),
            )
            self._differences.append(difference)
            self._odd[row] = difference
            if value >= 0 and bits >> DATA_SHIFT:  # the register may be another than was believed
                source = ways.effects[self._code_at(state)].reads & {"a", "x", "y"}
                self._unknown |= source
        cpu.odd, cpu.doubt = [], False

    def _code_at(self, state: tuple[int, ...]) -> int:
        byte = self._rows.data[state[0]]
        return byte if byte >= 0 else 0xEA

    # bytes ------------------------------------------------------------------------------------------------------------

    def _commit(self, row: int, end: int, state: State) -> None:
        """The CPU has gone on: what it wrote is held, what it read is compared with what the cards hold."""
        pc = state[1]
        self._starts.append((row, pc))
        found = self._check_bytes(row, end, pc)
        for difference in found:
            if difference.row in self._misread_rows:
                difference.read = Read.EXPECTED
            elif difference.read is Read.OPEN:
                self._weigh(difference, state, found)
        if self._odd or self._misread_rows:
            self._odd, self._misread_rows = {}, set()

    def _check_bytes(self, row: int, end: int, pc: int) -> list[Difference]:
        rows, cells, cpu = self._rows, self._cells, self._cpu
        data, should, reads, writes, held = rows.data, cpu.should, cells.reads, cells.writes, cells.held
        sure = SURE | cells.epoch
        found: list[Difference] = []
        for at in range(row, end):
            word = should[at]
            if word < 0:
                continue
            if rows.lost[at] and at and rows.cycle[at] - rows.cycle[at - 1] > 1:
                cells.forget()
                sure = SURE | cells.epoch
            address = word & 0xFFFF
            byte = data[at]
            odd = self._odd.get(at) if self._odd else None
            if odd is not None and odd.control & 0xFFFF | odd.control & WRITE_BIT:
                if not self._settle(odd):
                    continue
                address = rows.words[at] & 0xFFFF if odd.read is Read.CAPTURED else address
            if word & WRITE_BIT:
                number = cells.write_at(address) if writes[address] == -1 else writes[address]
                self._expected[at] = byte if odd is None else odd.expected
                if number >= 0:
                    if odd is not None:  # what the CPU wrote, as far as the capture is the one to be wrong
                        held[number] = odd.expected | cells.epoch
                    else:
                        held[number] = UNTOLD if byte < 0 else byte | (cells.epoch if self._unknown else sure)
                elif number == FEED:
                    self._feed_write(at, address, byte)
                    reads, writes = cells.reads, cells.writes
                continue
            number = reads[address] if reads[address] != -1 else cells.read_at(address)
            if number >= 0:
                cell = held[number]
                if cell == byte | sure:
                    self._expected[at] = byte
                elif byte < 0:
                    known = rows.known[at]
                    if cell >= 0 and cell & ~0xFF == sure and (cell ^ rows.bytes[at]) & known:
                        found.append(self._difference(at, address, pc, cell & 0xFF, known))
                elif cell >= 0 and cell & ~0xFF == sure:
                    self._expected[at] = cell & 0xFF
                    found.append(self._difference(at, address, pc, cell & 0xFF, 0xFF))
                elif cell == byte | cells.epoch:
                    held[number] = byte | sure
                else:
                    held[number] = byte | cells.epoch
            elif number <= ROM:
                expected = ROM - number
                self._expected[at] = expected
                if expected != byte and (expected ^ rows.bytes[at]) & rows.known[at]:
                    found.append(self._difference(at, address, pc, expected, rows.known[at]))
            elif number == FEED:
                difference = self._feed_read(at, address, pc)
                if difference is not None:
                    found.append(difference)
                reads, writes = cells.reads, cells.writes
            elif number != NOBODY:
                raise AssertionError(number)
        self._differences += found
        return found

    def _settle(self, odd: Difference) -> bool:
        """Which address was on the bus, where the capture shows another one than the CPU puts out; False: either.

        A read tells by its byte which of the two the card heard.
        """
        cells, rows, row = self._cells, self._rows, odd.row
        if odd.control & WRITE_BIT:
            number = cells.write_at(odd.address) if odd.is_write else NOBODY
            if number >= 0:  # it may have been written
                cells.held[number] = UNTOLD
            return False
        mine, shown = (cells.expected(address) for address in (odd.address, rows.words[row] & 0xFFFF))
        if not odd.is_write and None not in (mine, shown) and mine != shown and rows.data[row] in (mine, shown):
            odd.read = Read.CAPTURED if rows.data[row] == shown else Read.EXPECTED
        elif odd.control & ~self._ways.tolerated == 0:
            odd.read = Read.CAPTURED
        elif odd.is_write:
            for address in (odd.address, rows.words[row] & 0xFFFF):
                number = cells.write_at(address)
                if number >= 0:
                    cells.held[number] = UNTOLD
            return False
        else:
            return False
        return True

    def _check_unfollowed(self) -> None:
        """Where the CPU is not in step, a ROM still answers the address that is captured."""
        rows, followed = self._rows, np.zeros(len(self._rows), bool)
        for first, end in self._parts:
            followed[first:end] = True
        for row in np.flatnonzero(~followed).tolist():
            word = rows.seen[row]
            if word == DOUBTFUL or word & WRITE_BIT:
                continue
            number = self._cells.read_at(word & 0xFFFF)
            if number > ROM:
                continue
            self._expected[row] = expected = ROM - number
            if (expected ^ rows.bytes[row]) & rows.known[row]:
                self._cpu.should[row] = word
                self._differences.append(self._difference(row, word & 0xFFFF, word & 0xFFFF, expected, rows.known[row]))

    def _difference(self, row: int, address: int, pc: int, expected: int, known: int) -> Difference:
        captured = self._rows.bytes[row]
        return Difference(
            row,
            address,
            pc,
            None,
            0,
            0,
            self._cpu.should[row],
            (expected ^ captured) & known,
            expected,
            captured,
            False,
        )

    def _fed_cycle(self, row: int) -> int | None:
        since = self._fed.since
        if since is None:
            return None
        return self._rows.cycle[row] - (self._rows.cycle[since] if since >= 0 else since)

    def _last(self, row: int) -> int:
        return self._rows.bytes[row - 1] if row else 0xFF

    def _feed_write(self, row: int, address: int, byte: int) -> None:
        for number in self._cells.also_written(address):
            self._cells.held[number] = UNTOLD if byte < 0 else byte | self._cells.epoch
        cycle = self._fed_cycle(row)
        if byte >= 0:
            self._fed.write(address, byte, cycle if cycle is not None else self._rows.cycle[row], self._last(row))

    def _feed_read(self, row: int, address: int, pc: int) -> Difference | None:
        cycle = self._fed_cycle(row)
        found = self._fed.read(address, cycle if cycle is not None else self._rows.cycle[row], self._last(row))
        if found is None:
            return None
        slot, offset, byte, agreed = found
        self._slots[row], self._offsets[row] = slot, offset
        if cycle is None:
            return None
        self._expected[row], self._agreed[row] = byte, agreed
        if not (byte ^ self._rows.bytes[row]) & agreed & self._rows.known[row]:
            return None
        difference = self._difference(row, address, pc, byte, agreed & self._rows.known[row])
        difference.slot, difference.offset = slot, offset
        return difference

    def _weigh(
        self, difference: Difference, state: State, together: list[Difference], given: Mapping[int, int] | None = None
    ) -> None:
        """Which byte did the CPU take? What it does in the next cycles tells, or what it does later."""
        cpu = self._cpu
        if self._weighed >= WEIGHED or difference.slot is not None:
            return
        self._weighed += 1
        now, unknown, odd = cpu.save(), self._unknown, cpu.odd
        earlier = self._known_less
        limit = min(difference.row + AHEAD, len(self._rows))
        given = given or {}
        instead = {**given, difference.row: difference.expected}
        as_captured = self._ways.price(state, earlier, limit, given)
        otherwise = self._ways.price(state, earlier, limit, instead)
        if len(together) > 1 and otherwise != (0, 0, 0):
            all_of_them = {**given, **{each.row: each.expected for each in together if each.slot is None}}
            if (cost := self._ways.price(state, earlier, limit, all_of_them)) < otherwise:
                otherwise, instead = cost, all_of_them
        if otherwise > as_captured:
            difference.read = Read.CAPTURED
        if as_captured > otherwise:
            for each in together:
                if each.row in instead:
                    each.read = Read.EXPECTED
            self._replay(state, earlier, now[0], instead)
            more = self._check_bytes(now[0], cpu.at, state[1])
            for each in more:
                self._weigh(each, state, more, instead)
            return
        if as_captured == otherwise:
            self._pending.append((difference, state, earlier))
            del self._pending[:-PENDING]
        cpu.load(now)
        cpu.odd, self._unknown = odd, unknown


_FLAGS = frozenset({"n", "v", "z", "c"})


class _Lost(Exception):  # noqa: N818 - a signal, not an error
    """The CPU is no longer in step."""
