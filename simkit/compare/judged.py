"""What following a capture came to: a verdict for each row, which differences count, and the columns behind them.

found = led(machine, captured)
found.first              # the first disagreement, or None
found.verdict            # of each row of the capture

A row that differs once, and of which the CPU's later cycles say that it was not so, is noise of the probe. A difference
counts where the CPU went by it, where the byte that came shows that the card heard it, or where it comes again and
again on the same line.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Sequence
from enum import IntEnum

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.select import ADDRESS_LINES
from simkit.backplane.wiring import DATA_LINES
from simkit.capture.captured import Captured
from simkit.compare.fed import Answers
from simkit.compare.followed import Difference, Followed, Read
from simkit.compare.led import Follower
from simkit.compare.rows import DOUBTFUL, SYNC_BIT, WRITE_BIT, Rows, joined
from simkit.compare.signals import READY, Signals, signals
from simkit.compare.worlds import DATA_SHIFT
from simkit.machine.machine import Machine
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
MISREAD = 1e-3
"""Share of the cycles in which one line is misread by a bad probe. Ours."""
BORNE_OUT = 0.3
"""Share of a line's differences that what follows must bear out, where they are seldom. Ours."""
FEW = 2
"""Differences of one kind below which it is looked at no closer. Ours."""
AT_ADDRESS, HALF = 3, 0.5
"""At one address: so many times, and so much of the times it was read. Ours."""

TOGETHER = 2
"""Lines of a byte that no misreading changes together, again and again. Ours."""

LINES = (*ADDRESS_LINES, "RW", "SYNC", *DATA_LINES)
"""Lines that are compared; bit i of a wide word belongs to LINES[i]."""
BESIDE = np.uint64(len(LINES))
"""Where selects and pulled lines stand above them."""
_NOBODY = -1


class Verdict(IntEnum):
    """What a row says."""

    FITS = 0  # the CPU did what it does, and the byte is the card's where that is known
    UNTOLD = 1  # the CPU was not in step there
    CPU = 2  # address, R/W, SYNC or a written byte is not what the CPU puts out on what it has read
    CARD = 3  # the byte that is read is not the card's
    NOISE = 4  # differs once, and nothing that follows bears it out
    WIRE = 5  # a select, or a line that cards pull, is not what it should be, or the CPU does not answer it


@attrs.frozen(eq=False)
class Led:
    """A capture, and what there should be, row by row.

    Attributes:
        captured: the capture.
        verdict: uint8 of shape (n,), a Verdict each.
        names: lines that are compared: LINES, then selects and lines that cards pull, of those that were captured.
        levels: uint64 of shape (n,): levels that should be, bit i of names[i].
        known: uint64 of shape (n,): lines of which that is known.
        seen: uint64 of shape (n,): levels that were captured, bit i of names[i].
        seen_known: uint64 of shape (n,): lines of which they are known.
        slot: int16 of shape (n,): of the card that answers or takes, -1 for nobody or several.
        differences: all, in order of rows, noise too.
        answers: what registers answered, by slot and offset.
        parts: rows from which the CPU was in step, with the row at which it no longer was.
        from_reset: whether the capture holds the RESET with which it all begins.
        stopped: it was broken off at this row; None: it went to the end.
        slots: by name of a line that cards pull, these.
    """

    captured: Captured
    names: tuple[str, ...]
    verdict: NDArray[np.uint8]
    levels: NDArray[np.uint64]
    known: NDArray[np.uint64]
    seen: NDArray[np.uint64]
    seen_known: NDArray[np.uint64]
    slot: NDArray[np.int16]
    differences: Sequence[Difference]
    answers: dict[tuple[int, int], Answers]
    parts: Sequence[tuple[int, int]]
    from_reset: bool
    stopped: int | None
    slots: dict[str, tuple[int, ...]]
    _starts: list[tuple[int, int]]

    def __len__(self) -> int:
        return len(self.verdict)

    @property
    def disagreements(self) -> list[Difference]:
        """Differences that count."""
        return [each for each in self.differences if each.counts]

    @property
    def first(self) -> Difference | None:
        """The first that counts."""
        return next((each for each in self.differences if each.counts), None)

    def pc(self, row: int) -> int | None:
        """Address of the instruction that a row belongs to; None where the CPU was not in step."""
        if self.verdict[row] == Verdict.UNTOLD:
            return None
        at = bisect_right(self._starts, (row, 0x10000)) - 1
        return self._starts[at][1] if at >= 0 else None


