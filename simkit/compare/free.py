"""A capture of any lines beside a run: where in the run it is, how much agrees, and which line does not.

Nobody knows where a capture begins, and what comes from outside comes at other times in it than in any run. So each
line votes: stretches of it that occur in few places of the run say where the capture is, block by block, as long as
some lines are right. Blocks whose place no line knows (the program does there what it never did in the run) are not
compared. Where two runs that power up differently do not agree, the capture need not either.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.seat import Seat
from simkit.backplane.wiring import DATA_LINES
from simkit.capture.captured import Captured
from simkit.compare.rows import DOUBTFUL, with_missing
from simkit.contract.errors import SimkitError
from simkit.machine.machine import Machine
from simkit.records.observed import Observed, Observer

STRETCH = 48
"""Rows of one line that are looked up in the run. Ours."""
PLACES = 6
"""A stretch that occurs oftener in the run says nothing. Ours."""
MOST_SEARCHED = 400
"""Places that are tried for a block in a loop. Ours."""
BLOCK = 128
"""Rows that are placed together. Ours."""
VOTES = 6
"""Votes that place a block. Ours."""
SLACK = 3
"""Rows by which a block may be off where its votes are counted together. Ours."""


Words = NDArray[np.uint64]


@attrs.frozen(eq=False)
class Free:
    """A capture beside a run.

    Attributes:
        captured: the capture, with a row for each cycle that is missing.
        place: number of each row in what was given, DOUBTFUL for one that is missing there.
        names: lines that are in both; bit i of a word belongs to names[i].
        seen, seen_known: what was captured.
        levels: what the run has there.
        known: lines of which it counts.
        at: int64 of shape (n,): cycle of the run for each row, DOUBTFUL where it is not placed.
        slot: int16 of shape (n,): of the one card that is reached there, -1 for none.
        address: int64 of shape (n,): that the run has there, DOUBTFUL where the row is not placed.
        memories: slots of cards that are memory and take writes.
    """

    captured: Captured
    place: NDArray[np.int64]
    names: tuple[str, ...]
    seen: Words
    seen_known: Words
    levels: Words
    known: Words
    at: NDArray[np.int64]
    slot: NDArray[np.int16]
    address: NDArray[np.int64]
    memories: tuple[int, ...]

    @property
    def placed(self) -> NDArray[np.bool_]:
        """Rows whose place in the run is known."""
        found: NDArray[np.bool_] = self.at != DOUBTFUL
        return found

    @property
    def differ(self) -> NDArray[np.bool_]:
        """Placed rows in which some line that counts is another; noise makes some."""
        found: NDArray[np.bool_] = (self.seen ^ self.levels) & self.known & self.seen_known != 0
        return found & self.placed

    def share(self, line: str) -> float | None:
        """Share of the placed rows in which a line agrees; None where none counts."""
        one = np.uint64(1) << np.uint64(self.names.index(line))
        both = self.known & self.seen_known & one != 0
        if not both.any():
            return None
        return float(((self.seen ^ self.levels)[both] & one == 0).mean())


def free(
    machine: Machine,
    others: Sequence[Machine],
    captured: Captured,
    run_on: Callable[[], object],
) -> Free:
    """Place a capture in a run.

    Args:
        machine: the machine, with whatever input it has been given.
        others: the same with other seeds; they tell what is left to chance.
        captured: bus cycles with at least one line of the machine.
        run_on: has the machine run as far as it shall.

    Raises:
        SimkitError: no line of the capture is one of the machine, or the run is too short.
    """
    there = {*machine.lines, *(f"{seat.slot}.select" for seat in machine.bus.seats)}
    pins = {f"{seat.slot}.{pin}" for seat in machine.bus.seats for pin, one in seat.connector.pins.items() if one.line}
    known_names = {*there, *pins, *_BUS}
    names = tuple(name for name in captured.names if name in known_names and name != "PHI2")
    if not names:
        raise SimkitError(
            f"No line of the capture ({', '.join(captured.names[:8])}) is a line of this machine.",
            remedy="Say in the channels' TOML which channel is which line: A0, D3, RW, 4.select.",
        )
    with_rows, place = with_missing(captured)
    seen, seen_known = with_rows.gathered(names)
    first = _run(machine, names, run_on)
    run, sure = first.levels, _told(machine, first)
    for other in others:
        sure &= _agreeing(run, _run(other, names, partial(other.run_to, machine.cycle)).levels)
    at = _placed(run, seen, seen_known, len(names))
    there_rows = at != DOUBTFUL
    levels, known = np.zeros(len(seen), np.uint64), np.zeros(len(seen), np.uint64)
    levels[there_rows] = run[at[there_rows]]
    known[there_rows] = sure[at[there_rows]]
    slot = np.full(len(seen), -1, np.int16)
    slot[there_rows] = _slots(machine, first)[at[there_rows]]
    address = np.full(len(seen), DOUBTFUL, np.int64)
    address[there_rows] = first.cycles.address[at[there_rows]]
    memories = tuple(seat.slot for seat in machine.bus.seats if _is_ram(seat))
    return Free(
        with_rows, place, names, seen & seen_known, seen_known, levels & known, known, at, slot, address, memories
    )


_BUS = (*(f"A{n}" for n in range(16)), *(f"D{n}" for n in range(8)), "RW", "SYNC")


def _run(machine: Machine, names: Sequence[str], run_on: Callable[[], object]) -> Observed:
    with Observer(machine, names) as observer:
        run_on()
    found = observer.observed
    if len(found) < STRETCH:
        raise SimkitError(f"The run has {len(found)} cycles, too few to look anything up in.", remedy="Run it longer.")
    return found


def _told(machine: Machine, run: Observed) -> Words:
    """For each cycle of a run, lines that a run tells: not what memory holds that nobody has written since power-on."""
    address, is_write = run.cycles.address.astype(np.int64), run.cycles.is_write
    written = np.full(0x10000, len(run), np.int64)  # by address, the first write
    rows = np.flatnonzero(is_write)[::-1]
    written[address[rows]] = rows
    memory = np.isin(_slots(machine, run), [seat.slot for seat in machine.bus.seats if _is_ram(seat)])
    noise = memory & ~is_write & (written[address] > np.arange(len(run)))
    data = sum(1 << bit for bit, name in enumerate(run.names) if name in DATA_LINES)
    found = np.full(len(run), ~np.uint64(0), np.uint64)
    found[noise] &= ~np.uint64(data)
    return found


def _is_ram(seat: Seat) -> bool:
    return seat.plain is not None and seat.plain.write is not None and not seat.plain.ignores_writes


def _slots(machine: Machine, run: Observed) -> NDArray[np.int16]:
    """Slot of the one card that each cycle of a run reaches, as the decoding is at its end; -1 for none or several."""
    table = machine.bus.reach.table
    words = run.cycles.address.astype(np.int64) | run.cycles.is_write.astype(np.int64) << 16
    unique, inverse = np.unique(words, return_inverse=True)
    found = []
    for word in unique.tolist():
        plan = table.write_plan(word & 0xFFFF) if word >> 16 else table.read_plan(word)
        found.append(plan.selected[0] if len(plan.selected) == 1 else -1)
    return np.array(found, np.int16)[inverse]


def _agreeing(run: Words, other: Words) -> Words:
    """For each cycle of a run, the lines on which another run agrees in the same cycle; all, where it is elsewhere."""
    found = np.full(len(run), ~np.uint64(0), np.uint64)
    both = min(len(run), len(other))
    different = run[:both] ^ other[:both]
    apart = np.flatnonzero(different)
    if len(apart):  # where the two go different ways for good, their cycles are no longer the same
        window = np.convolve(different != 0, np.ones(BLOCK), "same") < BLOCK // 2
        ways = np.flatnonzero(~window)
        end = int(ways[0]) if len(ways) else both
        found[:end] = ~different[:end]
    return found


def _placed(run: Words, seen: Words, known: Words, lines: int) -> NDArray[np.int64]:
    """Cycle of the run for each row of the capture, block by block."""
    columns = [_Line.of(run, seen, known, bit) for bit in range(lines)]
    votes = [line.votes() for line in columns]
    rows = np.concatenate([row for row, _ in votes]) if votes else np.zeros(0, np.int64)
    shifts = np.concatenate([shift for _, shift in votes]) if votes else np.zeros(0, np.int64)
    found = np.full(len(seen), DOUBTFUL, np.int64)
    before: int | None = None
    for begin in range(0, len(seen), BLOCK):
        end = min(begin + BLOCK, len(seen))
        mine = shifts[(rows >= begin) & (rows < end)]
        shift = _elected(mine, before)
        if shift is None:
            shift = _searched(run, seen, known, columns, begin, end, before)
        if shift is None:
            continue
        shift, share = _best_near(run, seen, known, begin, end, shift, lines)
        if share >= HALF and _is_there(run, seen, known, begin, end, shift, lines):
            found[begin:end] = np.arange(begin, end) + shift
            before = shift
    found[(found < 0) | (found >= len(run))] = DOUBTFUL
    return found


HALF = 0.5
"""Share of the lines' rows that must agree for a block to be placed. Ours."""


