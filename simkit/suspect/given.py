"""What ROMs give to the backplane, held against a capture that was taken there.

The CPU model goes by what the CPU takes. A line that is late or open at the CPU alone hides from it what the card had
on that line; and where one byte alone is wrong, it cannot say that noise was not why. The lines themselves show both.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simkit.capture.captured import Captured
from simkit.compare.led_cpu import RESET_VECTOR
from simkit.compare.told_signals import card_name
from simkit.machine.machine import Machine
from simkit.suspect.chance import is_more_than_chance, is_more_than_noise
from simkit.suspect.given_back import not_given_back
from simkit.suspect.reached import CONTROL, READ, Reached
from simkit.suspect.selected import not_selected
from simkit.suspect.steadiness import WRONG_BITS

_NOBODY = -1
Bits = NDArray[np.int64]


class Given:
    """What the ROMs of a machine put on the backplane, by the word on its address lines and R/W.

    Args:
        machine: with the fault in it.
    """

    def __init__(self, machine: Machine) -> None:
        self._reached = Reached(machine)
        self._cpu, self._hidden = machine.bus.data_lines.cpu, machine.bus.reach.hidden
        self._found: dict[int, tuple[int, int, int]] = {}

    @property
    def can_be_told(self) -> bool:
        """Whether the address alone says who answers."""
        return self._reached.can_be_told

    def at(self, word: int) -> tuple[int, int, int]:
        """Byte that stands there when a word does, the bits of it that are told, and the slot; 0, 0, -1: no ROM's."""
        if word not in self._found:
            self._found[word] = self._at(word)
        return self._found[word]

    def _at(self, word: int) -> tuple[int, int, int]:
        untold = 0, 0, _NOBODY
        plan, is_read = self._reached.at(word) or (None, False)
        if plan is None or not is_read or len(plan.drivers) != 1:
            return untold
        seat, offset, mask = plan.drivers[0]
        plain = seat.plain
        if plain is None or plain.read is None or not plain.ignores_writes or seat.slot in self._hidden:
            return untold
        byte, driven = plain.read[offset], mask
        if seat.data is not None:
            byte, driven = seat.data.gives[byte], mask & seat.data.drives[0xFF]
        if self._cpu is not None:
            if driven != 0xFF:  # lines that touch float together
                return untold
            byte = self._cpu.lines[byte]
        return byte, driven, seat.slot


def apart_on_the_lines(machine: Machine, captured: Captured) -> tuple[list[int], str]:
    """Rows in which the lines have something else than a ROM, a memory or a decoder gives, and the first in a sentence.

    No rows where noise may be why.
    """
    asked = (check(machine, captured) for check in (_apart_from_roms, not_given_back, not_selected))
    return next((found for found in asked if found[0]), ([], ""))


def _apart_from_roms(machine: Machine, captured: Captured) -> tuple[list[int], str]:
    """The same of ROMs.

    No rows where noise may be why: of one line in a row, up to a share of them; of several, where it may be the address
    that was misread.
    """
    given = Given(machine)
    if not given.can_be_told:
        return [], ""
    control, control_known = captured.gathered(CONTROL)
    data, data_known = captured.data
    rows = np.flatnonzero((control_known == np.uint64(2 * READ - 1)) & (control & np.uint64(READ) != 0))
    words, number = np.unique(control[rows].astype(np.int64), return_inverse=True)
    put = np.array([given.at(word) for word in words.tolist()], np.int64).reshape(-1, 3)[number]
    of_rom = put[:, 2] != _NOBODY
    rows, put = rows[of_rom], put[of_rom]
    apart = (put[:, 0] ^ data[rows]) & data_known[rows] & put[:, 1]
    found = wrong = np.flatnonzero(apart)
    often = len(wrong)
    if machine.bus.data_lines.cpu is not None:  # of one line in a row it may be the address that was misread, too
        looked, behind = wrong[:LOOKED_AT], wrong[LOOKED_AT:]
        own = looked[~_are_misread(given, control, data, rows[looked])]
        found = np.concatenate((own, behind))
        often = often * len(own) // max(1, len(looked))
    if machine.bus.data_lines.cpu is None or not is_more_than_noise(often, len(rows)):
        # What the CPU takes as it is on the lines is the CPU model's to tell, but for what no misreading makes.
        several = np.flatnonzero(apart & apart - 1)
        found = several[_are_reset(control, rows[several])]
        if not len(found):
            found = several[:LOOKED_AT]
            found = found[~_are_misread(given, control, data, rows[found])]
            if not _are_no_noise(control, rows[found], captured):
                return [], ""
    row, byte, slot = int(rows[found[0]]), int(put[found[0], 0]), int(put[found[0], 2])
    gives = f"At ${int(control[row]) & READ - 1:04X} {card_name(machine, slot)} puts ${byte:02X} on the backplane"
    return rows[found].tolist(), f"in cycle {row} of the capture: {gives}; ${int(data[row]):02X} was there."


AROUND, BESIDE = 8, 2
"""Rows round one, and how near an address must be to one of theirs for the CPU to be there. Ours."""
OFTEN = 2
"""Times that an access comes elsewhere, at least, for a row to be that one with a line misread. Ours."""
LOOKED_AT = 200
"""Rows in which several lines are wrong that are looked at: of more the first ones tell enough. Ours."""


def _are_reset(control: NDArray[np.uint64], rows: Bits) -> NDArray[np.bool_]:
    """Which rows are RESET's vector, where both of its bytes are among them: two addresses misread in a row are not."""
    found = np.zeros(len(rows), bool)
    low = (control[rows] == np.uint64(READ | RESET_VECTOR)) & np.isin(rows + 1, rows)
    found[low] = True
    found[np.isin(rows - 1, rows[low])] = True
    return found


def _are_no_noise(control: NDArray[np.uint64], several: Bits, captured: Captured) -> bool:
    """Whether rows in which several lines are wrong are too many, twice at one address, or next to one another.

    A word that comes but once, with its address misread, makes such a row here and there.
    """
    if is_more_than_chance(len(several), len(captured) * WRONG_BITS / len(captured.names)):
        return True
    return bool(np.isin(several + 1, several).any()) or len(np.unique(control[several])) < len(several)


def _are_misread(given: Given, control: NDArray[np.uint64], data: NDArray[np.uint8], rows: Bits) -> NDArray[np.bool_]:
    """Which rows may be others of which one line of the address, or R/W, is wrong: what came can stand there.

    What no ROM gives may be any byte; the CPU must have been there at that time, or often.
    """
    found = np.zeros(len(rows), bool)
    words, times = np.unique(control, return_counts=True)
    often = set(words[times >= OFTEN].tolist())
    address = (control & np.uint64(READ - 1)).astype(np.int64)
    for at, row in enumerate(rows.tolist()):
        word, came = int(control[row]), int(data[row])
        around = address[max(0, row - AROUND) : row + AROUND + 1].tolist()
        found[at] = word & ~READ in often or any(
            not (byte ^ came) & told
            if slot != _NOBODY
            else other in often or any(abs(near - (other & ~READ)) <= BESIDE for near in around)
            for other in (word ^ 1 << bit for bit in range(READ.bit_length() - 1))
            for byte, told, slot in (given.at(other),)
        )
    return found
