"""What a capture of the backplane says of the CPU's own pins, where wiring between the two makes lines odd.

A line that is held on the backplane says nothing of the CPU's pin; one that is inverted or exchanged says it another
way; of two that touch a high level says that both are high, and a low one nothing.
"""

from __future__ import annotations

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.conductors import CpuData, on_the_bus
from simkit.backplane.select import ADDRESS_LINES, address_bit, as_table
from simkit.machine.machine import Machine

Bits = NDArray[np.int64]
RW_BIT = 1 << 16
CONTROL = 0x1_FFFF


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
        words = np.arange(CONTROL + 1, dtype=np.int64)
        on_lines = words.copy()
        for high in (False, True):
            arriving = on_the_bus({"RW": high, "PHI2": True}, bus.wiring)
            half = on_lines[RW_BIT * high : RW_BIT * (high + 1)]
            for number, name in enumerate((*ADDRESS_LINES, "RW")):
                level = arriving.get(name, address_bit(number) if number < len(ADDRESS_LINES) else high)
                half &= ~(1 << number)
                half |= _levels(as_table(level)) << number
        data = bus.data_lines.cpu
        if (on_lines == words).all() and data is None:
            return None
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
        above = ~np.int64(CONTROL)
        return words & above | self.control[at] & known, masks & above | known

    def lines_at(self, words: Bits, masks: Bits) -> Bits:
        """Words on the backplane, R/W as its level; -1 where one is not known whole, or no word of the CPU gives it."""
        at = words & CONTROL
        whole = (masks & CONTROL == CONTROL) & (self.control_known[at] != 0)
        return np.where(whole, at, -1)

    def data_at(self, data: Bits, known: Bits, is_write: NDArray[np.bool_], last: int) -> tuple[Bits, Bits]:
        """Bytes that the CPU took or gave, and which bits of them are told.

        Args:
            data: on the backplane.
            known: bits of that.
            is_write: rows in which the CPU gives.
            last: the byte that it saw before the first row.
        """
        if self.data is None:
            return data, known
        way = self.data
        whole = known == 0xFF
        taken = np.frombuffer(way.takes, np.uint8).astype(np.int64)[data]
        if way.late:
            for row, byte in enumerate(taken.tolist()):
                if not is_write[row]:
                    byte = byte & ~way.late | last & way.late
                    taken[row] = byte
                last = byte
        value, told = _inverse(way)
        found = np.where(is_write, value[data], taken)
        return np.where(whole, found, 0), np.where(whole, np.where(is_write, told[data], 0xFF), 0)


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
