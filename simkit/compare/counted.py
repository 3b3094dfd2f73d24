"""Which differences count: where a line differs again and again, or what follows bears it out, it is no noise."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Container, Mapping

import numpy as np
from numpy.typing import NDArray

from simkit.compare.apart import DATA_SHIFT
from simkit.compare.followed import Difference, Followed, Read
from simkit.compare.pins import MANY, pin_at_fault
from simkit.compare.rows import DOUBTFUL, WRITE_BIT, Rows
from simkit.compare.shown import LONGEST, LONGEST_ROWS
from simkit.compare.signals import READY, Signals
from simkit.records.observed import SELECT

AROUND, AGAIN = 60, 4
"""A line is at fault where, of so many further cycles that could show it, so many do. Ours."""
AGAIN_UNFOLLOWED = 6
"""The same where the CPU was not in step, and an address that was misread spoils a whole byte. Ours."""
BYTES_AGAIN = 4
"""The same of whole bytes, which noise spoils oftener than one line of them. Ours."""
RUN = 3
"""Differences next to one that tell how often the line differs there. Ours."""
UNBROKEN = 3
"""Times that a line of the CPU's own is wrong, one after the other, with which it is at fault. Ours."""
VECTORS = 0xFFFA
"""Address of the first."""
MISREAD = 1e-3
"""Share of the cycles in which one line is misread by a bad probe. Ours."""
BORNE_OUT = 0.3
"""Share of a line's differences that what follows must bear out, where they are seldom. Ours."""
ALWAYS = 2
"""Rows that are enough where a select, or a line of a ROM, is never as it should be: noise does not find just these.
Ours."""
FEW = 2
"""Differences of one kind below which it is looked at no closer. Ours."""
AT_ADDRESS, HALF = 3, 0.5
"""At one address: so many times, and so much of the times it was read. Ours."""

TOGETHER = 2
"""Lines of a byte that no misreading changes together, again and again. Ours."""
_NOBODY = -1


def count_bus(
    followed: Followed,
    slots: NDArray[np.int16],
    levels: NDArray[np.uint64],
    known: NDArray[np.uint64],
    seen: NDArray[np.uint64],
    roms: Mapping[int, NDArray[np.uint8]],
) -> None:
    """Say which differences of the bus count; `roms` is what ROMs hold, by slot."""
    by_key: dict[tuple[int, int, bool, int], list[Difference]] = {}
    for each in followed.differences:
        answers = followed.answers.get((each.slot if each.slot is not None else _NOBODY, each.offset))
        if not each.is_write and not each.control and answers is not None:
            each.data &= ~answers.varied
        for bit in _bits(each.control | each.data << DATA_SHIFT):
            level = bool(int(levels[each.row]) >> bit & 1)
            of_slot = int(slots[each.row]) if bit >= DATA_SHIFT else _NOBODY
            by_key.setdefault((bit, level, each.is_write and bit >= DATA_SHIFT, of_slot), []).append(each)
    for (bit, on, is_write, slot), mine in by_key.items():
        taken = sum(each.read is Read.CAPTURED for each in mine)
        borne_out = taken >= FEW and taken >= BORNE_OUT * len(mine)
        level = bool(on)
        if len(mine) < FEW:
            continue
        one = np.uint64(1) << np.uint64(bit)
        could = (known & one != 0) & ((levels & one != 0) == level)
        if bit >= DATA_SHIFT:
            writes = (levels >> np.uint64(16) & np.uint64(1) == 0) & (known >> np.uint64(16) & np.uint64(1) != 0)
            could &= (slots == slot) & (writes == is_write)
        could_rows = np.flatnonzero(could)
        differ = [each.row for each in mine]
        for each in mine:
            least = AGAIN if followed.should[each.row] != DOUBTFUL else AGAIN_UNFOLLOWED
            each.counts |= _again(each.row, differ, could_rows, least) or (borne_out and each.read is Read.CAPTURED)
        if bit < DATA_SHIFT:
            _count_unbroken(mine, could_rows)
        if bit >= DATA_SHIFT and not is_write:
            _count_addresses(mine, could_rows, followed.should)
            if slot in roms:
                _count_each(mine, could_rows)
                if len(mine) == len(could_rows) >= ALWAYS:
                    for each in mine:
                        each.counts = True
    _count_bytes(followed, slots, levels, known)
    _count_together(followed, roms)
    _count_taken(followed)
    for slot, content in roms.items():
        _count_by_pin(followed, slots, levels, known, seen, slot, content)
    for each in followed.differences:
        each.counts |= each.proven
        if not (each.control or each.data) or each.read is Read.EXPECTED:
            each.counts = False


