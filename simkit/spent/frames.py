"""Frames of a screen in which the program did not come round.

A frame is missed when the program has not been where it should come in each frame, between the end of the frame before
and its own: at a label that it passes each time round, or, where none is named, at the status of the screen's card. The
flag that a frame has ended, or the request that goes with it, then came while the one before was not served yet. The
status is what the card's table says: a register with named bits whose read has an effect. Frames do not count before
the one in which the program comes there for the second time: up to then it sets itself up.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simkit.backplane.cycle import Kind
from simkit.machine.machine import Machine
from simkit.machine.views import Screen
from simkit.records.cycles import Cycles, kinds
from simkit.spent.figures import Frames

_READS = (np.uint8(Kind.DATA), np.uint8(Kind.DUMMY))


class FrameCount:
    """Counts the frames of one screen.

    Args:
        machine: it is on.
        screen: of a card.
    """

    def __init__(self, machine: Machine, screen: Screen) -> None:
        self.slot = screen.slot
        self._screen = screen
        self._ends: list[int] = []
        self._ended = self._missed = 0
        self.go_on(machine)

    def go_on(self, machine: Machine) -> None:
        """Frames are counted from now on, the first from its beginning."""
        self._ends.clear()
        self._seen = self._screen.port.frames(machine.cycle)
        self._here = self._main_here = False
        self._times = self._by_main = 0

    def event(self, cycle: int) -> None:
        """An event of the card is due: a frame may have ended."""
        frames = self._screen.port.frames(cycle)
        if frames != self._seen:
            self._seen = frames
            self._ends.append(cycle)

    def add(self, came: NDArray[np.int64], by_main: NDArray[np.int64], end: int) -> None:
        """All up to cycle `end` is known.

        Args:
            came: cycles in which the program was where it should come, rising.
            by_main: those of them in which no handler was under way.
            end: of what is known.
        """
        done = main_done = 0
        while self._ends and self._ends[0] < end:
            frame_end = self._ends.pop(0)
            until, main_until = int(np.searchsorted(came, frame_end)), int(np.searchsorted(by_main, frame_end))
            came_round = self._here or until > done
            self._by_main += self._main_here or main_until > main_done
            self._main_here, main_done = False, main_until
            self._ended += 1
            self._missed += self._times > 1 and not came_round
            self._times += came_round
            self._here, done = False, until
        self._here |= done < len(came)
        self._main_here |= main_done < len(by_main)

    def found(self) -> Frames:
        """What was counted."""
        return Frames(self.slot, self._ended, self._missed, self._times > 1, self._by_main * 2 >= self._times)


class StatusReads:
    """Finds reads of the status of one card.

    Args:
        machine: it is on.
        slot: of the card.
    """

    def __init__(self, machine: Machine, slot: int) -> None:
        self._banks = machine.bus.reach.banks
        seat = next(seat for seat in machine.bus.seats if seat.slot == slot)
        self._slot = slot
        self._offsets = {one.offset for one in seat.registers if one.bits and one.read_effect}
        self._remade = self._banks.remade
        self._tables: dict[int, tuple[NDArray[np.bool_], NDArray[np.bool_]]] = {}

    def among(self, accesses: Cycles, decoding: int | NDArray[np.int64]) -> NDArray[np.intp]:
        """Which of some bus cycles are; `decoding` is the number of the decoding in all, or in each."""
        if self._banks.remade != self._remade:  # wiring changed
            self._remade = self._banks.remade
            self._tables.clear()
        kind = kinds(accesses.words)
        reads = np.flatnonzero((kind == _READS[0]) | (kind == _READS[1]))
        address = accesses.address[reads]
        if isinstance(decoding, int):
            return reads[self._table(decoding, address)[address]]
        decoding, found = decoding[reads], np.zeros(len(reads), bool)
        for number in sorted(set(decoding.tolist())):
            here = decoding == number
            found |= here & self._table(number, address[here])[address]
        return reads[found]

    def _table(self, number: int, addresses: NDArray[np.uint16]) -> NDArray[np.bool_]:
        """Of all addresses, whether a read reaches the status; known of these."""
        if number not in self._tables:
            self._tables[number] = (np.zeros(0x1_0000, bool), np.zeros(0x1_0000, bool))
        known, status = self._tables[number]
        met = np.zeros(0x1_0000, bool)
        met[addresses] = True
        table = self._banks.table(number)
        for address in np.flatnonzero(met & ~known).tolist():
            drivers = table.read_plan(address).drivers
            status[address] = any(seat.slot == self._slot and offset in self._offsets for seat, offset, *_ in drivers)
        known |= met
        return status