def led(machine: Machine, captured: Captured, goes_on: Callable[[int], bool] | None = None) -> Led:
    """Have the CPU of a machine run on captured bytes, and its cards answer the captured accesses.

    Args:
        machine: as it should be; it is left alone.
        captured: bus cycles with all of A0 to A15, D0 to D7 and RW.
        goes_on: called now and then with the number of rows that are done; False breaks off.

    Raises:
        SimkitError: lines are missing.
        CardError: a card failed.
    """
    return Leading(machine, captured, goes_on).end()


class Leading:
    """A CPU led by a capture that comes piece by piece.

    leading = Leading(machine, first_piece)
    leading.add(piece)
    leading.judged()         # what it comes to up to now: a little less than has come
    leading.end()            # that was all

    Args:
        machine: as it should be; it is left alone.
        captured: bus cycles with all of A0 to A15, D0 to D7 and RW: the first piece.
        goes_on: called now and then with the number of rows that are done; False breaks off.
    """

    def __init__(self, machine: Machine, captured: Captured, goes_on: Callable[[int], bool] | None = None) -> None:
        self._machine, self._pieces = machine, [captured]
        self._follower = Follower(machine, captured, goes_on)

    def add(self, captured: Captured) -> None:
        """What came next, of the same lines."""
        self._pieces.append(captured)
        self._follower.add(captured)
        self._follower.go_on(last=False)

    def judged(self) -> Led:
        """What it comes to up to now."""
        self._follower.go_on(last=False)
        followed = self._follower.followed()
        self._pieces = [joined(self._pieces)]
        return _judged(self._machine, self._pieces[0], self._follower.rows, followed)

    def end(self) -> Led:
        """That was all."""
        self._follower.go_on(last=True)
        return self.judged()


def _judged(machine: Machine, captured: Captured, rows: Rows, followed: Followed) -> Led:
    followed.differences.sort(key=lambda each: each.row)
    count = len(followed.should)  # of a capture that grows not all rows are followed yet
    seen, seen_known = _seen(rows, count)
    levels, known = _should(followed)
    slots = _slots(machine, followed, np.array(rows.seen[:count], np.int64))
    for difference in followed.differences:
        if difference.slot is None and slots[difference.row] >= 0:
            difference.slot = int(slots[difference.row])
    _count(followed, slots, levels, known & seen_known, seen)
    beside = signals(machine, captured, rows, followed)
    differences = followed.differences + _signals(followed, rows, beside)
    differences.sort(key=lambda each: each.row)
    levels, known, seen, seen_known = (
        mine | theirs << BESIDE
        for mine, theirs in zip(
            (levels, known, seen, seen_known),
            (beside.levels, beside.known, beside.seen, beside.seen_known),
            strict=True,
        )
    )
    untold = (followed.should == DOUBTFUL) & (followed.expected < 0)
    verdict = np.where(untold, Verdict.UNTOLD, Verdict.FITS).astype(np.uint8)
    for difference in differences:
        if difference.counts:
            verdict[difference.row] = _blamed(difference)
        elif verdict[difference.row] in (Verdict.FITS, Verdict.UNTOLD):
            verdict[difference.row] = Verdict.NOISE
    place = np.array(rows.place[:count], np.int64)
    there = place >= 0
    number: NDArray[np.int64] = np.cumsum(there) - there  # of each row, in the capture
    starts = [(int(number[row]), pc) for row, pc in followed.starts]
    for difference in differences:
        difference.row = int(number[difference.row])
    parts = [(int(number[first]), int(number[min(end, count) - 1]) + 1) for first, end in followed.parts if end > first]
    return Led(
        captured[: int(there.sum())],
        (*LINES, *beside.names),
        verdict[there],
        levels[there],
        known[there],
        seen[there],
        seen_known[there],
        slots[there],
        differences,
        followed.answers,
        parts,
        followed.from_reset is not None,
        followed.stopped,
        beside.slots,
        starts,
    )


def _blamed(one: Difference) -> Verdict:
    if one.signal:
        return Verdict.WIRE
    return Verdict.CPU if one.control or one.is_write else Verdict.CARD


