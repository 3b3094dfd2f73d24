"""What following a capture came to: a verdict for each row, which differences count, and the columns behind them.

found = led(machine, captured)
found.first              # the first disagreement, or None
found.verdict            # of each row of the capture

A row that differs once, and of which the CPU's later cycles say that it was not so, is noise of the probe. A difference
counts where the CPU went by it, where the byte that came shows that the card heard it, or where it comes again and
again on the same line.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Sequence
from enum import IntEnum

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.select import ADDRESS_LINES
from simkit.backplane.wiring import DATA_LINES
from simkit.capture.captured import Captured
from simkit.compare.apart import DATA_SHIFT
from simkit.compare.cells import Cells
from simkit.compare.counted import count_bus, count_signals
from simkit.compare.fed import Answers
from simkit.compare.followed import Difference, Followed
from simkit.compare.led import Follower
from simkit.compare.pins import rom_content
from simkit.compare.rows import DOUBTFUL, SYNC_BIT, WRITE_BIT, Rows, joined
from simkit.compare.signals import signals
from simkit.machine.machine import Machine

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
        cells: memory as the capture shows it at its end.
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
    cells: Cells

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


def led(
    machine: Machine,
    captured: Captured,
    goes_on: Callable[[int], bool] | None = None,
    most_untold: int | None = None,
) -> Led:
    """Have the CPU of a machine run on captured bytes, and its cards answer the captured accesses.

    Args:
        machine: as it should be; it is left alone.
        captured: bus cycles with all of A0 to A15, D0 to D7 and RW.
        goes_on: called now and then with the number of rows that are done; False breaks off.
        most_untold: how long the CPU may be out of step, as of `Follower`.

    Raises:
        SimkitError: lines are missing.
        CardError: a card failed.
    """
    return Leading(machine, captured, goes_on, most_untold).end()


class Leading:
    """A CPU led by a capture that comes piece by piece.

    leading = Leading(machine, first_piece)
    leading.add(piece)
    leading.judged()         # what it comes to up to now: a little less than has come
    leading.end()            # that was all

    Args:
        machine: as it should be; it is left alone.
        captured: bus cycles with all of A0 to A15, D0 to D7 and RW: the first piece.
        goes_on, most_untold: as of `led`.
    """

    def __init__(
        self,
        machine: Machine,
        captured: Captured,
        goes_on: Callable[[int], bool] | None = None,
        most_untold: int | None = None,
    ) -> None:
        self._machine, self._pieces = machine, [captured]
        self._follower = Follower(machine, captured, goes_on, most_untold)

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
    contents = {slot: rom_content(machine, slot) for slot in {seat.slot for seat in machine.bus.seats}}
    roms = {slot: content for slot, content in contents.items() if content is not None}
    count_bus(followed, slots, levels, known & seen_known, seen, roms)
    beside = signals(machine, captured, rows, followed)
    differences = followed.differences + count_signals(followed, rows, beside)
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
        followed.fed.cells,
    )


def _blamed(one: Difference) -> Verdict:
    if one.signal:
        return Verdict.WIRE
    return Verdict.CPU if one.control or one.is_write else Verdict.CARD


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
