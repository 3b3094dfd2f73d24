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
        self, data: Bits, known: Bits, words: Bits, lost: NDArray[np.bool_], last: tuple[int, int]
    ) -> tuple[Bits, Bits]:
        """Bytes that the CPU took or gave, and which bits of them are told.

        Args:
            data: on the backplane.
            known: bits of that.
            words: at the CPU, R/W as its level above the address; 0 in bits that are not known.
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
        if way.late:
            before, before_known = last
            for row in range(len(data)):
                if not is_write[row]:
                    if lost[row] or not before_known & way.late:
                        before, before_known = _kept(found, words, is_write, row, way.late)
                    found[row] = found[row] & ~way.late | before & way.late
                    found_known[row] = found_known[row] & ~way.late | before_known & way.late
                before, before_known = int(found[row]), int(found_known[row])
        return found, found_known


def _kept(data: Bits, words: Bits, is_write: NDArray[np.bool_], row: int, late: int) -> tuple[int, int]:
    """What late lines keep from a row on, up to the next write: addresses that the CPU makes of bytes show it."""
    writes = np.flatnonzero(is_write[row : row + MOST_KEPT])
    end = row + (int(writes[0]) if len(writes) else MOST_KEPT)
    byte, address = data[row:end] & ~late, words[row : end + 2] & 0xFFFF
    shown = list[int]()
    zero_page = address[1 : len(byte) + 1]
    here = byte[: len(zero_page)]
    shown += (zero_page & 0xFF)[(zero_page < 0x100) & ((zero_page & ~late) == here)].tolist()
    whole = address[2 : len(byte) + 1]
    low, high = byte[: len(whole)], byte[1 : len(whole) + 1]
    fits = (whole & 0xFF & ~late == low) & (whole >> 8 & ~late == high)
    shown += (whole & 0xFF)[fits].tolist() + (whole >> 8)[fits].tolist()
    if not shown:
        return 0, 0
    levels = np.array(shown, np.int64)
    bits = [bit for bit in range(8) if late >> bit & 1]
    high_in = {bit: int((levels >> bit & 1).sum()) for bit in bits}
    return (
        sum(1 << bit for bit in bits if 2 * high_in[bit] > len(levels)),
        sum(1 << bit for bit in bits if 2 * high_in[bit] != len(levels)),
    )


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
