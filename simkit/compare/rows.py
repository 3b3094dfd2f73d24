"""The rows of a capture as plain numbers, for what goes through them one after the other."""

from __future__ import annotations

from collections.abc import Sequence

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.select import ADDRESS_LINES
from simkit.backplane.wiring import DATA_LINES
from simkit.capture.captured import Captured
from simkit.compare.at_cpu import AtCpu

WRITE_BIT, SYNC_BIT = 1 << 16, 1 << 17
"""In a word of address and control: R/W low, SYNC high."""
MOST_MISSING = 16
"""Missing cycles in a row that are made up for. Ours."""
CLOCK_ROWS = 256
"""Rows by which the clock is known where a capture grows. Ours."""
DOUBTFUL = -1
"""Where a word or a byte is not known whole."""


@attrs.define(eq=False)
class Rows:
    """What a capture shows of each cycle, at the CPU; it may grow.

    Attributes:
        words: address, WRITE_BIT and SYNC_BIT.
        masks: which bits of that are known.
        seen: words where address and R/W are known whole and SYNC is, too, or is not captured; else DOUBTFUL. Lines of
            which wiring lets nobody know count as low.
        bytes: on the data lines, 0 where not known.
        known: which bits of that are.
        data: bytes where they are known whole, else DOUBTFUL.
        lost: whether cycles may be missing before the row.
        held: whether RDY is known to be low.
        cycle: of each row, counted from the first, with those that are missing.
        place: number of the row in the capture; DOUBTFUL for one that is missing there.
        lines: words as they are on the backplane, R/W as its level, where that is wired otherwise than the CPU, and
            there is a word of the CPU that gives them; else DOUBTFUL.
        has_sync: whether SYNC is among the lines.
    """

    words: list[int]
    masks: list[int]
    seen: list[int]
    bytes: list[int]
    known: list[int]
    data: list[int]
    lost: list[bool]
    held: list[bool]
    cycle: list[int]
    place: list[int]
    lines: list[int]
    has_sync: bool
    _at_cpu: AtCpu | None = None
    _last: Captured | None = None

    def __len__(self) -> int:
        return len(self.words)

    @classmethod
    def of(cls, captured: Captured, at_cpu: AtCpu | None = None) -> Rows:
        """Of a capture; where a few cycles are missing rows of which nothing is known stand for them.

        Args:
            captured: of the backplane.
            at_cpu: what that says of the CPU; None: its lines are those of the backplane.
        """
        found = cls([], [], [], [], [], [], [], [], [], [], [], "SYNC" in captured.names, at_cpu)
        found.add(captured)
        return found

    def apart(self, row: int, word: int) -> int:
        """Bits of a word of the CPU that the capture shows otherwise.

        Where wiring makes one level of two lines they count, too, though nothing is known of either line by itself.
        """
        bits = (self.words[row] ^ word) & self.masks[row]
        if bits or self._at_cpu is None or self.lines[row] < 0:
            return bits
        return int(self._at_cpu.puts[(word ^ WRITE_BIT) & (0xFFFF | WRITE_BIT)]) ^ self.lines[row]

    def add(self, more: Captured) -> None:
        """What came after it, of the same lines."""
        before = 0 if self._last is None else len(self._last)
        whole = more if self._last is None else joined((self._last, more))
        captured, place = with_missing(whole)
        cycle = cycle_numbers(captured)
        if before:  # what came before is there for the clock alone
            last = int(np.flatnonzero(place == before - 1)[0])
            cycle = (cycle - cycle[last] + self.cycle[-1])[last + 1 :]
            captured, place = captured[last + 1 :], place[last + 1 :]
            place = np.where(place >= 0, place - before + self.place[-1] + 1, DOUBTFUL)
        self._last = whole[-CLOCK_ROWS:]
        words, masks = control_words(captured)
        data, data_known = (each.astype(np.int64) for each in captured.data)
        every = 0xFFFF | WRITE_BIT
        if self._at_cpu is not None:
            self.lines += self._at_cpu.lines_at(words ^ WRITE_BIT, masks).tolist()
            words, masks = self._at_cpu.control_at((words ^ WRITE_BIT) & masks, masks)
            words, every = (words ^ WRITE_BIT) & masks, self._at_cpu.always
            kept = (self.bytes[-1], self.known[-1]) if self.bytes else (0, 0)
            levels = (words ^ WRITE_BIT) & masks
            data, data_known = self._at_cpu.data_at(data, data_known, levels, masks, captured.lost, kept)
        every |= SYNC_BIT if self.has_sync else 0
        seen = np.where(masks & every == every, words, DOUBTFUL)
        ready, ready_known = captured.gathered(["RDY"])
        self.words += words.tolist()
        self.masks += masks.tolist()
        self.seen += seen.tolist()
        self.bytes += data.tolist()
        self.known += data_known.tolist()
        self.data += np.where(data_known == 0xFF, data, DOUBTFUL).tolist()
        self.lost += captured.lost.tolist()
        self.held += ((ready == 0) & (ready_known != 0)).tolist()
        self.cycle += cycle.tolist()
        self.place += place.tolist()