def _signals(followed: Followed, rows: Rows, beside: Signals) -> list[Difference]:
    """Rows in which a select or a pulled line differs, and whether they count."""
    both = beside.known & beside.seen_known
    apart = (beside.levels ^ beside.seen) & both
    found: list[Difference] = []
    starts = [row for row, _ in followed.starts]
    for bit, name in enumerate(beside.names):
        one = np.uint64(1) << np.uint64(bit)
        for level in (np.uint64(0), one):
            could = np.flatnonzero((both & one != 0) & (beside.levels & one == level))
            differ = could[apart[could] & one != 0].tolist()
            mine = [_signal(followed, rows, beside, starts, row, bit) for row in differ]
            if len(mine) >= FEW:
                for each in mine:
                    each.counts = _again(each.row, differ, could)
                if name.endswith(SELECT):
                    _count_addresses(mine, could, np.array(rows.words[: len(followed.should)], np.int64))
            found += mine
        heard = [_signal(followed, rows, beside, starts, row, bit) for row in beside.unanswered.get(name, ())]
        in_step = np.flatnonzero(followed.should != DOUBTFUL)
        at = [each.row for each in heard]
        for each in heard:
            each.heard = True
            each.counts = len(heard) >= UNBROKEN and (name != READY or _again(each.row, at, in_step))
        found += heard
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


def _wide(words: NDArray[np.int64], data: NDArray[np.int64]) -> NDArray[np.uint64]:
    """Words of address and control with R/W as its level, and a byte above them."""
    return ((words ^ WRITE_BIT) | data << DATA_SHIFT).astype(np.uint64)


def _seen(rows: Rows, count: int) -> tuple[NDArray[np.uint64], NDArray[np.uint64]]:
    masks = np.array(rows.masks[:count], np.int64) | np.array(rows.known[:count], np.int64) << DATA_SHIFT
    words = np.array(rows.words[:count], np.int64) ^ WRITE_BIT | np.array(rows.bytes[:count], np.int64) << DATA_SHIFT
    return (words & masks).astype(np.uint64), masks.astype(np.uint64)


def _should(followed: Followed) -> tuple[NDArray[np.uint64], NDArray[np.uint64]]:
    in_step = followed.should != DOUBTFUL
    data = np.where(followed.expected >= 0, followed.expected, 0).astype(np.int64)
    agreed = np.where(followed.expected >= 0, followed.agreed, 0).astype(np.int64)
    known = (np.where(in_step, 0xFFFF | WRITE_BIT | SYNC_BIT, 0) | agreed << DATA_SHIFT).astype(np.uint64)
    return _wide(np.where(in_step, followed.should, 0), data) & known, known


def _slots(machine: Machine, followed: Followed, captured: NDArray[np.int64]) -> NDArray[np.int16]:
    """Of each row, the slot of the one card that is reached; as the banks are at power-on, where none was fed."""
    found = followed.slot.copy()
    words = np.where(followed.should == DOUBTFUL, captured, followed.should)
    told = words != DOUBTFUL
    unique, inverse = np.unique(words[told] & (0xFFFF | WRITE_BIT), return_inverse=True)
    table = machine.bus.reach.table
    plans = [table.write_plan(word & 0xFFFF) if word & WRITE_BIT else table.read_plan(word) for word in unique.tolist()]
    reached = [plan.selected[0] if len(plan.selected) == 1 else _NOBODY for plan in plans]
    mine = found[told]
    found[told] = np.where(mine == _NOBODY, np.array(reached, np.int16)[inverse], mine)
    return found


def _count(
    followed: Followed,
    slots: NDArray[np.int16],
    levels: NDArray[np.uint64],
    known: NDArray[np.uint64],
    seen: NDArray[np.uint64],
) -> None:
    """Say which differences count."""
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
    _count_bytes(followed, slots, levels, known)
    _count_together(followed)
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


def _count_together(followed: Followed) -> None:
    """The same lines of a card wrong together, and not once: no misreading has them so, when the CPU went by it."""
    by_lines: dict[tuple[int | None, int], list[Difference]] = {}
    for each in followed.differences:
        if each.data.bit_count() >= TOGETHER and not each.is_write and not each.control:
            by_lines.setdefault((each.slot, each.data), []).append(each)
    for mine in by_lines.values():
        taken = sum(each.read is Read.CAPTURED for each in mine)
        if taken >= FEW and taken >= HALF * len(mine):
            for each in mine:
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
        if times >= least:
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
    """A line of the CPU's own that is wrong each time it could be, again and again: that is no noise."""
    places = [int(np.searchsorted(could, each.row)) for each in mine]
    begin = 0
    for at in range(1, len(places) + 1):
        if at == len(places) or places[at] != places[at - 1] + 1:
            if at - begin >= UNBROKEN:
                for each in mine[begin:at]:
                    each.counts = True
            begin = at


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
