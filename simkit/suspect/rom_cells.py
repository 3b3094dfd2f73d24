"""Bytes of a ROM that a capture shows otherwise than its image has them: candidates of their own.

There are far too many bits in a ROM to try each. A capture with all address lines says which of them read wrong, and
those alone are tried: the same wrong byte at the same address, more often than the capture's own noise makes it; or
once, where the CPU of a whole capture went by it, as a program that runs astray does not come back. In either case the
same lines are right at other addresses of that ROM. Whether that explains what was seen is then asked as of any other
candidate.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import attrs
import numpy as np

from simkit.backplane.faults import Cell
from simkit.backplane.select import ADDRESS_LINES
from simkit.backplane.wiring import DATA_LINES, Done
from simkit.capture.captured import Captured
from simkit.compare.judged import led
from simkit.contract.errors import CardError
from simkit.machine.machine import Machine
from simkit.suspect.catalogue import Candidate

ROM_CELL = "ROM"
"""Kind of these candidates."""
MOST_CELLS = 2
"""Of one fault in a ROM there is one, and one more may be chance; more are a line, a select or another image. Ours."""
AGAIN, HALF = 3, 0.5
"""So many times, and so much of the times it was read, a byte is wrong in the same way. Ours."""
MISREAD = 0.01
"""Share of the cycles in which a bad probe shows one line otherwise; ours. A byte that it shows at the wrong address
comes again and again where the right address is in a loop."""
LEAST_ERRORS = 1e-3
"""Share of bytes that are wrong in a capture, at least, however few were seen to be. Ours."""
CHANCE = 0.01
"""How often a capture whose errors are chance may give one such byte. Ours."""
OTHERS, RIGHT = 8, 0.85
"""Other addresses at which a line has the same level, at least, and how many of them must be right. Ours."""
MOST_FOLLOWED, MOST_ERRORS = 50_000, 0.02
"""Rows of a capture that the CPU model follows for this: half a second; with more bytes wrong it would be many. Ours.
"""

_CONTROL = (*ADDRESS_LINES, "RW")
_WRITE = 1 << len(ADDRESS_LINES)
_BYTE = 0xFF


@attrs.frozen
class _Place:
    """A byte of a ROM as the CPU sees it."""

    slot: int
    offset: int
    size: int
    byte: int


@attrs.frozen
class _Read:
    """What a capture shows at an address.

    Attributes:
        address: on the lines.
        place: what stands there.
        times: it was read.
        byte: that came most often, as the image has it where a line is not captured.
        alike: how often that came.
        near: how often that came with one of the address lines, or R/W, otherwise.
    """

    address: int
    place: _Place
    times: int
    byte: int
    alike: int
    near: int

    @property
    def misread(self) -> float:
        """How often a bad probe may show that byte here that came from elsewhere."""
        return 2 * MISREAD * self.near


def rom_cells(machine: Machine, captured: Captured) -> tuple[Candidate, ...]:
    """Bytes of ROMs that read wrong in a capture; none where it lacks an address line, R/W, or every data line.

    None either for a machine whose decoding moves (banks), for a ROM whose data lines are wired otherwise than one to
    one, and for one that stands at an address with another card.

    Args:
        machine: as it should be; it is only looked at.
        captured: of the real one.
    """
    names = [name for name in DATA_LINES if name in captured.names]
    if not (names and set(_CONTROL) <= set(captured.names)) or machine.bus.reach.banks.lines:
        return ()
    mask = sum(1 << DATA_LINES.index(name) for name in names)
    reads = _reads(machine, captured, mask)
    again = [one for one in reads if _is_wrong(one, mask) and one.alike >= max(AGAIN, HALF * one.times)]
    errors = _errors(reads, again)
    found = [one for one in again if _is_no_chance(one, errors, len(reads)) and one.alike >= AGAIN + one.misread]
    if mask == _BYTE and errors <= MOST_ERRORS and not found:
        found = _gone_by(machine, captured[:MOST_FOLLOWED], reads)
    cells: dict[tuple[int, int], _Read] = {}
    for one in sorted(found, key=lambda one: -one.alike):
        if not _is_of_a_line(one, reads, mask):
            cells.setdefault((one.place.slot, one.place.offset), one)
    return tuple(_candidate(one, mask) for one in cells.values()) if len(cells) <= MOST_CELLS else ()


def _reads(machine: Machine, captured: Captured, mask: int) -> list[_Read]:
    """What is read from ROMs, address by address."""
    control, control_known = captured.gathered(_CONTROL)
    data, data_known = captured.data
    whole = (control_known == np.uint64((1 << len(_CONTROL)) - 1)) & (data_known & np.uint8(mask) == mask)
    words = (control[whole] ^ np.uint64(_WRITE)).astype(np.int64)
    kinds, counts = np.unique(words << 8 | (data[whole] & np.uint8(mask)), return_counts=True)
    words = kinds >> 8
    lines = np.int64(256) << np.arange(len(_CONTROL))
    found = []
    for word in np.unique(words[words < _WRITE]).tolist():
        place = _place(machine, word)
        if place is not None:
            first, end = np.searchsorted(words, [word, word + 1])
            most = int(first + counts[first:end].argmax())
            apart = kinds[most] ^ lines
            at = np.minimum(np.searchsorted(kinds, apart), len(kinds) - 1)
            near = int(counts[at][kinds[at] == apart].sum())
            byte = int(kinds[most]) & _BYTE | place.byte & ~mask & _BYTE
            found.append(_Read(word, place, int(counts[first:end].sum()), byte, int(counts[most]), near))
    return found


def _place(machine: Machine, address: int) -> _Place | None:
    plan = machine.bus.reach.table.read_plan(address)
    if plan.takers or len(plan.drivers) != 1:
        return None
    seat, offset, whole = plan.drivers[0]
    plain = seat.plain
    if whole != _BYTE or seat.data is not None or plain is None or plain.read is None or not plain.ignores_writes:
        return None
    return _Place(seat.slot, offset, len(plain.read), plain.read[offset])


def _is_wrong(one: _Read, mask: int) -> bool:
    return (one.byte ^ one.place.byte) & mask != 0


def _errors(reads: list[_Read], without: list[_Read]) -> float:
    """Share of bytes that are wrong elsewhere than at some addresses."""
    left = {one.address for one in without}
    others = [one for one in reads if one.address not in left]
    times, alike = sum(one.times for one in others), sum(one.alike for one in others)
    return max(LEAST_ERRORS, 1 - alike / times) if times else 1.0


def _gone_by(machine: Machine, captured: Captured, reads: list[_Read]) -> list[_Read]:
    """The wrong byte that came once or twice, where what the CPU did next can be had by no misreading.

    None where there are several: of one fault in a ROM there is one.
    """
    try:
        differences = led(machine, captured).disagreements
    except CardError:  # it fails with what the real machine did: that tells nothing of the ROM
        return []
    by_address = {one.address: one for one in reads}
    proven = [each for each in differences if each.proven and each.data and not (each.control or each.is_write)]
    shown = {(each.address, each.captured) for each in proven if each.address in by_address}
    found = [attrs.evolve(by_address[address], byte=byte, alike=1) for address, byte in shown]
    return found if len(found) == 1 else []


def _is_no_chance(one: _Read, errors: float, addresses: int) -> bool:
    """Whether so many bytes alike are more than errors make of the right one at any of so many addresses."""
    ways = math.lgamma(one.times + 1) - math.lgamma(one.alike + 1) - math.lgamma(one.times - one.alike + 1)
    return ways + one.alike * math.log(errors) + math.log(addresses) < math.log(CHANCE)


def _is_of_a_line(one: _Read, reads: list[_Read], mask: int) -> bool:
    """Whether one of the lines that differ is not right elsewhere either, or nobody knows."""
    own = (one.place.slot, one.place.offset)
    sure = [other for other in reads if other.alike > other.misread]
    others = [other for other in sure if other.place.slot == own[0] and other.place.offset != own[1]]
    for bit in _bits((one.byte ^ one.place.byte) & mask):
        right = [
            (other.byte ^ other.place.byte) >> bit & 1 == 0
            for other in others
            if (other.place.byte ^ one.place.byte) >> bit & 1 == 0
        ]
        if len(right) < OTHERS or sum(right) < RIGHT * len(right):
            return True
    return False


def _candidate(one: _Read, mask: int) -> Candidate:
    place = one.place
    in_part = one.address % place.size != place.offset
    at = place.offset if in_part else one.address
    wrong = list(_bits((one.byte ^ place.byte) & mask))
    if len(wrong) == 1:
        cell = Cell(place.slot, at, in_part, wrong[0], Done.HIGH if one.byte >> wrong[0] & 1 else Done.LOW)
    else:
        cell = Cell(place.slot, at, in_part, None, one.byte)
    return Candidate(str(cell), f"slot {place.slot}", ROM_CELL)


def _bits(word: int) -> Iterator[int]:
    return (bit for bit in range(word.bit_length()) if word >> bit & 1)