def _count_bytes(
    followed: Followed, slots: NDArray[np.int16], levels: NDArray[np.uint64], known: NDArray[np.uint64]
) -> None:
    """A card whose bytes are wrong again and again, whichever their bits: it answers another address."""
    byte = np.uint64(0xFF << DATA_SHIFT)
    is_read = levels >> np.uint64(16) & np.uint64(1) != 0
    wrong: dict[int, list[Difference]] = {}
    for each in followed.differences:
        if each.data and not each.is_write and each.read is not Read.EXPECTED and slots[each.row] >= 0:
            wrong.setdefault(int(slots[each.row]), []).append(each)
    for slot, mine in wrong.items():
        could = np.flatnonzero((slots == slot) & (known & byte == byte) & (is_read | (known & np.uint64(0x10000) == 0)))
        differ = [each.row for each in mine]
        for each in mine:
            least = BYTES_AGAIN if followed.should[each.row] != DOUBTFUL else AGAIN_UNFOLLOWED
            each.counts |= _again(each.row, differ, could, least)


def _count_together(followed: Followed, roms: Container[int]) -> None:
    """The same lines of a card wrong together, and not once: no misreading has them so, when the CPU went by it.

    Nor where a ROM has them so at several addresses and nothing tells which byte the CPU took.
    """
    by_lines: dict[tuple[int | None, int], list[Difference]] = {}
    for each in followed.differences:
        if each.data.bit_count() >= TOGETHER and not each.is_write and not each.control:
            by_lines.setdefault((each.slot, each.data), []).append(each)
    for mine in by_lines.values():
        taken = sum(each.read is Read.CAPTURED for each in mine)
        places = {each.address for each in mine if each.read is not Read.EXPECTED}
        of_rom = mine[0].slot in roms and len(places) >= FEW and len(places) >= HALF * len(mine)
        if of_rom or (taken >= FEW and taken >= HALF * len(mine)):
            for each in mine:
                each.counts = True


def _count_taken(followed: Followed) -> None:
    """Bytes with several lines wrong by which the CPU went, in two instructions: one misread line of a row has none so.

    Whichever their lines: a memory that now and then does not take what is written gives what was there before.
    """
    taken = [
        each
        for each in followed.differences
        if each.data.bit_count() >= TOGETHER and each.read is Read.CAPTURED and not each.is_write and not each.control
    ]
    if taken and max(each.row for each in taken) - min(each.row for each in taken) > LONGEST_ROWS:
        for each in taken:
            each.counts = True


def _again(row: int, differ: list[int], could: NDArray[np.int64], least: int = AGAIN) -> bool:
    """Whether a line differs again and again, before a row or behind it."""
    at = int(np.searchsorted(could, row))
    after = could[at + 1 : at + 1 + AROUND]
    before = could[max(0, at - AROUND) : at]
    mine = bisect_left(differ, row)
    for rows in (after, before):
        if not len(rows):
            continue
        low, high = bisect_left(differ, int(rows[0])), bisect_right(differ, int(rows[-1]))
        times = high - low - (low <= mine < high)
        if times >= least or (times >= AGAIN and times >= HALF * len(rows)):
            near = differ[mine + 1 : mine + 1 + RUN] if rows is after else differ[max(0, mine - RUN) : mine][::-1]
            if _belongs(at, [int(np.searchsorted(could, other)) for other in near]):
                return True
    return False


def _belongs(at: int, near: list[int]) -> bool:
    """Whether a difference is of the same run as those nearest to it, by how often the line differs among them.

    Places are counted in cycles that could show it. Alone before a run that begins later it is noise.
    """
    gap, span = max(0, abs(near[0] - at) - 1), abs(near[-1] - near[0]) + 1
    rate = len(near) / (span + 1)
    return bool(rate * (1 - rate) ** gap > MISREAD)


def _count_unbroken(mine: list[Difference], could: NDArray[np.int64]) -> None:
    """A line of the CPU's own that is wrong each time it could be, where no register makes the address: no noise."""
    mine = [each for each in mine if each.address >= VECTORS or (each.address - each.pc & 0xFFFF) < LONGEST]
    places = [int(np.searchsorted(could, each.row)) for each in mine]
    begin = 0
    for at in range(1, len(places) + 1):
        if at == len(places) or places[at] != places[at - 1] + 1:
            if at - begin >= UNBROKEN:
                for each in mine[begin:at]:
                    each.counts = True
            begin = at


def _count_each(mine: list[Difference], could: NDArray[np.int64]) -> None:
    """A data line of a ROM that is wrong in each read that could show it, at several addresses: no noise, if seldom."""
    in_step = {each.row: each for each in mine if not each.control}
    run: list[Difference] = []
    for row in [*could.tolist(), None]:
        if row in in_step:
            run.append(in_step[row])
            continue
        if len({each.address for each in run}) >= UNBROKEN:
            for each in run:
                each.counts = True
        run = []