def joined(pieces: Sequence[Captured]) -> Captured:
    """Captures of the same lines, one after the other.

    Raises:
        ValueError: the lines are not the same.
    """
    if any(piece.names != pieces[0].names for piece in pieces):
        raise ValueError("pieces of one capture have the same lines")
    if len(pieces) == 1:
        return pieces[0]
    levels, known, time, lost = (
        np.concatenate([getattr(piece, column) for piece in pieces]) for column in ("levels", "known", "time", "lost")
    )
    return Captured(pieces[0].names, levels, known, time, lost)


def control_words(captured: Captured) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Address, R/W and SYNC of each row in one word, and which of its bits are known."""
    levels, known = (each.astype(np.int64) for each in captured.gathered([*ADDRESS_LINES, "RW", "SYNC"]))
    return (levels ^ WRITE_BIT) & known, known


def cycle_numbers(captured: Captured) -> NDArray[np.int64]:
    """Number of each row's cycle from the first on: where cycles are missing the clock tells how many."""
    count = len(captured)
    if not count:
        return np.zeros(0, np.int64)
    steps = np.ones(count, np.int64)
    steps[0] = 0
    apart = np.diff(captured.time, prepend=captured.time[0])
    gaps = captured.lost & (np.arange(count) > 0)
    if gaps.any() and (~gaps[1:]).any():
        period = float(np.median(apart[1:][~gaps[1:]]))
        if period > 0:
            steps[gaps] = np.maximum(1, np.rint(apart[gaps] / period)).astype(np.int64)
    found: NDArray[np.int64] = np.cumsum(steps)
    return found


def full(captured: Captured) -> bool:
    """Whether a CPU can be led by it: address, data and R/W are all captured."""
    return {*ADDRESS_LINES, *DATA_LINES, "RW"} <= set(captured.names)


def with_missing(captured: Captured) -> tuple[Captured, NDArray[np.int64]]:
    """The capture with a row for each cycle that is missing, and the number of each row in the capture, or DOUBTFUL.

    Where more than MOST_MISSING are missing in a place they stay away: what the CPU did in them is not to be told.
    """
    count = len(captured)
    missing = np.diff(cycle_numbers(captured), prepend=-1) - 1
    missing[missing > MOST_MISSING] = 0
    if not missing.any():
        return captured, np.arange(count)
    at = np.arange(count) + np.cumsum(missing)
    place = np.full(count + int(missing.sum()), DOUBTFUL, np.int64)
    place[at] = np.arange(count)
    there = place >= 0
    zeros = np.zeros(len(place), np.uint64)
    levels, known, lost = zeros.copy(), zeros, np.zeros(len(place), bool)
    levels[there], known[there] = captured.levels, captured.known
    lost[there] = captured.lost & (missing == 0)
    numbers = np.arange(len(place))
    return Captured(captured.names, levels, known, np.interp(numbers, at, captured.time), lost), place
