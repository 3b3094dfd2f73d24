"""Lines that nobody drives: what a machine leaves on them, held against a capture.

Where no card answers a read, or a pin is open, the lines hold what was on them in the cycle before, or are pulled
(`open_bus` of the machine). On a real bus that is less sure than what a card drives, so whoever does not fit here is
not refuted for that alone; but a candidate that says nothing of a line is no better explanation than one that says what
came. It is refuted where the line plainly goes by the address (`driven.py`): somebody drives it. A pin that drives its
line too late has left it alone until the CPU took what was there; where it goes up and down, nobody is late.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import reduce
from operator import or_

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.decode import Plan
from simkit.backplane.wiring import DATA_LINES
from simkit.compare.followed import Difference
from simkit.compare.judged import LINES, Led
from simkit.compare.told_signals import card_name
from simkit.machine.machine import Machine
from simkit.suspect.chance import is_more_than_noise
from simkit.suspect.driven import Accesses, driven
from simkit.suspect.given import Given

_DATA = LINES.index(DATA_LINES[0])
_READ = np.uint64(1 << LINES.index("RW"))
_ADDRESS, _BYTE = np.uint64(0xFFFF), np.uint64(0xFF)
_NOWHERE = -1
LONGEST = 8
"""Bus cycles of the longest instruction (W65C02S data sheet, table 5-7: seven, and one more across a page)."""

Bytes = NDArray[np.uint8]


@attrs.frozen
class Floating:
    """What a capture shows on lines that nobody drives.

    Attributes:
        told: part of the levels of data lines that follow from the cycle before.
        words: how they are otherwise than they should be, in a sentence; "" where they are not.
        driven: rows in which they are otherwise, where somebody must drive them; empty where it need not be so.
    """

    told: float
    words: str
    driven: list[int] = attrs.field(factory=list)

    @classmethod
    def of(cls, machine: Machine, found: Led, roms: Given) -> Floating:
        """Of a capture that a machine's CPU was led by; `roms` are those of the machine without a fault."""
        if not _is_followed_by_address_alone(machine) or len(found) < 2:
            return cls(0.0, "")
        accesses, late = _accesses(machine, found, roms)
        told = float(np.unpackbits(accesses.undriven).mean())
        rows, why = _driven(machine, accesses, late)
        if rows:
            return cls(told, why, rows)
        apart = np.flatnonzero((accesses.before ^ accesses.data) & accesses.undriven)
        if not is_more_than_noise(len(apart), 2 * int((accesses.undriven != 0).sum())):
            return cls(told, "")
        where = f"first in cycle {apart[0]} of the capture, at ${int(accesses.address[apart[0]]):04X}"
        return cls(told, f"in {len(apart)} cycles lines that nobody would drive do not keep what was on them, {where}")


def but_for_misread(machine: Machine, found: Led, left: Sequence[Difference], roms: Given) -> list[Difference]:
    """What is left, without what one misread bit makes where the CPU takes what is kept on lines that nobody drives.

    The CPU model has no card that tells the byte, and goes by the captured one. That excuses nothing where the lines do
    not keep their levels but for noise.
    """
    if not left or not _is_followed_by_address_alone(machine):
        return list(left)
    accesses, _ = _accesses(machine, found, roms)
    apart = (accesses.before ^ accesses.data) & accesses.undriven
    if is_more_than_noise(int((apart != 0).sum()), 2 * int((accesses.undriven != 0).sum())):
        return list(left)
    misread = (apart != 0) & (apart & (apart - 1) == 0)
    return [one for one in left if not misread[max(0, one.row - LONGEST) : one.row].any()]


def _driven(machine: Machine, accesses: Accesses, late: Bytes) -> tuple[list[int], str]:
    """Rows in which somebody must drive a line that nobody would, and the first in a sentence."""
    for line, name in enumerate(DATA_LINES):
        if rows := _leaves_both_ways(accesses, late, line):
            why = f"{_card(machine, accesses, rows[0])} would drive {name} too late to move it both up and down"
            return rows, f"{_in_cycle(accesses, rows[0], line)}; {why}"
    line, rows = driven(accesses)
    if not rows:
        return [], ""
    why = f"{len(rows)} times it leaves its level by the address, though {_nobody(machine, accesses, rows[0])}"
    return rows, f"{_in_cycle(accesses, rows[0], line)}; {why} would drive it"


