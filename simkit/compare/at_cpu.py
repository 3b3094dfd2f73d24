"""What a capture of the backplane says of the CPU's own pins, where wiring between the two makes lines odd.

A line that is held on the backplane says nothing of the CPU's pin; one that is inverted or exchanged says it another
way; of two that touch a high level says that both are high, and a low one nothing.
"""

from __future__ import annotations

from collections.abc import Mapping

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.conductors import CpuData, on_the_bus
from simkit.backplane.select import ADDRESS_LINES, address_bit, as_table
from simkit.machine.machine import Machine

Bits = NDArray[np.int64]
RW_BIT = 1 << 16
CONTROL = 0x1_FFFF
MOST_KEPT = 400
"""Rows from which it is told what a late line keeps. Ours."""
AGAIN = 2
"""How much oftener addresses must show one level than the other for a captured write not to count. Ours."""
MOST_MISSING = 8
"""Lines of a word that are not known; of more nothing is said, so that a bus without a signal costs no time. Ours."""


@attrs.frozen(eq=False)
class AtCpu:
    """The way back from lines of the backplane to the CPU.

    Attributes:
        control: by word on the backplane (R/W as its level above the address), the word at the CPU.
        control_known: bits of it that are told.
        always: bits that each word tells.
        puts: by word at the CPU the one on the backplane.
        data: the way of data; None: straight.
    """

    control: Bits
    control_known: Bits
    always: int
    data: CpuData | None
    puts: Bits

    @classmethod
    def of(cls, machine: Machine) -> AtCpu | None:
        """Of a machine as it is wired; None where the CPU's lines are those of the backplane."""
        bus = machine.bus
        data = bus.data_lines.cpu
        at_lines = {high: on_the_bus({"RW": high, "PHI2": True}, bus.wiring) for high in (False, True)}
        if data is None and all(_is_straight(arriving, high) for high, arriving in at_lines.items()):
            return None
        words = np.arange(CONTROL + 1, dtype=np.int64)
        on_lines = words.copy()
        for high, arriving in at_lines.items():
            half = on_lines[RW_BIT * high : RW_BIT * (high + 1)]
            for number, name in enumerate((*ADDRESS_LINES, "RW")):
                level = arriving.get(name, address_bit(number) if number < len(ADDRESS_LINES) else high)
                half &= ~(1 << number)
                half |= _levels(as_table(level)) << number
        high_in_all, high_in_any = np.full(CONTROL + 1, CONTROL, np.int64), np.zeros(CONTROL + 1, np.int64)
        np.bitwise_and.at(high_in_all, on_lines, words)
        np.bitwise_or.at(high_in_any, on_lines, words)
        there = np.zeros(CONTROL + 1, bool)
        there[on_lines] = True
        known = np.where(there, high_in_all | ~high_in_any & CONTROL, 0)
        always = int(np.bitwise_and.reduce(known[there]))
        return cls(high_in_all & known, known, always, data, on_lines)

    def control_at(self, words: Bits, masks: Bits) -> tuple[Bits, Bits]:
        """Words with R/W as its level, and what is known of them, at the CPU; bits above them stay."""
        whole = masks & CONTROL == CONTROL
        at = words & CONTROL
        known = np.where(whole, self.control_known[at], 0)
        value = self.control[at] & known
        for row in np.flatnonzero(~whole).tolist():
            value[row], known[row] = _completed(
                self.control, self.control_known, int(at[row]), int(masks[row]), CONTROL
            )
        above = ~np.int64(CONTROL)
        return words & above | value, masks & above | known

    def lines_at(self, words: Bits, masks: Bits) -> Bits:
        """Words on the backplane, R/W as its level; -1 where one is not known whole, or no word of the CPU gives it."""
        at = words & CONTROL
        whole = (masks & CONTROL == CONTROL) & (self.control_known[at] != 0)
        return np.where(whole, at, -1)

    def data_at(
        self, data: Bits, known: Bits, words: Bits, masks: Bits, lost: NDArray[np.bool_], last: tuple[int, int]
    ) -> tuple[Bits, Bits]:
        """Bytes that the CPU took or gave, and which bits of them are told.

        Args:
            data: on the backplane.
            known: bits of that.
            words: at the CPU, R/W as its level above the address; 0 in bits that are not known.
            masks: bits of that which are known.
            lost: rows before which cycles may be missing: what a line that is late kept must show behind them.
            last: the byte that it saw before the first row, and which bits of it are known.
        """
        if self.data is None:
            return data, known
        way, is_write = self.data, words & RW_BIT == 0
        takes, every = np.frombuffer(way.takes, np.uint8).astype(np.int64), np.full(256, 0xFF, np.int64)
        taken, taken_known = takes[data], np.full(len(data), 0xFF, np.int64)
        value, told = _inverse(way)
        gave, gave_known = value[data], told[data]
        for row in np.flatnonzero(known != 0xFF).tolist():
            byte, mask = int(data[row]), int(known[row])
            taken[row], taken_known[row] = _completed(takes, every, byte, mask, 0xFF)
            gave[row], gave_known[row] = _completed(value, told, byte, mask, 0xFF)
        found, found_known = np.where(is_write, gave, taken), np.where(is_write, gave_known, taken_known)
        either = masks & RW_BIT == 0
        found_known = np.where(either, taken_known & gave_known & ~(taken ^ gave | way.late), found_known)
        if way.late and len(data):
            _keep_late(found, found_known, words, masks, lost, last, way.late)
        return found, found_known


