"""Where PHI2 falls in samples, and where cycles may be missing.

A glitch is taken away, a short gap in the samples is bridged, and each interval between two falls is looked at:

- shorter than a cycle by more than sampling explains: samples were dropped, and nothing in the file tells it;
- longer: PHI2 was held where the analyser surely sampled all the time and half a cycle more is not all of it, as two
  halves with the time between them dropped would show; otherwise samples are missing;
- with a gap in it that is no short one: cycles are missing.

An interval that is too long and its neighbour that is as much too short are one edge that was seen late, as a sample or
two were dropped there: no cycle is missing, but lines that move then are doubtful. Where PHI2 was high for too short or
too long a time, samples are missing within: what lines show then is of a cycle that has long been over, and its row is
left out.
"""

from __future__ import annotations

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.capture.samples import Samples
from simkit.contract.errors import SimkitError

LEAST_SAMPLES = 3.3
"""Samples a bus cycle below which an edge of PHI2 may lie between any two of them: 4, less what jitter takes."""
GLITCH = 1 / 6
"""Of a cycle: a pulse of PHI2 that is shorter is none, where the user says nothing. A third of the shorter half that
data sheets allow at full speed (Western Design Center, W65C02S data sheet, Table 6-3: 35 ns of 70) is the same."""
HALF = 0.5
"""Of a cycle: samples that are no further apart have one edge of PHI2 between them at most."""
DISPLACED = 0.4
"""Of a cycle: an edge may be seen so much later than it was."""
IRREGULAR = 0.25
"""Of a cycle: where half of the intervals differ more from each other, the clock is no oscillator's."""


@attrs.frozen(eq=False)
class Falls:
    """Falls of PHI2, in order.

    Attributes:
        before: index of the last row before each.
        row: index of the first row after it.
        time: of that row, in ticks.
        high: ticks that PHI2 was high before it, as far as it was seen.
        doubtful: whether samples are missing round it.
        lost: whether cycles may be missing before it.
        cycle: usual length of a cycle, in ticks.
        period: sampling period in ticks; where the file does not say it, the shortest step.
        removed: glitches taken away.
        missing: about how many cycles are missing altogether.
        stretched: cycles that were longer and count as one.
        irregular: whether cycles differ so much that only gaps count as lost.
    """

    before: NDArray[np.int64]
    row: NDArray[np.int64]
    time: NDArray[np.int64]
    high: NDArray[np.int64]
    doubtful: NDArray[np.bool_]
    lost: NDArray[np.bool_]
    cycle: float
    period: float
    removed: int
    missing: int
    stretched: int
    irregular: bool


@attrs.frozen(eq=False)
class _Stretches:
    """Stretches of one level of PHI2: level 0, 1 or 2 for unknown; first row; time of it; time of the end."""

    level: NDArray[np.uint8]
    row: NDArray[np.int64]
    begin: NDArray[np.int64]
    end: NDArray[np.int64]


def find_falls(
    samples: Samples, bit: int, *, inverted: bool, glitch: float | None, stretched: bool, file: str
) -> Falls:
    """Find the falls of PHI2.

    Args:
        samples: of the capture.
        bit: that is PHI2.
        inverted: whether it is so.
        glitch: ticks; pulses shorter than that are none; None: a share of a cycle.
        stretched: whether the machine is known to hold PHI2.
        file: for messages.

    Raises:
        SimkitError: PHI2 does not move enough.
    """
    seen = _stretches(samples, bit, inverted=inverted)
    moves = np.flatnonzero((seen.level[:-1] == 1) & (seen.level[1:] == 0)) + 1
    if len(moves) < 2:
        raise SimkitError(
            f"PHI2 falls {['never', 'once'][len(moves)]} in the capture.",
            file=file,
            remedy="Look at the clip on PHI2 and at the channel that is said to be it, or capture for longer.",
        )
    rough = float(np.median(np.diff(seen.begin[moves])))
    if rough <= 0:
        raise SimkitError("The times of the samples do not increase.", file=file, remedy="Look at their unit.")
    period = float(samples.period) if samples.period is not None else float(np.diff(samples.time).min(initial=1 << 62))
    bridged, short, long = _bridged(seen, HALF * rough - period)
    if glitch is None:
        glitch = 1.5 * period if _differ(np.diff(seen.begin[moves]), rough, period) else GLITCH * rough
    edges, removed = _without_glitches(bridged, glitch)
    falls = edges[bridged.level[edges] == 0]
    at_gap = np.isin(bridged.row[falls], long)
    row, time = bridged.row[falls], bridged.begin[falls]
    rises = edges[bridged.level[edges] == 1]
    since = np.searchsorted(bridged.begin[rises], time) - 1
    start = np.where(since >= 0, bridged.begin[rises[np.maximum(since, 0)]] if len(rises) else 0, samples.time[0])
    high = time - start
    if not (samples.complete or stretched):
        at_gap |= high > float(np.median(high)) + max(1.6 * period, 0.15 * rough) + rough / 3
    keep = np.flatnonzero(~at_gap)
    if len(keep) < 2:
        raise SimkitError("PHI2 falls only where samples are missing.", file=file, remedy="Capture again.")
    row, time, high = row[keep], time[keep], high[keep]
    cycle = max(1.0, float(np.median(np.diff(time))))
    gap_before = _any_before(samples.time[long], time)
    some_gap = gap_before | _any_before(samples.time[short], time)
    interval = np.diff(time)
    doubtful = np.isin(row, short)
    before = _last_seen(samples, row, bit)
    unsure = np.where(doubtful, time - samples.time[before + 1], 0)
    irregular = _differ(interval, cycle, period)
    slack = max(1.6 * period, 0.15 * cycle) + unsure[1:] + unsure[:-1]
    early = np.zeros(len(time), np.bool_)
    late = early.copy()
    if not irregular:
        early[1:] = interval < cycle - slack
        late[1:] = interval > cycle + slack
        displaced = _displaced(interval, cycle, slack, early[1:] | late[1:])
        doubtful[1:-1] |= displaced
        early[1:-1] &= ~displaced
        early[2:] &= ~displaced
        late[1:-1] &= ~displaced
        late[2:] &= ~displaced
    held = late & ~some_gap
    if not stretched:
        held[1:] &= samples.complete & (interval > 1.5 * cycle + slack)
    odd = early | (late & ~held)
    lost = gap_before | odd
    missing = int(np.maximum(np.rint(interval / cycle) - 1, 0)[lost[1:]].sum())
    within_high = odd & (np.abs(high - np.median(high)) > max(1.6 * period, 0.1 * cycle))
    lost[1:] |= within_high[:-1]
    doubtful[:-1] |= lost[1:]
    left = np.flatnonzero(~within_high)
    return Falls(
        before=before[left],
        row=row[left],
        time=time[left],
        high=high[left],
        doubtful=doubtful[left],
        lost=lost[left],
        cycle=cycle,
        period=period,
        removed=removed,
        missing=missing,
        stretched=int(held.sum()),
        irregular=irregular,
    )


