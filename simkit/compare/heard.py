"""The bytes of the cycles that a led CPU makes, beside what the cards hold or answer."""

from __future__ import annotations

import numpy as np

from simkit.compare.apart import DATA_SHIFT
from simkit.compare.cells import FEED, KEPT, NOBODY, ROM, SURE, UNTOLD
from simkit.compare.followed import Difference, Read
from simkit.compare.led_cpu import State
from simkit.compare.rows import DOUBTFUL, WRITE_BIT
from simkit.compare.shown import MAKE_ADDRESSES
from simkit.compare.track import Track
from simkit.compare.worlds import ALL

SEVERAL = 2
"""Bits of a byte that no misreading changes together. Ours."""
MOST_LINES = 2
"""Address lines that are at fault together, at most. Ours."""
PUSHED = 3
"""Bytes that an interrupt, or BRK, writes."""
MAKE_FLAGS = frozenset({"a", "x", "y", "n", "v", "z", "c"})
"""Flags, and the registers that they come of."""
AROUND = 2
"""Rows around one in which no cycle may be missing where it shall prove something. Ours."""


class Heard:
    """Compares what the capture shows with what the CPU puts out and the cards answer."""

    def __init__(self, track: Track) -> None:
        self._track = track
        self._cpu, self._rows, self._ways, self._cells = track.cpu, track.rows, track.ways, track.cells
        self._wrong = 0  # bits of a written byte in which the capture differed from what the CPU wrote, last

    def note_odd(self, state: tuple[int, ...]) -> None:
        """Remember rows in which the capture shows another cycle than the CPU makes."""
        cpu, ways, rows = self._cpu, self._ways, self._rows
        for row, word, value in cpu.odd:
            bits = ways.differs(row, word, value)
            if not bits or row in self._track.odd:
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
            self._track.differences.append(difference)
            self._track.odd[row] = difference
            if value >= 0 and bits >> DATA_SHIFT:  # the register may be another than was believed
                effect = ways.effects[self._track.code_at(state)]
                self._track.unknown |= effect.reads & {"a", "x", "y"}
                if not effect.reads & {"a", "x", "y"} and (bits >> DATA_SHIFT).bit_count() >= SEVERAL:
                    self._track.unknown |= MAKE_FLAGS  # flags were written, and come of a register that is another
        cpu.odd, cpu.doubt = [], False

    def note_fetch(self, state: State, word: int) -> None:
        """The CPU is lost from an opcode's fetch on: where the byte is that of the captured address, lines are why."""
        rows, row = self._rows, state[0]
        shown = rows.seen[row]
        if shown == DOUBTFUL or self.may_be_missing(row):
            return
        bits = (shown ^ word) & rows.masks[row]
        mine, theirs = (self._cells.expected(address & 0xFFFF) for address in (word, shown))
        if mine is None or bits & ~0xFFFF or bits.bit_count() > MOST_LINES:
            return
        came = rows.data[row]
        again = row + 1 < len(rows) and rows.seen[row + 1] == (word + 1 & 0xFFFF) ^ bits  # the next one has them, too
        if came == DOUBTFUL or (mine ^ came).bit_count() < SEVERAL or not (came == theirs or again):
            return
        self._note_wrong_way(row, word, bits, state[1])

    def note_start(self, row: int, word: int) -> None:
        """The CPU begins elsewhere than where the vector leads that it has fetched."""
        self._note_wrong_way(row, word, self._rows.apart(row, word), word & 0xFFFF)

    def _note_wrong_way(self, row: int, word: int, bits: int, pc: int) -> None:
        """The CPU fetches an opcode, and the lines show for certain that it is elsewhere."""
        self._cpu.should[row] = word
        found = self._track.difference(row, word & 0xFFFF, pc, self._rows.bytes[row], 0)
        found.control, found.read, found.proven = bits, Read.CAPTURED, True
        self._track.differences.append(found)
        self._track.odd[row] = found

    def check(self, row: int, end: int, pc: int) -> list[Difference]:
        """Compare the bytes of rows that the CPU went through; gives those that are read and differ."""
        rows, cells, cpu = self._rows, self._cells, self._cpu
        data, should, reads, writes, held = rows.data, cpu.should, cells.reads, cells.writes, cells.held
        sure = SURE | cells.epoch
        found: list[Difference] = []
        misread = self._ways.misread if self._track.earlier else None
        is_unsure = row < end and bool(self._track.earlier) and self._goes_by_unknown(row, end)
        for at in range(row, end):
            word = should[at]
            if word < 0:
                continue
            if rows.lost[at] and at and rows.cycle[at] - rows.cycle[at - 1] > 1:
                cells.forget()
                self._track.unknown = ALL  # a loop may have gone round in between, and nobody sees it by the addresses
                self._track.fed.lose(at)
                self._track.note_decoding(at)
                reads, writes, sure = cells.reads, cells.writes, SURE | cells.epoch
            address = word & 0xFFFF
            byte = data[at]
            if misread and at in misread:
                continue
            odd = self._track.odd.get(at) if self._track.odd else None
            if odd is not None and odd.control & 0xFFFF | odd.control & WRITE_BIT:
                if not self._settle(odd):
                    self._feed_unsettled(odd)
                    reads, writes = cells.reads, cells.writes
                    continue
                address = rows.words[at] & 0xFFFF if odd.read is Read.CAPTURED else address
            if word & WRITE_BIT:
                number = cells.write_at(address) if writes[address] == -1 else writes[address]
                self._track.expected[at] = byte if odd is None else odd.expected
                if number >= 0:
                    if odd is not None:  # what the CPU wrote, as far as the capture is the one to be wrong
                        held[number] = cells.back(number, odd.expected) | cells.epoch
                    else:
                        if number >= cells.first_wired:
                            byte = cells.back(number, rows.bytes[at], rows.known[at])
                        held[number] = UNTOLD if byte < 0 else byte | (cells.epoch if is_unsure else sure)
                elif number == FEED:
                    self._feed_write(at, address, self._byte_fed(at, odd))
                    reads, writes = cells.reads, cells.writes
                continue
            number = reads[address] if reads[address] != -1 else cells.read_at(address)
            if number >= 0:
                cell, told = held[number], 0xFF
                if number >= cells.first_wired and (kept := cells.kept(number)):
                    self._track.agreed[at] = told = 0xFF & ~kept
                    cell = cell if cell < 0 else cell & ~kept | rows.bytes[at] & kept  # nobody drives these bits
                if cell == byte | sure:
                    self._track.expected[at] = byte
                elif byte < 0:
                    known = rows.known[at] & told
                    if cell >= 0 and cell & ~0xFF == sure and (cell ^ rows.bytes[at]) & known:
                        found.append(self._track.difference(at, address, pc, cell & 0xFF, known))
                elif cell >= 0 and cell & ~0xFF == sure:
                    self._track.expected[at] = cell & 0xFF
                    found.append(self._track.difference(at, address, pc, cell & 0xFF, told))
                elif cell == byte | cells.epoch:
                    held[number] = byte | sure
                else:
                    held[number] = byte | cells.epoch
            elif number <= ROM:
                expected = ROM - number
                self._track.expected[at] = expected
                if expected != byte and (expected ^ rows.bytes[at]) & rows.known[at]:
                    one = self._track.difference(at, address, pc, expected, rows.known[at])
                    # an address may come of a byte that was misread before it in the instruction
                    one.proven = odd is None and not found and self._is_of_another_address(one, row)
                    found.append(one)
            elif number <= KEPT:
                found += self._read_kept(at, address, pc, *divmod(KEPT - number, 256))
            elif number == FEED:
                difference = self._feed_read(at, address, pc)
                if difference is not None:
                    found.append(difference)
                reads, writes = cells.reads, cells.writes
            elif number != NOBODY:
                raise AssertionError(number)
        self._track.differences += found
        return found

    def _read_kept(self, row: int, address: int, pc: int, kept: int, byte: int) -> list[Difference]:
        """A ROM is read of which nobody drives some bits; gives the difference, if there is one."""
        track, rows = self._track, self._rows
        byte |= rows.bytes[row] & kept
        track.expected[row], track.agreed[row] = byte, 0xFF & ~kept
        known = rows.known[row] & ~kept
        return [track.difference(row, address, pc, byte, known)] if (byte ^ rows.bytes[row]) & known else []

    def _goes_by_unknown(self, row: int, end: int) -> bool:
        """Whether what an instruction writes comes of registers that are not known: one cycle alone tells it then."""
        words = self._cpu.should[row:end]
        if sum(word >= 0 and word & WRITE_BIT != 0 for word in words) >= PUSHED:  # an interrupt pushes the flags
            return True
        return bool(self._ways.effects[self._track.code_at((row,))].reads & self._track.earlier)

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

    def _byte_fed(self, row: int, odd: Difference | None) -> int:
        """Byte that a card was given: where the capture has another than the CPU's, a line is misread, or at fault."""
        if odd is not None and odd.data:
            is_fault = bool(odd.data & self._wrong)
            self._wrong = odd.data
            return odd.captured if is_fault else odd.expected
        byte = self._rows.data[row]
        if byte >= 0 or self._track.unknown or self._track.earlier:
            return byte
        return self._cpu.wrote[row]

    def _feed_unsettled(self, odd: Difference) -> None:
        """The address was misread, as it seems: the card has had its access all the same."""
        address = odd.address
        if odd.control & WRITE_BIT or odd.control & ~self._ways.tolerated == 0:
            return
        if odd.is_write and self._cells.write_at(address) == FEED:
            self._feed_write(odd.row, address, self._byte_fed(odd.row, odd))
        elif not odd.is_write and self._cells.read_at(address) == FEED:
            self._feed_read(odd.row, address, odd.pc)

    def check_gap(self, begin: int, end: int) -> None:
        """Rows in which the CPU was out of step: where cards may have had an access, nobody knows what they hold."""
        rows, cells = self._rows, self._cells
        if self._track.fed.since is None:
            return
        for row in range(begin, end):
            word = rows.seen[row]
            number = (
                FEED
                if word == DOUBTFUL or rows.lost[row]
                else cells.write_at(word & 0xFFFF)
                if word & WRITE_BIT
                else cells.read_at(word & 0xFFFF)
            )
            if number == FEED:
                self._track.fed.lose(begin)
                self._track.note_decoding(begin)
                return

    def check_unfollowed(self, begin: int, end: int, parts: list[tuple[int, int]]) -> None:
        """Where the CPU is not in step, a ROM still answers the address that is captured."""
        rows, followed = self._rows, np.zeros(end, bool)
        for first, behind in parts:
            followed[first:behind] = True
        for row in (begin + np.flatnonzero(~followed[begin:])).tolist():
            word = rows.seen[row]
            if word == DOUBTFUL or word & WRITE_BIT or self._is_misread(row):
                continue
            number = self._cells.read_at(word & 0xFFFF)
            if number > ROM:
                continue
            self._track.expected[row] = expected = ROM - number
            if (expected ^ rows.bytes[row]) & rows.known[row]:
                self._cpu.should[row] = word
                self._track.differences.append(
                    self._track.difference(row, word & 0xFFFF, word & 0xFFFF, expected, rows.known[row])
                )

    def may_be_missing(self, row: int) -> bool:
        """Whether cycles may be missing beside a row, or are."""
        beside = slice(max(0, row - AROUND), row + AROUND + 1)
        return any(self._rows.lost[beside]) or DOUBTFUL in self._rows.place[beside]

    def _is_of_another_address(self, one: Difference, row: int) -> bool:
        """Whether the CPU is sure of its address, and what came is what the ROM holds at one that is a line apart.

        Args:
            one: the difference.
            row: in which its instruction begins.
        """
        if one.data.bit_count() < SEVERAL or self.may_be_missing(one.row):
            return False
        if not self._track.is_seen(one):
            return False
        index = self._ways.effects[self._track.code_at((row,))].reads & self._track.earlier & MAKE_ADDRESSES
        if index - self._ways.borne_out:
            return False
        return any(self._cells.read_at(one.address ^ 1 << bit) == ROM - one.captured for bit in range(16))

    def _is_misread(self, row: int) -> bool:
        """Whether it is the address that was misread: what came stands at one that is one line apart, and fits there.

        It fits where the cycle beside has the same address, or the next in order.
        """
        rows, shown = self._rows, self._rows.seen[row] & 0xFFFF
        for other, step in ((row - 1, 1), (row + 1, -1)):
            if not 0 <= other < len(rows) or rows.seen[other] == DOUBTFUL:
                continue
            beside = rows.seen[other] & 0xFFFF
            for address, is_told in (
                (beside, rows.data[other] == rows.data[row]),
                (beside + step & 0xFFFF, self._cells.read_at(beside + step & 0xFFFF) <= ROM),
            ):
                apart = address ^ shown
                is_one_line = apart and not apart & apart - 1
                if is_told and is_one_line and self._cells.expected(address) in (None, rows.data[row]):
                    return True
        return False

    def _fed_cycle(self, row: int) -> int | None:
        since = self._track.fed.since
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
            self._track.fed.write(address, byte, cycle if cycle is not None else self._rows.cycle[row], self._last(row))
        elif cycle is not None:
            self._track.fed.lose(row)
        self._track.note_decoding(row + 1)

    def _feed_read(self, row: int, address: int, pc: int) -> Difference | None:
        cycle = self._fed_cycle(row)
        found = self._track.fed.read(address, cycle if cycle is not None else self._rows.cycle[row], self._last(row))
        self._track.note_decoding(row + 1)
        if found is None:
            return None
        slot, offset, byte, agreed = found
        self._track.slots[row], self._track.offsets[row] = slot, offset
        if cycle is None:
            return None
        apart = (byte ^ self._rows.bytes[row]) & self._rows.known[row]
        if apart & agreed:
            agreed &= ~self._track.fed.varied_besides(slot, offset, byte)
        self._track.expected[row], self._track.agreed[row] = byte, agreed
        if not apart & agreed:
            return None
        difference = self._track.difference(row, address, pc, byte, agreed & self._rows.known[row])
        difference.slot, difference.offset = slot, offset
        return difference