def _is_there(run: Words, seen: Words, known: Words, begin: int, end: int, shift: int, lines: int) -> bool:
    """Whether a block is at its place in the run: half of its lines are as there, and one of them moves.

    Of lines that stand still any place of a run can be had; what differs in such a place is no fault of a line.
    """
    right = moving = 0
    for bit in range(lines):
        told = _column(known[begin:end], bit) != 0
        mine = _column(seen[begin:end], bit)[told]
        agrees = mine == _column(run[begin + shift : end + shift], bit)[told]
        if len(mine) and agrees.mean() >= RIGHT:
            right += 1
            moving += bool(min(mine.mean(), 1 - mine.mean()) >= MOVES)
    return right >= HALF * lines and moving > 0


RIGHT = 0.9
"""Share of a block in which a line agrees that is right there: some are misread, some cycles are missing. Ours."""
MOVES = 0.05
"""Share of a block in which a line has its rarer level, if it moves. Ours: noise has it less often."""


def _column(words: Words, bit: int) -> NDArray[np.uint8]:
    return (words >> np.uint64(bit) & np.uint64(1)).astype(np.uint8)


def _keys(column: NDArray[np.uint8]) -> NDArray[np.uint64]:
    """Each stretch of a line as one word."""
    if len(column) < STRETCH:
        return np.zeros(0, np.uint64)
    found = np.zeros(len(column) - STRETCH + 1, np.uint64)
    for at in range(STRETCH):
        found |= column[at : at + len(found)].astype(np.uint64) << np.uint64(at)
    return found


