"""An instruction did not go as captured: which byte was misread, which way did the CPU go, or is it out of step?"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial

import attrs

from simkit.compare.at_fault import LOST_ROWS, AtFault, held_otherwise
from simkit.compare.followed import Difference, Read
from simkit.compare.led_cpu import Ended, State
from simkit.compare.only_captured import OnlyCaptured
from simkit.compare.rows import DOUBTFUL, WRITE_BIT
from simkit.compare.track import Lost, Track
from simkit.compare.worlds import AHEAD, ALL, NEAR, Price

FRESH = 250
"""Rows for which a byte is remembered of which nothing has told yet which one the CPU took. Ours."""
FLAGS = frozenset({"n", "v", "z", "c"})
Pending = tuple[Difference, State, frozenset[str]]
"""A byte that differs, the state before the instruction, and what was unknown in it."""


def _in_one_line(price: Price) -> bool:
    return price[1] <= 1


@attrs.frozen(eq=False)
class _Way:
    """A way that the CPU may have gone.

    Attributes:
        state, unknown: where it begins.
        instead: bytes that the CPU takes, and not the captured ones, by row.
        is_enough: whether a price that is the best is good enough.
        keep: called where it is chosen.
        is_earlier: it begins before the instruction; the other bytes are taken there.
    """

    state: State
    unknown: frozenset[str]
    instead: dict[int, int] = attrs.field(factory=dict)
    is_enough: Callable[[Price], bool] = lambda price: True
    keep: Callable[[], None] = lambda: None
    is_earlier: bool = False


@attrs.define(eq=False)
class _Choice:
    """The best way up to now.

    Attributes:
        state: before the instruction.
        price: of the way.
        instead: bytes that the CPU takes in the instruction, and not the captured ones.
        pending: byte of an earlier instruction that it did not take as captured; gone by when all are compared.
    """

    state: State
    price: Price
    instead: dict[int, int] = attrs.field(factory=dict)
    pending: Pending | None = None

    def is_clearly_worse(self, price: Price) -> bool:
        """Whether it costs more than another by rows that differ soon, or by more than one line."""
        return price[:2] < (self.price[0], max(self.price[1] - 1, 1))

    def put_off(self, pending: Pending) -> None:
        """Go by a pending byte, but not yet."""
        self.pending = pending


class Trouble:
    """Finds a way for the CPU through an instruction that did not go as captured."""

    def __init__(self, track: Track) -> None:
        self._track = track
        self._cpu, self._rows, self._ways, self._cells = track.cpu, track.rows, track.ways, track.cells
        self._only_captured, self._at_fault = OnlyCaptured(track), AtFault(track)
        self._doubted = 0  # lines in which an address differed that a register made, when it was seen last

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
        misread = held_otherwise(self._track, state[0], cpu.at)
        choice = _Choice(state, ways.price(state, self._track.unknown, limit))
        for way in self._other_ways(choice, odd, misread):
            price = ways.price(way.state, way.unknown, limit, way.instead)
            if price < choice.price and way.is_enough(price):
                choice.price, choice.instead, choice.pending = price, {} if way.is_earlier else way.instead, None
                way.keep()
        if choice.pending is not None:
            difference, before, unknown = choice.pending
            difference.read = Read.EXPECTED
            self._track.pending.remove(choice.pending)
            self._track.replay(before, unknown, state[0], {difference.row: difference.expected})
            choice.state = cpu.save()
        state, best, instead = choice.state, choice.price, choice.instead
        astray = best[1] != 1 and best[2] >= 4 and (best[1] >= 4 or best[2] >= 8)
        if astray and not self._is_one_line_behind(state, odd, instead, limit):
            near = self._ways.ahead(state, self._track.unknown, min(state[0] + NEAR, len(self._rows)), instead)
            in_a_gap = self._branched_in_a_gap(state[0])
            other = (
                state
                if near[1] < LOST_ROWS or (best[2] >= 8 and not in_a_gap and self._at_fault.same_lines(state, limit))
                else self._other_way(state, limit)
            )
            if other is None and (best[1] >= 4 or in_a_gap):
                cpu.load(state)
                cpu.at = state[0] + 1
                raise Lost(self._certain_fetch(state, odd))
            state = other or state
        self._track.unknown = ways.advance_from(state, self._track.unknown, instead)
        self._track.misread_rows = set(instead)
        ways.cost_of_odd()
        if best[1] == 1 and ways.bits.bit_count() == 1:
            self._at_fault.note(ways.bits, state[0])

    def _other_ways(
        self, choice: _Choice, odd: list[tuple[int, int, int]], misread: list[tuple[int, int]]
    ) -> Iterator[_Way]:
        """Ways that the CPU may have gone but as captured; later ones go by what was chosen of those before.

        Args:
            choice: the best up to now.
            odd: rows of the instruction in which the capture differs.
            misread: rows of it in which cards hold another byte, and that byte.
        """
        track, cpu, alone, state = self._track, self._cpu, self._only_captured, choice.state
        for instead in (*({row: byte} for row, byte in misread), dict(misread)):
            if instead:
                yield _Way(state, track.unknown, instead)
        track.pending = [each for each in track.pending if each[0].row >= state[0] - FRESH]
        if choice.price[0]:
            for instead in alone.unsure(state[0], cpu.at, one_row=choice.price[2] == 1):
                yield _Way(state, track.unknown, instead, partial(self._is_borne_out, state, instead))
        for each in reversed(track.pending):
            difference, before, unknown = each
            is_enough, keep = choice.is_clearly_worse, partial(choice.put_off, each)
            yield _Way(before, unknown, {difference.row: difference.expected}, is_enough, keep, is_earlier=True)
        if self._branched_before() and track.before is not None:
            yield self._earlier_way(choice, track.before[0], track.before[1] | FLAGS, {})
        if choice.price[2] >= LOST_ROWS and track.before is not None:
            begun, unknown = track.before
            for code in alone.other_lengths(begun):
                yield self._earlier_way(choice, begun, unknown, {begun[0]: code})
        if (landed := alone.landed(choice.state)) is not None:
            yield _Way(landed, track.unknown, keep=partial(setattr, choice, "state", landed))
        soft = alone.soft(choice.state) if choice.price != (0, 0, 0) else frozenset[str]()
        if soft and self._is_wrong(odd, choice.price):
            yield _Way(choice.state, track.unknown | soft, {}, _in_one_line, partial(self._forget, soft))

    def _earlier_way(self, choice: _Choice, begun: State, unknown: frozenset[str], instead: dict[int, int]) -> _Way:
        """Way from the instruction before, which is gone again at once: what comes next counts on it."""

        def keep() -> None:
            self._track.replay(begun, unknown, choice.state[0], instead)
            choice.state = self._cpu.save()

        return _Way(begun, unknown, instead, _in_one_line, keep, is_earlier=True)

    def _forget(self, names: frozenset[str]) -> None:
        """Registers are not known."""
        self._track.unknown |= names
        self._track.earlier |= names  # one cycle alone tells what comes of them

    def _is_borne_out(self, state: State, instead: dict[int, int], price: Price) -> bool:
        return _in_one_line(price) and not self._contradicted(state, instead)

    def _contradicted(self, state: State, instead: dict[int, int]) -> bool:
        """Whether cards hold other bytes at the addresses to which the CPU goes in a way, and these were captured."""
        cpu, rows = self._cpu, self._rows
        went: list[int] = []
        with self._ways.tried(state, state[0] + NEAR, instead):
            try:
                self._ways.advance(self._track.unknown)
            finally:
                went = cpu.should[state[0] : cpu.at]
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
        if odd[0][0] != state[0] or self._only_captured.landed(state) is not None or self._branched_before():
            return None
        return None if self._only_captured.was_of_another_length(state) else odd[0][1]

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

    def _is_one_line_behind(
        self, state: State, odd: list[tuple[int, int, int]], instead: dict[int, int], limit: int
    ) -> bool:
        """Whether one line of the instruction was misread, and what differs behind it is one line, too, but another.

        The CPU is on its way then: what is wrong with the other line is told where it shows.
        """
        cpu, ways = self._cpu, self._ways
        if len(odd) != 1 or (ways.differs(*odd[0]) & ~ways.tolerated).bit_count() != 1:
            return False
        try:
            unknown = ways.advance_from(state, self._track.unknown, instead)
        except Ended:
            return False
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
        if self._ways.ahead(state, self._track.unknown | names, limit)[0] > 1:
            return False
        self._forget(names)
        return True
