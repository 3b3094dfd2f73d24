"""What is wrong with lines, told by the columns of a led capture: low, high, inverted, follows, exchanged, late, open.

Address pins of a ROM are guessed at by what the ROM holds elsewhere.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from simkit.backplane.select import ADDRESS_LINES
from simkit.backplane.wiring import DATA_LINES
from simkit.compare.apart import DATA_SHIFT
from simkit.compare.free import Free
from simkit.compare.guessed import (
    DECIDES,
    FOUGHT,
    LOW,
    NOT_TAKEN,
    OTHER,
    READS,
    WRITES,
    LineFault,
    line_fault,
    writing,
)
from simkit.compare.judged import LINES, Led
from simkit.compare.pins import MANY, pin_at_fault, rom_content
from simkit.compare.signal_faults import diagnose_signals
from simkit.machine.machine import Machine

AGAIN, HALF = 4, 0.5
"""Of reads of a memory that differ: so many, and such a share of all, give what stood there before. Ours."""
SEVERAL = 2
"""Lines, or addresses, by which a card is at fault as a whole. Ours."""
CERTAIN = 12
"""Cycles that must show it, where nothing but a run says what should be. Ours."""
FEW_CELLS = 3
"""Cells of memory in which alone nothing is said of a line, where nothing but a run says what they hold. Ours."""
WAKE = 0.02
"""Of the cycles that show the gravest, and of those that were looked at: less is what follows from it. Ours."""


def diagnose(machine: Machine, led: Led) -> list[LineFault]:
    """What is wrong with lines: selects and pulled lines first, as what is wrong with data may come of them."""
    wrong_control = wrong_write = 0
    wrong_read: dict[int, int] = {}
    for each in led.disagreements:
        wrong_control |= each.control
        if each.is_write:
            wrong_write |= each.data
        elif each.slot is not None:
            wrong_read[each.slot] = wrong_read.get(each.slot, 0) | each.data
    every = np.ones(len(led), bool)
    found = [line_fault(led, LINES[bit], every, None, writes=False) for bit in _bits(wrong_control)]
    is_write = writing(led)
    found += [line_fault(led, DATA_LINES[bit], is_write, None, writes=True) for bit in _bits(wrong_write)]
    for slot, bits in sorted(wrong_read.items()):
        mine = ~is_write & (led.slot == slot)
        pin = _address_pin(machine, led, slot, mine) if bits.bit_count() >= MANY else None
        if pin is not None:
            found.append(pin)
            continue
        lines = [line_fault(led, DATA_LINES[bit], mine, slot, writes=False) for bit in _bits(bits)]
        whole = _fought(led, slot, mine, lines)
        if whole is None and not _is_one_line(led, slot):
            whole = _not_taken(machine, led, slot)
        found += [whole] if whole is not None else lines
    beside = diagnose_signals(machine, led)
    unreached = {each.slot for each in beside if each.slot is not None}
    least = WAKE * max((each.shown for each in beside), default=0)
    others = (each for each in found if each is not None and each.slot not in unreached and each.shown >= least)
    return [*beside, *_told(others)]


def diagnose_free(found: Free) -> list[LineFault]:
    """What is wrong with lines of a capture beside a run: those alone for which a guess holds."""
    is_write = writing(found)
    told: list[LineFault | None] = []
    for line in found.names:
        if line in DATA_LINES:
            slots = np.unique(found.slot[found.slot >= 0]).tolist()
            told += [line_fault(found, line, ~is_write & (found.slot == slot), slot, writes=False) for slot in slots]
            told.append(line_fault(found, line, is_write, None, writes=True))
        else:
            told.append(line_fault(found, line, np.ones(len(found.levels), bool), None, writes=False))
    return _told(
        each
        for each in told
        if each is not None and each.how != OTHER and each.shown >= CERTAIN and not _at_few_cells(found, each)
    )


def _at_few_cells(found: Free, fault: LineFault) -> bool:
    """Whether it shows in few cells of memory: what came from outside at other times may have left others there."""
    if fault.slot not in found.memories or fault.writes:
        return False
    one = np.uint64(1) << np.uint64(found.names.index(fault.line))
    differ = found.placed & ((found.seen ^ found.levels) & found.known & found.seen_known & one != 0)
    _, times = np.unique(found.address[differ & (found.slot == fault.slot)], return_counts=True)
    return bool(np.sort(times)[-FEW_CELLS:].sum() >= DECIDES * times.sum())


def _told(found: Iterable[LineFault]) -> list[LineFault]:
    """The gravest first; what is no more than the wake of another stays away."""
    ranked = sorted(found, key=lambda each: (each.how == OTHER and not each.addresses, -each.shown))
    if not ranked:
        return []
    most = ranked[0].shown
    return [each for each in ranked if each.shown >= WAKE * most and (each is ranked[0] or each.share >= WAKE)]


def _bits(word: int) -> Iterator[int]:
    return (bit for bit in range(word.bit_length()) if word >> bit & 1)


def _not_taken(machine: Machine, led: Led, slot: int) -> LineFault | None:
    """A memory that still gives what it gave before something else was written there, wherever that is read."""
    if not any(
        seat.slot == slot and seat.plain is not None and seat.plain.write is not None for seat in machine.bus.seats
    ):
        return None
    whole = np.uint64(0xFF << DATA_SHIFT | 0x1FFFF)
    rows = np.flatnonzero((led.slot == slot) & (led.known & whole == whole))
    gave: dict[int, int] = {}
    could, least, high, shown, addresses = 0, 8, 0, list[int](), set[int]()
    for row, level, seen in zip(rows.tolist(), led.levels[rows].tolist(), led.seen[rows].tolist(), strict=True):
        if not level >> 16 & 1:
            continue
        address, byte = level & 0xFFFF, seen >> DATA_SHIFT & 0xFF
        if gave.setdefault(address, byte) != level >> DATA_SHIFT & 0xFF:
            could += 1
            if gave[address] == byte:
                shown.append(row)
                addresses.add(address)
                high |= byte & ~(level >> DATA_SHIFT)
                least = min(least, (byte ^ level >> DATA_SHIFT & 0xFF).bit_count())
    if not shown or len(shown) < DECIDES * could or (len(shown) != could and len(addresses) < SEVERAL):
        return None
    if not high or (len(shown) < AGAIN and least < MANY):  # else it may be lines that are low, or wrong
        return None
    return LineFault(WRITES, NOT_TAKEN, "", slot, False, False, len(shown), could, (), min(shown), 1.0)


def _is_one_line(led: Led, slot: int) -> bool:
    """Whether what a card gives is wrong in the same line alone, nearly each time."""
    wrong = [each.data for each in led.disagreements if each.slot == slot and each.data and not each.is_write]
    most = max(set(wrong), key=wrong.count, default=0)
    return most.bit_count() == 1 and wrong.count(most) >= DECIDES * len(wrong)


def _fought(led: Led, slot: int, scope: NDArray[np.bool_], lines: Iterable[LineFault | None]) -> LineFault | None:
    """A card whose bytes come with bits low that should be high, by no line alone: another card drives them low.

    Between outputs of TTL and NMOS the low one wins.
    """
    told = [each for each in lines if each is not None]
    most = max((each.shown for each in told), default=0)
    mine = [each for each in told if each.shown >= WAKE * most]
    if len(mine) < SEVERAL or any(each.how not in (LOW, OTHER) for each in mine):
        return None
    if all(each.how == LOW for each in mine) and not MANY <= len(mine) < len(DATA_LINES):
        return None  # these lines, or a card without supply
    whole = np.uint64(0xFF << DATA_SHIFT | 0x1FFFF)
    rows = np.flatnonzero(scope & (led.known & led.seen_known & whole == whole))
    should, seen = ((each[rows] >> np.uint64(DATA_SHIFT)).astype(np.uint8) for each in (led.levels, led.seen))
    wrong = np.isin(rows, [each.row for each in led.disagreements if each.slot == slot and each.data])
    low = wrong & (seen & ~should == 0)
    if low.sum() < AGAIN or low.sum() < DECIDES * wrong.sum():
        return None
    return LineFault(
        READS,
        FOUGHT,
        ", ".join(each.line for each in mine),
        slot,
        False,
        False,
        int(low.sum()),
        int(wrong.sum()),
        (),
        int(rows[low][0]),
        float(wrong.mean()),
        tuple(np.unique(led.levels[rows[low]] & np.uint64(0xFFFF)).astype(int).tolist()),
    )


def _address_pin(machine: Machine, led: Led, slot: int, scope: NDArray[np.bool_]) -> LineFault | None:
    """The address pin of a ROM that is wrong: its bytes are right, and stand elsewhere in it."""
    content = rom_content(machine, slot)
    all_data = np.uint64(0xFF << DATA_SHIFT)
    rows = np.flatnonzero(scope & (led.known & led.seen_known & all_data == all_data))
    if content is None or not len(rows):
        return None
    bus = np.uint64(0xFFFF)  # where the CPU was not in step the captured address stands for its own
    own = led.known[rows] & bus == bus
    address = (np.where(own, led.levels[rows], led.seen[rows]) & bus).astype(np.int64)
    pin = pin_at_fault(content, address, (led.seen[rows] >> np.uint64(DATA_SHIFT)).astype(np.uint8))
    if pin is None:
        return None
    shown = int(pin.shown.sum())
    return LineFault(
        ADDRESS_LINES[pin.bit],
        pin.how,
        "" if pin.other is None else ADDRESS_LINES[pin.other],
        slot,
        False,
        True,
        shown,
        shown,
        (),
        int(rows[np.flatnonzero(pin.shown)[0]]),
        1.0,
    )
