"""A CPU that lets go of the bus when chance has it, as with BE open: what stands on the lines then, and for how long.

No card answers in such a cycle, and the data lines keep what was on them. In our model an open pin stays as it is for
FLOATS_FOR cycles (no sheet says for how long); memory that does not answer between two cycles nearer than that in which
some does has another reason, and where it answers all the time the CPU never let go.
"""

from __future__ import annotations

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.wiring import DATA_LINES, Done
from simkit.capture.captured import Captured
from simkit.compare.heard import SEVERAL
from simkit.compare.judged import LINES, Led, led
from simkit.compare.pins import rom_content
from simkit.compare.rows import cycle_numbers
from simkit.cpu.reference.cpu_lines import FLOATS_FOR, FLOATS_LOW
from simkit.machine.machine import Machine
from simkit.suspect.chance import is_more_than_chance, is_more_than_noise
from simkit.suspect.floating import LONGEST, but_for_misread
from simkit.suspect.given import Given
from simkit.suspect.left_over import LeftOver, apart, astray, in_step_of, instructions, is_much, most_untold, told
from simkit.suspect.reached import CONTROL, READ

CERTAIN = 3
"""Lines in which a byte must differ from the one before to be told from it, where one of each row may be misread.
Ours."""
_DATA = np.uint64(LINES.index(DATA_LINES[0]))
_READ, _BYTE = np.uint64(1 << LINES.index("RW")), np.uint64(0xFF)


LETS_GO = "BE"
"""Pin that takes the CPU off the bus (W65C02S data sheet, section 3)."""


@attrs.frozen
class Silences:
    """Cycles in which memory does not answer.

    Attributes:
        short: rows of those between which and the cycles round them in which some does are too few cycles for BE.
        long: the others, which may be BE's.
    """

    short: list[int]
    long: list[int]

    @classmethod
    def of(cls, found: Led, roms: Given) -> Silences:
        """Of a capture that the CPU of the machine without a fault was led by, and the ROMs of that machine."""
        captured = found.captured
        rows, put, came, before = _reads(found)
        does = _lines(put ^ came) < SEVERAL
        answers = rows[does & (_lines(put ^ before) >= CERTAIN)]
        places = (found.levels[rows] & np.uint64(2 * READ - 1)).astype(np.int64)
        is_rom = np.isin(places, [word for word in np.unique(places).tolist() if roms.at(word)[1]])
        is_held = is_rom | _again(places, does)
        keeps = ~does & is_held & (_lines(came ^ before) < SEVERAL)
        words, known = captured.gathered(CONTROL)
        keeps &= known[rows] == np.uint64(2 * READ - 1)
        silences = zip(words[rows[keeps]].tolist(), came[keeps].tolist(), strict=True)
        are_misread = [_is_misread(roms, word, byte) for word, byte in silences]
        silent = rows[keeps][~np.array(are_misread, bool)]
        begins = np.r_[-1, answers][np.searchsorted(answers, silent)]
        ends = np.r_[answers, len(captured)][np.searchsorted(answers, silent)]
        missing = np.r_[0, np.cumsum(captured.lost)]
        is_whole = (begins >= 0) & (ends < len(captured)) & (missing[ends] == missing[np.maximum(begins, 0)])
        is_short = is_whole & (ends - begins <= FLOATS_FOR)
        return cls(silent[is_short].tolist(), silent[~is_short].tolist())


def _lines(bits: NDArray[np.int64]) -> NDArray[np.int64]:
    return np.bitwise_count(bits).astype(np.int64)


def _reads(found: Led) -> tuple[NDArray[np.int64], ...]:
    """Rows in which memory is read, what it gives, what was there, and what was there in the row before."""
    captured = found.captured
    data, data_known = captured.data
    is_told = (found.known >> _DATA & _BYTE == _BYTE) & (found.known & found.levels & _READ != 0)
    is_whole = data_known == 0xFF
    rows = np.flatnonzero(is_told & is_whole & np.r_[False, is_whole[:-1]] & ~captured.lost)
    gives = (found.levels[rows] >> _DATA & _BYTE).astype(np.int64)
    return rows, gives, data[rows].astype(np.int64), data[rows - 1].astype(np.int64)


