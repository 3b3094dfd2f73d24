"""What memories give back on the backplane, held against a capture that was taken there.

A memory that is read puts on the lines what was on them when the place was written, or read before: whatever the CPU
takes, and whether or not it is in step. Where lines of the CPU are wired the CPU model knows of no memory; here the
lines themselves show what it holds.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.decode import Plan
from simkit.backplane.seat import Seat
from simkit.capture.captured import Captured
from simkit.compare.rows import MOST_MISSING, cycle_numbers
from simkit.compare.told_signals import card_name
from simkit.machine.machine import Machine
from simkit.suspect.chance import is_more_than_chance
from simkit.suspect.reached import CONTROL, READ, Reached
from simkit.suspect.steadiness import WRONG_BITS

Bits = NDArray[np.int64]
MISREAD = 2
"""Cycles that may be why a read is not what the access before says: either of them."""
LINES = 8
_NOWHERE = -1


def not_given_back(machine: Machine, captured: Captured) -> tuple[list[int], str]:
    """Rows in which a memory does not give back what it holds, and the first in a sentence; none where it may be noise.

    Reads behind writes are counted apart from those behind reads: a pin that is open on reads shows in the former.
    """
    for seat, accesses, unseen in _memories(machine, captured):
        wrong = accesses.wrong(WRONG_BITS / len(captured.names), unseen / max(1, len(captured)))
        if len(wrong):
            return accesses.rows[wrong].tolist(), accesses.words(int(wrong[0]), captured, card_name(machine, seat.slot))
    return [], ""


def given_back_in(machine: Machine, captured: Captured, rows: Sequence[int]) -> dict[int, tuple[int, int, int]]:
    """What memories should give back in some rows.

    Returns:
        By row the byte, the bits of it that are told, and the slot; rows in which no memory is read that was reached
        before are left out.
    """
    found: dict[int, tuple[int, int, int]] = {}
    for seat, accesses, _ in _memories(machine, captured):
        for at in np.flatnonzero(np.isin(accesses.rows, rows) & accesses.follows).tolist():
            told = int(accesses.driven[at] & accesses.told[at - 1])
            found[int(accesses.rows[at])] = int(accesses.shown[at - 1]), told, seat.slot
    return found


def _memories(machine: Machine, captured: Captured) -> Iterator[tuple[Seat, _Accesses, int]]:
    """Memories with their accesses, and cycles of which nobody knows what they did; none where nothing can be told."""
    reached = Reached(machine)
    if not (reached.can_be_told and reached.tells_writes):
        return
    control, known = captured.gathered(CONTROL)
    whole = known == np.uint64(2 * READ - 1)
    words, number = np.unique(control[whole].astype(np.int64), return_inverse=True)
    plans = [reached.at(word) for word in words.tolist()]
    missing = np.diff(cycle_numbers(captured), prepend=-1) - 1
    is_cut = captured.lost & ((missing == 0) | (missing > MOST_MISSING))  # so many may be writes that nobody saw
    part, unseen = np.cumsum(is_cut), int(missing[~is_cut].sum()) + int((~whole).sum())
    for seat in machine.bus.seats:
        if seat.plain is None or None in (seat.plain.read, seat.plain.write) or seat.slot in machine.bus.reach.hidden:
            continue
        own = np.array([_reached_in(machine, seat, *plan) if plan else (_NOWHERE, 0, 0) for plan in plans], np.int64)
        yield (
            seat,
            _Accesses.of(machine, seat, captured, np.flatnonzero(whole), own.reshape(-1, 3)[number], part),
            unseen,
        )


def _reached_in(machine: Machine, seat: Seat, plan: Plan, is_read: bool) -> tuple[int, int, int]:
    """Place in a memory that an access reaches, data lines that it drives there alone, and whether it takes them."""
    place, driven, takes = _NOWHERE, 0, 0
    for one, offset, mask in plan.drivers:
        if one is seat:
            cpu = machine.bus.data_lines.cpu
            floats = mask != 0xFF and cpu is not None  # lines that touch float together
            place, driven = offset, mask if is_read and len(plan.drivers) == 1 and not floats else 0
    for one, offset in plan.takers:
        if one is seat:
            place, takes = offset, 1
    if not (driven or takes):  # nothing is told of what it holds, which stays as it is
        place = _NOWHERE
    return place, driven, takes


@attrs.frozen(eq=False)
class _Accesses:
    """Accesses of a memory in a capture, place by place, each in order; arrays of shape (n,).

    Attributes:
        rows: of the capture.
        follows: whether it follows another one of the same place, with no unknown number of cycles between.
        is_write: whether the memory took what was on the lines.
        given: levels on the data lines.
        driven: bits of these that are known and that it drove.
        shown: levels that it will put there when it is read next, by this access.
        told: bits of these that it tells.
    """

    rows: Bits
    follows: NDArray[np.bool_]
    is_write: NDArray[np.bool_]
    given: Bits
    driven: Bits
    shown: Bits
    told: Bits

    @classmethod
    def of(
        cls, machine: Machine, seat: Seat, captured: Captured, rows: Bits, own: Bits, part: NDArray[np.int64]
    ) -> _Accesses:
        """Of rows with what `_reached_in` gave for each; `part` of the capture grows where cycles are lost."""
        order = np.lexsort((rows, own[:, 0]))
        order = order[own[order, 0] != _NOWHERE]
        rows, (place, driven, takes) = rows[order], own[order].T
        data, known = (one[rows].astype(np.int64) for one in captured.data)
        back = np.array([_back(machine, seat, byte) for byte in range(256)], np.int64)
        is_write, driven = takes != 0, driven & known
        follows = np.zeros(len(rows), bool)
        follows[1:] = (place[1:] == place[:-1]) & (part[rows[1:]] == part[rows[:-1]])
        told = np.where(is_write, np.where(known == 0xFF, 0xFF, 0), driven)
        return cls(rows, follows, is_write, data, driven, np.where(is_write, back[data], data), told)

    def wrong(self, rate: float, unseen: float) -> Bits:
        """Which are reads that do not give what the access before says, in order of rows; none where noise may be why.

        Where it is the same one line again and again, fewer are enough: an address that is misread makes it seldom so.

        Args:
            rate: of cycles in which some line is misread.
            unseen: cycles of which nobody knows what they did, of all.
        """
        number = np.arange(len(self.rows))
        before = np.maximum(number - 1, 0)
        told = np.where(self.follows, self.driven & self.told[before], 0)
        apart = (self.given ^ self.shown[before]) & told
        # Of two in a row the one between may have been misread: that is one reason for both.
        apart[(number - np.maximum.accumulate(np.where(apart != 0, 0, number))) % 2 == 0] = 0
        often = np.bincount(self.given, minlength=256) / max(1, len(self.given))
        changes = (self.given ^ self.shown[before])[self.follows & self.is_write]
        changes = changes[changes != 0]
        for of_writes in (True, False):
            pairs = (told != 0) & (self.is_write[before] == of_writes)
            count, missed = MISREAD * int(pairs.sum()), unseen * int(self.is_write.sum())
            found = pairs & (apart != 0)
            is_fault = is_more_than_chance(int(found.sum()), count * rate * (len(CONTROL) + LINES) + missed)
            for line in (1 << bit for bit in range(LINES)):
                # How often that line alone tells two bytes apart: of the memory by chance, or one after the other of
                # a place, such as return addresses of two calls, where the write between was not seen.
                alike = float(often @ often[np.arange(256) ^ line])
                alike = max(alike, (1 + int((changes == line).sum())) / (1 + len(changes)))
                alone = int((pairs & (apart == line)).sum())
                noise = count * rate * (1 + len(CONTROL) * alike) + missed * alike
                is_fault |= is_more_than_chance(alone, noise, LINES)
            if is_fault:
                rows = np.flatnonzero(found)
                return rows[np.argsort(self.rows[rows])]
        return np.zeros(0, np.int64)

    def words(self, at: int, captured: Captured, card: str) -> str:
        """What is wrong with one of them."""
        row, before = int(self.rows[at]), int(self.rows[at - 1])
        address = int(captured.address[0][row])
        held = f"holds ${int(self.shown[at - 1]):02X} since cycle {before}; ${int(self.given[at]):02X} was there."
        return f"in cycle {row} of the capture: At ${address:04X} {card} {held}"


def _back(machine: Machine, seat: Seat, byte: int) -> int:
    """What a memory puts on the backplane when it is read, once a byte was there as it was written."""
    pins = seat.data
    if pins is not None:
        byte = pins.gives[pins.takes[byte]]
    cpu = machine.bus.data_lines.cpu
    return byte if cpu is None else cpu.lines[byte]