def _keep_late(
    data: Bits,
    known: Bits,
    words: Bits,
    masks: Bits,
    lost: NDArray[np.bool_],
    last: tuple[int, int],
    late: int,
) -> None:
    """Put into the bytes of reads what late lines keep: the levels of the CPU's last write.

    A cycle whose R/W is misread is no write, and one write may be misread: where the addresses that the CPU makes of
    the bytes behind it show another level again and again, that counts. It also counts behind cycles that nobody saw.

    Args:
        data: at the CPU; what is found is put in.
        known: bits of it that are told; likewise.
        words, masks, lost, last: as in `data_at`.
        late: the lines.
    """
    is_read = words & masks & RW_BIT != 0
    is_unseen = (masks & RW_BIT == 0) | lost
    begins = np.flatnonzero(~is_read | is_unseen)
    begins = begins if len(begins) and begins[0] == 0 else np.concatenate(([0], begins))
    ends = np.minimum(np.append(begins[1:], len(data)), begins + MOST_KEPT)
    highs, lows = _shown_late(data, words, masks, lost, late)
    kept, kept_known = data[begins], np.where(is_unseen[begins], 0, known[begins])
    if not is_unseen[0] and is_read[0]:
        kept[0], kept_known[0] = last
    doubted = np.zeros(len(begins), np.int64)
    for bit in (bit for bit in range(8) if late >> bit & 1):
        high, low = (np.concatenate(([0], np.cumsum(each >> bit & 1))) for each in (highs, lows))
        high, low = high[ends] - high[begins], low[ends] - low[begins]
        mine = np.where(kept_known >> bit & 1, np.where(kept >> bit & 1, 1, -1), 0)
        shown = np.where(np.maximum(high, low) > 2 * np.minimum(high, low), np.sign(high - low), 0)
        shown[(np.abs(high - low) < AGAIN) & (mine != 0)] = 0
        doubted |= (shown * mine < 0).astype(np.int64) << bit
        level = np.where(shown != 0, shown, mine)
        kept = kept & ~(1 << bit) | (level > 0).astype(np.int64) << bit
        kept_known = kept_known & ~(1 << bit) | (level != 0).astype(np.int64) << bit
    known[begins] &= ~doubted
    of_row = np.cumsum(np.isin(np.arange(len(data)), begins)) - 1
    for into, levels in ((data, kept), (known, kept_known)):
        into[:] = np.where(is_read, into & ~late | levels[of_row] & late, into)


def _shown_late(data: Bits, words: Bits, masks: Bits, lost: NDArray[np.bool_], late: int) -> tuple[Bits, Bits]:
    """Late lines of each byte of which the CPU makes an address: those that it must have taken as high, and as low."""
    address, byte = words & 0xFFFF, data & ~late
    is_next = np.zeros(len(data), bool)  # both cycles are seen, and none is missing between
    is_next[:-1] = (masks[1:] & 0xFFFF == 0xFFFF) & ~lost[1:] & (masks[:-1] & RW_BIT != 0)
    highs, lows = np.zeros(len(data), np.int64), np.zeros(len(data), np.int64)

    def note(rows: Bits, made: Bits) -> None:
        highs[rows] |= made & late
        lows[rows] |= ~made & late

    zero_page = np.flatnonzero(is_next[:-1] & (address[1:] < 0x100) & (address[1:] & ~late == byte[:-1]))
    note(zero_page, address[zero_page + 1])
    fits = (address[2:] & 0xFF & ~late == byte[:-2]) & (address[2:] >> 8 & ~late == byte[1:-1])
    whole = np.flatnonzero(is_next[:-2] & is_next[1:-1] & fits)
    note(whole, address[whole + 2] & 0xFF)
    note(whole + 1, address[whole + 2] >> 8)
    return highs, lows


def _completed(values: Bits, known: Bits, word: int, mask: int, whole: int) -> tuple[int, int]:
    """What a word says of which some bits are not known: that in which all words agree that it may be.

    Args:
        values: by word, what it says.
        known: by word, the bits of that which it tells.
        word: on the lines.
        mask: bits of it that are known.
        whole: all bits that it has.
    """
    missing = [bit for bit in range(whole.bit_length()) if not mask >> bit & 1]
    if len(missing) > MOST_MISSING:
        return 0, 0
    words = np.array([word & mask], np.int64)
    for bit in missing:
        words = np.concatenate([words, words | 1 << bit])
    words = words[known[words] != 0]  # those that wiring cannot put there are none of them
    if not len(words):
        return 0, 0
    agree = int(np.bitwise_and.reduce(known[words]))
    agree &= ~int(np.bitwise_or.reduce(values[words]) ^ np.bitwise_and.reduce(values[words]))
    return int(values[words[0]]) & agree, agree


def _is_straight(arriving: Mapping[str, bool | int], high: bool) -> bool:
    """Whether address lines and R/W are those of the CPU; R/W is high there, or low."""
    return arriving.keys().isdisjoint(ADDRESS_LINES) and as_table(arriving["RW"]) == as_table(high)


def _levels(table: int) -> Bits:
    """Levels of a truth table, for each address."""
    bits = np.frombuffer(table.to_bytes(1 << 13, "little"), np.uint8)
    return np.unpackbits(bits, bitorder="little").astype(np.int64)


def _inverse(way: CpuData) -> tuple[Bits, Bits]:
    """For each byte on the lines the one that the CPU gave, and the bits of it that are told."""
    given = np.arange(256, dtype=np.int64)
    on_lines = np.frombuffer(way.gives.translate(way.lines), np.uint8).astype(np.int64)
    in_all, in_any = np.full(256, 0xFF, np.int64), np.zeros(256, np.int64)
    np.bitwise_and.at(in_all, on_lines, given)
    np.bitwise_or.at(in_any, on_lines, given)
    known = np.zeros(256, np.int64)
    known[on_lines] = (in_all | ~in_any & 0xFF)[on_lines]
    return in_all & known, known