def _is_followed_by_address_alone(machine: Machine) -> bool:
    """Whether the capture alone tells who is reached, and what the CPU leaves on the lines."""
    return not machine.bus.reach.banks.lines and machine.bus.data_lines.cpu is None


def _accesses(machine: Machine, found: Led, roms: Given) -> tuple[Accesses, Bytes]:
    """Bus cycles in which the CPU is in step; and which of the undriven bits are driven too late."""
    bus = machine.bus
    is_known = found.known & _ADDRESS == _ADDRESS
    address = np.where(is_known, (found.levels & _ADDRESS).astype(np.int64), _NOWHERE)
    reads = np.flatnonzero(is_known & (found.known & found.levels & _READ != 0))
    each, number = np.unique(address[reads], return_inverse=True)
    plans = [bus.reach.table.read_plan(one) for one in each.tolist()]
    undriven, late = np.zeros((2, len(found)), np.uint8)
    undriven[reads] = np.array([_undriven(plan) for plan in plans], np.uint8)[number]
    late[reads] = np.array([_late(plan) for plan in plans], np.uint8)[number]
    held = np.full(len(found), _NOWHERE)
    held[reads] = np.array([_held(roms, one) for one in each.tolist()], np.int64)[number]
    undriven[0] = 0
    undriven[found.captured.lost[: len(found)]] = 0
    seen = (found.seen >> np.uint64(_DATA) & _BYTE).astype(np.uint8)
    known = (found.seen_known >> np.uint64(_DATA) & _BYTE).astype(np.uint8)
    undriven[1:] &= known[1:] & known[:-1]
    before = np.concatenate((seen[:1], seen[:-1])) & bus.data_lines.keeps | bus.data_lines.pulled
    return Accesses(address, seen, known, before.astype(np.uint8), undriven, held), late


def _leaves_both_ways(of: Accesses, late: Bytes, line: int) -> list[int]:
    """Rows in which a line that is driven too late is not as it was; none where noise, or a pull, may be why."""
    there = (of.undriven & late) >> line & 1 != 0
    left = there & ((of.before ^ of.data) >> line & 1 != 0)
    ups = int((left & (of.data >> line & 1 != 0)).sum())
    rows = np.flatnonzero(left)
    fewest = min(ups, len(rows) - ups)
    return rows.tolist() if is_more_than_noise(fewest, int(there.sum())) else []


def _undriven(plan: Plan) -> int:
    """Bits that nobody drives in a read, or too late."""
    return 0xFF & ~reduce(or_, (mask for _, _, mask in plan.drivers), 0)


def _late(plan: Plan) -> int:
    """Bits that a card drives too late."""
    return reduce(or_, (seat.data.late for seat, _, _ in plan.drivers if seat.data is not None), 0)


def _held(roms: Given, address: int) -> int:
    """Byte of a ROM at an address; -1 where there is none."""
    byte, told, _ = roms.at((1 << 16) | address)
    return byte if told == 0xFF else _NOWHERE


def _card(machine: Machine, accesses: Accesses, row: int) -> str:
    """Who is read in a row, as the machine has it."""
    drivers = machine.bus.reach.table.read_plan(int(accesses.address[row])).drivers
    return " and ".join(card_name(machine, seat.slot) for seat, _, _ in drivers)


def _nobody(machine: Machine, accesses: Accesses, row: int) -> str:
    """Who does not drive a line in a row."""
    card = _card(machine, accesses, row)
    return f"neither {card} nor another card" if card else "no card"


def _in_cycle(accesses: Accesses, row: int, line: int) -> str:
    """How a line leaves its level in a row."""
    goes = "high" if accesses.data[row] >> line & 1 else "low"
    return f"in cycle {row} of the capture: {DATA_LINES[line]} goes {goes} in a read at ${accesses.address[row]:04X}"
