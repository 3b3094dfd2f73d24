"""Which byte did the CPU take, the captured one or the card's? What it does in the next cycles tells."""

from __future__ import annotations

from collections.abc import Mapping

from simkit.compare.cells import ROM
from simkit.compare.followed import Difference, Read
from simkit.compare.heard import SEVERAL, Heard
from simkit.compare.led_cpu import REGISTERS, Ended, State
from simkit.compare.rows import WRITE_BIT
from simkit.compare.shown import LONGEST
from simkit.compare.track import Track
from simkit.compare.worlds import AHEAD, ALL

PENDING = 6
"""Bytes that the CPU may have taken otherwise than captured which are tried again when it goes another way. Ours."""
DECISIVE = 3
"""The CPU took the captured byte for certain where the other way costs so many lines and rows more. Ours."""
WEIGHED, WEIGHED_OF = 400, 50
"""Bytes that differ whose consequences are looked at; after that their number speaks. Ours."""

REMEMBERED = 1500
"""Rows for which bytes are remembered that may have been misread, and made a register. Ours."""
_PLACE = {name: place for place, name in enumerate(REGISTERS, 1)}
"""In a State."""
LEADS_NOWHERE = 4
"""Neither byte is the one that the CPU took where, whichever it was, so many rows differ soon. Ours."""


