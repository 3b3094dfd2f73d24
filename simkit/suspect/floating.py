"""Lines that nobody drives: what a machine leaves on them, held against a capture.

Where no card answers a read, or a pin is open, the lines hold what was on them in the cycle before, or are pulled
(`open_bus` of the machine). On a real bus that is less sure than what a card drives, so whoever does not fit here is
not refuted; but a candidate that says nothing of a line is no better explanation than one that says what came.
"""

from __future__ import annotations

import attrs
import numpy as np

from simkit.backplane.wiring import DATA_LINES
from simkit.compare.judged import LINES, Led
from simkit.machine.machine import Machine
from simkit.suspect.chance import is_more_than_noise

_DATA = LINES.index(DATA_LINES[0])
_READ = np.uint64(1 << LINES.index("RW"))
_ADDRESS, _BYTE = np.uint64(0xFFFF), np.uint64(0xFF)


@attrs.frozen
class Floating:
    """What a capture shows on lines that nobody drives.

    Attributes:
        told: part of the levels of data lines that follow from the cycle before.
        words: how they are otherwise than they should be, in a sentence; "" where they are not.
    """

    told: float
    words: str

    @classmethod
    def of(cls, machine: Machine, found: Led) -> Floating:
        """Of a capture that a machine's CPU was led by."""
        bus = machine.bus
        if bus.reach.banks.lines or bus.data_lines.cpu is not None or len(found) < 2:
            return cls(0.0, "")  # who is reached, or what the CPU leaves on the lines, is not told by the capture alone
        read = (found.known & found.levels & _READ != 0) & (found.known & _ADDRESS == _ADDRESS)
        addresses, number = np.unique((found.levels & _ADDRESS)[read], return_inverse=True)
        undriven = np.zeros(len(found), np.uint8)
        undriven[read] = np.array([_undriven(machine, address) for address in addresses.tolist()], np.uint8)[number]
        undriven[0] = 0
        undriven[found.captured.lost[: len(found)]] = 0
        seen = (found.seen >> np.uint64(_DATA) & _BYTE).astype(np.uint8)
        known = (found.seen_known >> np.uint64(_DATA) & _BYTE).astype(np.uint8)
        undriven[1:] &= known[1:] & known[:-1]
        before = np.concatenate((seen[:1], seen[:-1]))
        apart = ((before & bus.data_lines.keeps | bus.data_lines.pulled) ^ seen) & undriven
        rows = np.flatnonzero(apart)
        told = float(np.unpackbits(undriven).mean())
        if not is_more_than_noise(len(rows), 2 * int((undriven != 0).sum())):
            return cls(told, "")
        address = int(found.levels[rows[0]] & _ADDRESS)
        where = f"first in cycle {rows[0]} of the capture, at ${address:04X}"
        return cls(told, f"in {len(rows)} cycles lines that nobody would drive do not keep what was on them, {where}")


def _undriven(machine: Machine, address: int) -> int:
    """Bits that nobody drives in a read, and that are those of the cycle before or pulled."""
    table = machine.bus.reach.table
    drivers = table.read_plan(address).drivers
    if not drivers:
        return 0xFF
    given = table.given_of(drivers[0][0]) if len(drivers) == 1 and drivers[0][0].plain is not None else None
    return 0 if given is None else given.keeps