@attrs.frozen(eq=False)
class _Line:
    """Stretches of one line: where in the run those of the capture occur.

    Attributes:
        order: places of the run, by their stretch.
        rows: of the capture, every fourth, with whole stretches.
        low, high: of each the first in `order` and the one behind the last.
    """

    order: NDArray[np.intp]
    rows: NDArray[np.intp]
    low: NDArray[np.intp]
    high: NDArray[np.intp]

    @classmethod
    def of(cls, run: Words, seen: Words, known: Words, bit: int) -> _Line:
        """Of the line of that bit."""
        keys, wanted = _keys(_column(run, bit)), _keys(_column(seen, bit))
        order = np.argsort(keys, kind="stable")
        ranked = keys[order]
        if len(wanted):
            whole = np.convolve(_column(known, bit), np.ones(STRETCH), "valid") == STRETCH
            rows = np.flatnonzero(whole)[::4]
        else:
            rows = np.zeros(0, np.intp)
        low, high = (np.searchsorted(ranked, wanted[rows], side=side) for side in ("left", "right"))
        return cls(order, rows, low, high)

    def votes(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Rows of the capture, and by how much the run is ahead there, by the stretches that say so."""
        few = (self.high > self.low) & (self.high - self.low <= PLACES)
        rows, low, times = self.rows[few], self.low[few], (self.high - self.low)[few]
        which = np.repeat(rows, times)
        inside = np.arange(len(which)) - np.repeat(np.cumsum(times) - times, times)
        places = self.order[np.repeat(low, times) + inside]
        return which.astype(np.int64), (places - which).astype(np.int64)

    def shifts(self, begin: int, end: int) -> NDArray[np.int64]:
        """All that a stretch within a block could say, of the one that says least."""
        mine = np.flatnonzero((self.rows >= begin) & (self.rows < end) & (self.high > self.low))
        if not len(mine):
            return np.zeros(0, np.int64)
        one = mine[(self.high - self.low)[mine].argmin()]
        found: NDArray[np.int64] = (
            self.order[self.low[one] : self.high[one]][:MOST_SEARCHED].astype(np.int64) - self.rows[one]
        )
        return found


def _searched(
    run: Words, seen: Words, known: Words, lines: Sequence[_Line], begin: int, end: int, before: int | None
) -> int | None:
    """In a loop that the run goes through often no stretch says where: the place at which most agrees will do."""
    candidates = [line.shifts(begin, end) for line in lines]
    candidates = sorted((each for each in candidates if len(each)), key=len)[:3]
    shifts = np.unique(np.concatenate(candidates)) if candidates else np.zeros(0, np.int64)
    if before is not None:
        shifts = np.append(shifts, before)
    shifts = shifts[(begin + shifts >= 0) & (end + shifts <= len(run))]
    if not len(shifts):
        return None
    rows = np.arange(begin, end)
    wrong = [int(popcount((run[rows + shift] ^ seen[begin:end]) & known[begin:end]).sum()) for shift in shifts.tolist()]
    return int(shifts[int(np.argmin(wrong))])


def popcount(words: Words) -> NDArray[np.int64]:
    """Bits that are set in each word."""
    found: NDArray[np.int64] = np.unpackbits(words.view(np.uint8).reshape(-1, 8), axis=1).sum(axis=1, dtype=np.int64)
    return found


def _elected(shifts: NDArray[np.int64], before: int | None) -> int | None:
    """The shift that most stretches of a block say; that of the block before where it has as many."""
    if not len(shifts):
        return None
    values, counts = np.unique(shifts, return_counts=True)
    if before is not None and counts[np.abs(values - before) <= SLACK].sum() >= VOTES:
        return before
    best = int(counts.argmax())
    return int(values[best]) if counts[best] >= VOTES else None


def _best_near(
    run: Words, seen: Words, known: Words, begin: int, end: int, shift: int, lines: int
) -> tuple[int, float]:
    """The best shift near one, and the share of the lines' rows that agree with it."""
    best = (shift, -1.0)
    for near in sorted(range(shift - SLACK, shift + SLACK + 1), key=lambda each: abs(each - shift)):
        if begin + near < 0 or end + near > len(run):
            continue
        different = (run[begin + near : end + near] ^ seen[begin:end]) & known[begin:end]
        counted = int(popcount(known[begin:end]).sum())
        share = 1 - int(popcount(different).sum()) / counted if counted else 0.0
        if share > best[1]:
            best = near, share
    return best