def _again(places: NDArray[np.int64], does: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which reads stand between two of the same place in which memory gave what it holds.

    What was written there while the CPU let go nobody knows.
    """
    order = np.argsort(places, kind="stable")
    place, gave = places[order], does[order]
    before = np.r_[False, gave[:-1] & (place[1:] == place[:-1])]
    behind = np.r_[gave[1:] & (place[1:] == place[:-1]), False]
    found = np.zeros(len(places), bool)
    found[order] = before & behind
    return found


def _is_misread(roms: Given, word: int, came: int) -> bool:
    """Whether what came stands at an address of which one line is another."""
    around = (roms.at(word ^ 1 << bit) for bit in range(READ.bit_length()))
    return any(told and not (byte ^ came) & told for byte, told, _ in around)


def left_by_letting_go(machine: Machine, captured: Captured, roms: Given, sound: LeftOver) -> LeftOver:
    """What a CPU leaves that lets go of the bus whenever chance has BE low.

    No card answers in such a cycle, and the data lines keep what was on them; a write is not heard. So a ROM's byte
    comes, or that of the cycle before; of other cards nothing can be said, and the CPU goes on as it does. Where it
    never lets go for long enough it is as one without a fault.

    Args:
        machine: without a fault.
        captured: the capture.
        roms: of the machine.
        sound: what the machine leaves of the capture.
    """
    found = led(machine, captured)  # to its end: what it reads differs often
    silences = Silences.of(found, roms)
    if apart(silences.short) > 1:
        row = silences.short[0]
        words = f"in cycle {row} of the capture memory does not answer; BE would be low for more than so few cycles"
        return LeftOver(len(silences.short), words, row, 0.0)
    if not silences.long:
        return sound
    cycles = cycle_numbers(captured)
    often = _at_least_so_often(cycles[silences.long])
    if is_more_than_chance(often, FLOATS_LOW * (int(cycles[-1]) / FLOATS_FOR + 1)):
        words = (
            f"memory does not answer in {len(silences.long)} cycles, far apart; in our model an open BE is low now and "
            "then, and this would be BE low nearly always"
        )
        return LeftOver(len(silences.long), words, silences.long[0], 0.0)
    if left_holding := _left_where_it_holds_on(machine, found, roms):
        return left_holding
    data, _ = captured.data
    slots = {seat.slot for seat in machine.bus.seats if rom_content(machine, seat.slot) is not None}
    behind = {one.row + at for one in found.differences if one.data for at in range(1, LONGEST + 1)}
    own = [  # behind a byte that is another, where the CPU goes hangs on it
        one for one in found.disagreements if (one.row not in behind if one.control else one.slot in slots)
    ]
    before = {one.row: int(data[max(0, one.row - 1)]) for one in own}
    left = [one for one in own if one.control or one.captured != before[one.row]]
    certain = [one for one in left if one.control or (one.captured ^ before[one.row]).bit_count() >= CERTAIN]
    is_proven = any(one.proven for one in certain) or instructions(certain) > 1
    if is_proven or (instructions(left) > 1 and is_more_than_noise(len(left), 2 * len(own))):
        return LeftOver(len(left), told(machine, left), left[0].row, 0.0)
    in_step = int(in_step_of(found).sum())
    is_astray = len(found) - in_step > most_untold(captured)
    return astray(found) if is_astray else LeftOver(0, "", in_step, 0.0)


def _left_where_it_holds_on(machine: Machine, whole: Led, roms: Given) -> LeftOver | None:
    """What a CPU leaves where it cannot have let go: it is as one without a fault there; None where nothing is left.

    Each stretch is asked by itself. What the CPU did before it, and what it wrote to memory, nobody knows.
    """
    captured = whole.captured
    for part in _holding(machine, whole):
        found = led(machine, captured[part], most_untold=most_untold(captured[part]))
        left = found.disagreements
        if is_much(left):
            left = but_for_misread(machine, found, left, roms)
        if is_much(left):
            for one in left:
                one.row += part.start
            return LeftOver(len(left), told(machine, left), left[0].row, 0.0)
    return None


def _holding(machine: Machine, found: Led) -> list[slice]:
    """Stretches of a capture in which the CPU cannot have let go: cards answer reads again and again.

    Where the CPU let go, there are FLOATS_FOR cycles in which no read moves several lines.
    """
    captured = found.captured
    data, known = captured.data
    control, control_known = captured.gathered(("RW",))
    is_read = (control_known & control != 0) & ((found.known & ~found.levels & _READ) == 0)
    lines = machine.bus.data_lines
    moved = np.bitwise_count((data[:-1] & lines.keeps | lines.pulled) ^ data[1:]) >= CERTAIN
    is_told = (known[:-1] & known[1:] == 0xFF) & ~captured.lost[1:] & is_read[1:]
    driven = np.flatnonzero(moved & is_told) + 1
    if not len(driven):
        return []
    cycles = cycle_numbers(captured)[driven]
    far = np.flatnonzero(np.diff(cycles) > FLOATS_FOR)
    begins, ends = driven[np.r_[0, far + 1]], driven[np.r_[far, len(driven) - 1]] + 1
    return [slice(begin, end) for begin, end in zip(begins.tolist(), ends.tolist(), strict=True)]


def _at_least_so_often(cycles: NDArray[np.int64]) -> int:
    """How often BE must have been low: each time lasts FLOATS_FOR cycles and covers what lies nearer than that."""
    times, end = 0, -1
    for cycle in cycles.tolist():
        if cycle >= end:
            times, end = times + 1, cycle + FLOATS_FOR
    return times


def lets_go(machine: Machine) -> bool:
    """Whether the CPU lets go of the bus whenever chance has it: with BE open and not pulled."""
    wiring = machine.bus.wiring
    is_pulled = wiring.pull(LETS_GO) in (Done.PULLED_UP, Done.PULLED_DOWN)
    return not is_pulled and any(entry.name == LETS_GO and entry.done is Done.OPEN for entry in wiring.cpu_entries())