class Weighing:
    """Weighs bytes that differ."""

    def __init__(self, track: Track, heard: Heard) -> None:
        self._track = track
        self._cpu, self._rows, self._ways, self._cells = track.cpu, track.rows, track.ways, track.cells
        self._heard = heard
        self._weighed = 0
        self._taken: list[tuple[Difference, State, frozenset[str]]] = []  # as captured, with the state before
        self._settled: dict[int, int] = {}  # of this instruction, bytes that the CPU took and the capture has otherwise

    def weigh(self, difference: Difference, state: State, together: list[Difference]) -> None:
        """Which byte did the CPU take? What it does in the next cycles tells, or what it does later."""
        cpu = self._cpu
        if self._weighed >= WEIGHED + difference.row // WEIGHED_OF or difference.slot is not None:
            return
        self._weighed += 1
        now, unknown, odd = cpu.save(), self._track.unknown, cpu.odd
        earlier = self._track.earlier
        limit = min(difference.row + AHEAD, len(self._rows))
        given = self._settled = {row: byte for row, byte in self._settled.items() if row >= state[0]}
        instead = {**given, difference.row: difference.expected}
        as_captured = self._ways.price(state, earlier, limit, given)
        otherwise = self._ways.price(state, earlier, limit, instead)
        if len(together) > 1 and otherwise != (0, 0, 0):
            all_of_them = {**given, **{each.row: each.expected for each in together if each.slot is None}}
            if (cost := self._ways.price(state, earlier, limit, all_of_them)) < otherwise:
                otherwise, instead = cost, all_of_them
        fetched = (difference.address - difference.pc & 0xFFFF) < LONGEST and not difference.control
        third: dict[int, int] = {}
        proves = (fetched or self._is_no_misreading(difference)) and self._can_prove(difference, state)
        if fetched and proves and min(as_captured, otherwise)[0] >= LEADS_NOWHERE:
            third = self._third(difference, state, limit, given)
        if third:
            instead, difference.read, difference.proven = third, Read.CAPTURED, True
        elif otherwise > as_captured:
            difference.read = Read.CAPTURED
            apart = min(worse - better for worse, better in zip(otherwise[1:], as_captured[1:], strict=True))
            proves &= self._track.is_seen(difference)
            difference.proven |= proves and as_captured[2] <= 1 and apart >= DECISIVE
            difference.proven |= fetched and self._is_no_byte_of_a_rom(difference)
            if difference.proven and self._comes_of_an_earlier_one(difference, now[0], limit):
                return
            if not difference.proven:
                self._take_back(difference, state, limit)
        if third or as_captured > otherwise:
            for each in together:
                if each.row in instead and instead[each.row] == each.expected:
                    each.read = Read.EXPECTED
            self._settled = instead
            self._track.replay(state, earlier, now[0], instead)
            self._forget_odd(state[0], now[0])
            self._heard.note_odd(state)
            more = self._heard.check(now[0], cpu.at, state[1])
            for each in more:
                self.weigh(each, state, more)
            return
        if as_captured == otherwise or (as_captured[2] and not difference.proven):
            self._track.pending.append((difference, state, earlier))
            del self._track.pending[:-PENDING]
        if as_captured == otherwise:
            unknown |= self._other_registers(state, now, {**given, difference.row: difference.expected})
        cpu.load(now)
        cpu.odd, self._track.unknown = odd, unknown

    def _other_registers(self, state: State, now: State, instead: dict[int, int]) -> frozenset[str]:
        """Registers that are not known where nothing tells which byte was taken: those that it makes a difference to.

        Args:
            state: before the instruction.
            now: behind it, with the captured byte.
            instead: with the card's byte.
        """
        cpu = self._cpu
        made, wrote = cpu.should[state[0] : now[0]], cpu.wrote[state[0] : now[0]]
        cpu.load(state)
        cpu.instead = instead
        try:
            left = self._ways.advance(self._track.earlier)
        except Ended:
            left = frozenset()
        cpu.instead = {}
        other = cpu.save()
        cpu.should[state[0] : now[0]], cpu.wrote[state[0] : now[0]] = made, wrote
        return left | {name for name in ALL if other[_PLACE[name]] != now[_PLACE[name]]}

    def _forget_odd(self, row: int, end: int) -> None:
        """Rows that differed with the captured byte, and are as captured with the one that the CPU took, are so."""
        track, cpu, cells = self._track, self._cpu, self._cells
        for at, odd in [*track.odd.items()]:
            word = cpu.should[at]
            value = cpu.wrote[at] if word & WRITE_BIT else -1
            if not row <= at < end or word < 0 or self._ways.differs(at, word, value):
                continue
            track.differences.remove(odd)
            del track.odd[at]
            number = cells.write_at(word & 0xFFFF) if odd.is_write else -1
            if number >= 0:
                cells.held[number] = cells.back(number, value) | cells.epoch

    def _is_no_misreading(self, difference: Difference) -> bool:
        """Whether several lines differ from what a memory holds for certain, with the CPU followed from RESET on."""
        return (
            difference.data.bit_count() >= SEVERAL
            and not difference.control
            and not self._track.from_middle
            and not self._heard.may_be_missing(difference.row)
        )

    def _is_no_byte_of_a_rom(self, difference: Difference) -> bool:
        """Whether a ROM holds another byte in several lines at the address that is seen, and none beside is this one.

        An analyser that samples too early or too late has the byte of the cycle before or behind.
        """
        row, rows = difference.row, self._rows
        beside = [at for at in (row - 1, row + 1) if 0 <= at < len(rows)]
        return (
            difference.data.bit_count() >= SEVERAL
            and self._cells.read_at(difference.address) <= ROM
            and self._track.is_seen(difference)
            and not self._heard.may_be_missing(row)
            and all((difference.captured ^ rows.bytes[at]) & rows.known[at] for at in beside)
        )

    def _can_prove(self, difference: Difference, state: State) -> bool:
        """Whether what the CPU does with a byte can prove that it took it.

        Nothing is proven by an instruction, as captured or as the card has it, that goes by registers which nothing
        has shown yet: with these it may come to anything. Nor where an address made of the byte shows the card's.
        """
        track, effects = self._track, self._ways.effects
        codes = {track.code_at(state)}
        if difference.row == state[0]:
            codes.add(difference.expected)
        if any(effects[code].reads & track.earlier for code in codes):
            return False
        return all(
            difference.data not in (odd.control & 0xFF, odd.control >> 8 & 0xFF)
            for odd in track.odd.values()
            if odd.row > difference.row
        )

    def _comes_of_an_earlier_one(self, difference: Difference, row: int, limit: int) -> bool:
        """Whether the card's byte does as well where an earlier one was misread, too: a register was another.

        The CPU is put where it is then, as the card has both bytes.
        """
        track, ways = self._track, self._ways
        for each in reversed(track.pending):
            earlier, before, unknown = each
            both = {earlier.row: earlier.expected, difference.row: difference.expected}
            if earlier.row < row - REMEMBERED or earlier.row == difference.row:
                continue
            if ways.price(before, unknown, limit, both) <= ways.price(before, unknown, limit):
                earlier.read = difference.read = Read.EXPECTED
                difference.proven = False
                track.pending.remove(each)
                track.replay(before, unknown, row, both)
                self._heard.note_odd(before)
                self._heard.check(row, track.cpu.at, before[1])
                return True
        return False

    def _take_back(self, difference: Difference, state: State, limit: int) -> None:
        """Neither tells where this and an earlier one, both taken as captured, do as well as the cards have them."""
        for each in self._taken:
            earlier, before, unknown = each
            if not 0 < difference.row - earlier.row <= AHEAD:
                continue
            both = {earlier.row: earlier.expected, difference.row: difference.expected}
            if self._ways.price(before, unknown, limit, both) <= self._ways.price(before, unknown, limit):
                earlier.read = difference.read = Read.OPEN
        self._taken.append((difference, state, self._track.earlier))
        del self._taken[:-PENDING]

    def _third(self, difference: Difference, state: State, limit: int, given: Mapping[int, int]) -> dict[int, int]:
        """The byte that the CPU took where it is neither: the card's was wrong, and one line of it misread besides."""
        if self._heard.may_be_missing(difference.row):
            return {}
        for bit in range(8):
            byte = difference.captured ^ 1 << bit
            if byte == difference.expected:
                continue
            instead = {**given, difference.row: byte}
            soon, bits, _ = self._ways.price(state, self._track.earlier, limit, instead)
            if not soon and bits <= 1:
                return instead
        return {}