def _differ(interval: NDArray[np.int64], cycle: float, period: float) -> bool:
    """Whether cycles differ so much that the clock is no oscillator's."""
    return float(np.subtract(*np.percentile(interval, [75, 25]))) > max(IRREGULAR * cycle, 2 * period)


def _any_before(moments: NDArray[np.int64], time: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Whether one of the moments lies between each time and the one before it; before the first one, anywhere."""
    return np.asarray(np.diff(np.searchsorted(moments, time, side="right"), prepend=0) > 0, np.bool_)


def _displaced(
    interval: NDArray[np.int64], cycle: float, slack: NDArray[np.float64], odd: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Of the falls between two intervals, those that were seen at another time than they happened."""
    both = np.abs(interval[:-1] + interval[1:] - 2 * cycle) <= slack[:-1]
    little = np.abs(interval[:-1] - cycle) < DISPLACED * cycle
    return np.asarray((odd[:-1] | odd[1:]) & both & little, np.bool_)


def _last_seen(samples: Samples, row: NDArray[np.int64], bit: int) -> NDArray[np.int64]:
    """The rows before these in which PHI2 is known."""
    before = row - 1
    for _ in range(2):
        hidden = samples.unknown[before] >> np.uint64(bit) & np.uint64(1) != 0
        before = np.where((before > 0) & hidden, before - 1, before)
    return before


def _stretches(samples: Samples, bit: int, *, inverted: bool) -> _Stretches:
    one = np.uint64(1)
    level = (samples.levels >> np.uint64(bit) & one).astype(np.uint8)
    if inverted:
        level ^= 1
    level[(samples.unknown >> np.uint64(bit) & one) != 0] = 2
    row = np.concatenate(([0], np.flatnonzero(level[1:] != level[:-1]) + 1))
    begin = samples.time[row]
    return _Stretches(level[row], row, begin, np.append(begin[1:], samples.end))


def _bridged(seen: _Stretches, most: float) -> tuple[_Stretches, NDArray[np.int64], NDArray[np.int64]]:
    """The same with gaps given the level before them; rows at which short gaps end, of `most` ticks, and long ones."""
    gaps = np.flatnonzero(seen.level == 2)
    none = np.zeros(0, np.int64)
    if not len(gaps):
        return seen, none, none
    level = seen.level.copy()
    level[gaps] = np.where(gaps > 0, level[np.maximum(gaps - 1, 0)], 0)
    if gaps[0] == 0:
        level[0] = level[1] if len(level) > 1 else 0
    ended = gaps[gaps + 1 < len(level)]
    is_long = (seen.end - seen.begin)[ended] > most
    merged = np.concatenate(([0], np.flatnonzero(level[1:] != level[:-1]) + 1))
    begin = seen.begin[merged]
    out = _Stretches(level[merged], seen.row[merged], begin, np.append(begin[1:], seen.end[-1]))
    return out, seen.row[ended[~is_long] + 1], seen.row[ended[is_long] + 1]


def _without_glitches(seen: _Stretches, glitch: float) -> tuple[NDArray[np.int64], int]:
    """Stretches that begin with an edge when short ones are taken away, and how many those are."""
    short = seen.end - seen.begin < glitch
    short[0] = short[-1] = False
    if not short.any():
        return np.arange(1, len(short)), 0
    at = np.arange(len(short))
    run = at - np.maximum.accumulate(np.where(short, -1, at))
    goes = short & (run % 2 == 1)
    gone = goes.copy()
    gone[1:] |= goes[:-1]
    gone[0] = True
    return np.flatnonzero(~gone), int(goes.sum())