def _count_by_pin(
    followed: Followed,
    slots: NDArray[np.int16],
    levels: NDArray[np.uint64],
    known: NDArray[np.uint64],
    seen: NDArray[np.uint64],
    slot: int,
    content: NDArray[np.uint8],
) -> None:
    """Where an address pin of a ROM explains what came, it says which bytes are of it, and which are noise."""
    mine = {
        each.row: each
        for each in followed.differences
        if each.slot == slot and each.data and not each.is_write and not each.control
    }
    lines = 0
    for each in mine.values():
        lines |= each.data if each.counts else 0
    if lines.bit_count() < MANY:
        return
    byte, bus = np.uint64(0xFF << DATA_SHIFT), np.uint64(0x1FFFF)
    own = known & bus == bus  # where the CPU was not in step the captured address stands for its own
    shown = np.where(own, levels, seen)
    rows = np.flatnonzero((slots == slot) & (known & byte == byte) & (shown >> np.uint64(16) & np.uint64(1) != 0))
    address = (shown[rows] & np.uint64(0xFFFF)).astype(np.int64)
    pin = pin_at_fault(content, address, (seen[rows] >> np.uint64(DATA_SHIFT)).astype(np.uint8))
    if pin is None:
        return
    holds = content[address % len(content)]
    for row, gives, held in zip(rows.tolist(), pin.gives.tolist(), holds.tolist(), strict=True):
        one = mine.get(row)
        if one is not None and gives == held == one.expected and one.data.bit_count() == 1:
            one.counts = one.proven = False
        elif one is not None and gives == one.captured:
            one.counts = True


def _count_addresses(mine: list[Difference], could: NDArray[np.int64], should: NDArray[np.int64]) -> None:
    """At one address a byte may be wrong every time it is read, among many others that are right."""
    by_address: dict[int, list[Difference]] = {}
    for each in mine:
        by_address.setdefault(each.address, []).append(each)
    addresses = should[could] & 0xFFFF
    for address, here in by_address.items():
        read = int((addresses == address).sum())
        if AT_ADDRESS <= len(here) <= read and len(here) >= HALF * read:
            for each in here:
                each.counts = True


def _bits(word: int) -> list[int]:
    return [bit for bit in range(word.bit_length()) if word >> bit & 1]


def count_signals(followed: Followed, rows: Rows, beside: Signals) -> list[Difference]:
    """Rows in which a select or a pulled line differs, and whether they count."""
    both = beside.known & beside.seen_known
    apart = (beside.levels ^ beside.seen) & both
    found: list[Difference] = []
    starts = [row for row, _ in followed.starts]
    is_certain = (followed.should != DOUBTFUL) | _borne_out(np.array(rows.seen[: len(followed.should)], np.int64))
    for bit, name in enumerate(beside.names):
        one = np.uint64(1) << np.uint64(bit)
        for level in (np.uint64(0), one):
            could = np.flatnonzero((both & one != 0) & (beside.levels & one == level))
            differ = could[apart[could] & one != 0].tolist()
            mine = [_signal(followed, rows, beside, starts, row, bit) for row in differ]
            certain = could[is_certain[could]]
            among = [row for row in differ if is_certain[row]]
            if len(mine) >= FEW:
                for each in mine:
                    each.counts = _again(each.row, among, certain)
                if name.endswith(SELECT):
                    _count_addresses(
                        [each for each in mine if is_certain[each.row]],
                        certain,
                        np.array(rows.words[: len(followed.should)], np.int64),
                    )
            if name.endswith(SELECT) and len(among) == len(certain) >= ALWAYS:
                for each in mine:
                    if is_certain[each.row]:
                        each.counts = each.proven = True
            found += mine
        heard = [_signal(followed, rows, beside, starts, row, bit) for row in beside.unanswered.get(name, ())]
        in_step = np.flatnonzero(followed.should != DOUBTFUL)
        at = [each.row for each in heard]
        for each in heard:
            each.heard = True
            each.counts = len(heard) >= UNBROKEN and (name != READY or _again(each.row, at, in_step))
        found += heard
    return found


def _borne_out(seen: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Rows whose address no misreading makes: a cycle beside has the same one, or both beside go on in order."""
    address = seen & 0xFFFF
    beside = np.concatenate([[-9], np.where(seen == DOUBTFUL, -9, address), [-9]])
    before, behind = beside[:-2], beside[2:]
    in_order = (before + 1 == address) & (address + 1 == behind)
    found: NDArray[np.bool_] = (before == address) | (behind == address) | in_order
    return found


def _signal(followed: Followed, rows: Rows, beside: Signals, starts: list[int], row: int, bit: int) -> Difference:
    word = int(followed.should[row]) if followed.should[row] != DOUBTFUL else rows.words[row]
    slot, dot, _ = beside.names[bit].partition(".")
    pulling = beside.slots.get(slot, ())
    at = bisect_right(starts, row) - 1
    return Difference(
        row,
        word & 0xFFFF,
        followed.starts[at][1] if at >= 0 else word & 0xFFFF,
        int(slot) if dot else pulling[0] if len(pulling) == 1 else None,
        0,
        0,
        word,
        0,
        rows.bytes[row],
        rows.bytes[row],
        bool(word & WRITE_BIT),
        signal=beside.names[bit],
    )
