"""From samples to bus cycles.

Each line is read where it counts: data and what the CPU samples at the end of PHI2 in the last sample before it falls;
address, R/W, SYNC and selects, which stand still while PHI2 is high, by a vote of the last three samples in it. Where a
line moves so that the sample may be a chance, its level is not known:

- it moves within the last sample before the fall, where samples are so close that this is no time for it to move;
- it moves between the samples before and after the fall, where data need not have been valid yet in the one before;
- two samples that differ, where there is no third one to decide;
- the fall lies in a gap of the samples, and the line is another after it.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

import numpy as np

from simkit.backplane.select import ADDRESS_LINES
from simkit.capture.captured import Captured, Words
from simkit.capture.channels import CLOCK, Assignment, Reading
from simkit.capture.clocking import LEAST_SAMPLES, Falls, find_falls
from simkit.capture.rows import MOST_ROWS
from simkit.capture.samples import Samples
from simkit.contract.errors import SimkitError
from simkit.records.observed import SELECT

STEADY = frozenset((*ADDRESS_LINES, "RW", "SYNC", "VPB", "MLB"))
"""Lines that do not move while PHI2 is high (Western Design Center, W65C02S data sheet, Figure 6-1)."""
SET_UP = 1 / 7
"""Of a cycle: how long data are valid before PHI2 falls, where the user says nothing: 10 ns of 70, for data read (tDSR)
and for data written (tPWH - tMDS) alike (Western Design Center, W65C02S data sheet, Table 6-3). Slower parts ask for
less: 100 ns of 1000 (Rockwell, R65C00 data sheet, 1 MHz; from memory)."""
UNDER = 0.95
"""Of a sampling period: a set-up that is as long but for a twentieth is taken as long enough."""
MOST_DOUBTFUL = 0.1
CLOCK_OFF = 0.1
"""By which share the clock may be another than the machine's before it is told."""


def bus_cycles(
    samples: Samples,
    assigned: Sequence[Assignment],
    reading: Reading,
    *,
    file: str,
    notes: list[str],
    clock_hz: Fraction | None = None,
) -> Captured:
    """Find the bus cycles.

    Args:
        samples: of the capture.
        assigned: for each of its channels, which line it is.
        reading: what the user says of it.
        file: for messages.
        notes: gets what is to be told.
        clock_hz: of the machine, where it is known.

    Raises:
        SimkitError: PHI2 is not there or does not move, or sampling is too slow.
    """
    lines = [(bit, each) for bit, each in enumerate(assigned) if each.line != CLOCK]
    if not lines:
        raise SimkitError("No channel but PHI2 is a line.", file=file, remedy="Say in the channel file which is which.")
    if samples.by_cycle or reading.synchronous:
        return _one_a_row(samples, lines)
    clock = next((bit for bit, each in enumerate(assigned) if each.line == CLOCK), None)
    if clock is None:
        raise SimkitError(
            "No channel is PHI2, so nothing says where a bus cycle ends.",
            file=reading.file or file,
            remedy='Capture PHI2 too, and write "CHANNEL" = "PHI2" under [channels]; if the analyser took one sample a '
            "bus cycle, clocked by the bus, write synchronous = true under [capture].",
        )
    rate = 1 / (samples.period * samples.tick) if samples.period is not None else None
    if rate is not None and clock_hz is not None and rate < Fraction(LEAST_SAMPLES) * clock_hz:
        raise _too_slow(float(rate / clock_hz), float(4 * clock_hz), file)
    glitch = float(reading.glitch / samples.tick) if reading.glitch is not None else None
    falls = find_falls(
        samples,
        clock,
        inverted=assigned[clock].inverted,
        glitch=glitch,
        stretched=reading.stretched,
        file=file,
    )
    if falls.cycle < LEAST_SAMPLES * falls.period:
        raise _too_slow(falls.cycle / falls.period, 4 / (falls.cycle * float(samples.tick)), file)
    _tell(samples, falls, clock_hz, notes)
    set_up = float(reading.set_up / samples.tick) if reading.set_up is not None else SET_UP * falls.cycle
    levels, known, doubtful = _levels(samples, falls, lines, glitch or 0.0, set_up)
    if doubtful > MOST_DOUBTFUL:
        notes.append(
            f"{doubtful:.0%} of the levels are doubtful, as lines move while PHI2 falls and samples are far apart. If "
            'data are valid earlier, say how long before PHI2 falls: [capture], set_up = "200 ns".'
        )
    seconds = (falls.time - samples.time[0]) * float(samples.tick)
    return Captured(tuple(each.line for _, each in lines), levels, known, seconds, falls.lost)


def _one_a_row(samples: Samples, lines: Sequence[tuple[int, Assignment]]) -> Captured:
    """Each sample is a cycle; one in which nothing is known stands for some that were lost."""
    time, levels, unknown = samples.time, samples.levels, samples.unknown
    if not samples.by_cycle and samples.period is not None:
        many = np.rint(np.diff(time, append=samples.end) / float(samples.period)).astype(np.int64)
        if many.sum() > MOST_ROWS:
            raise SimkitError(
                f"The capture has {many.sum()} bus cycles; {MOST_ROWS} can be read.", remedy="Take it in parts."
            )
        first = np.repeat(time, many)
        within = np.arange(len(first)) - np.repeat(np.cumsum(many) - many, many)
        time = first + np.rint(within * float(samples.period)).astype(np.int64)
        levels, unknown = np.repeat(levels, many), np.repeat(unknown, many)
    marks = unknown == np.uint64((1 << len(samples.names)) - 1)
    kept = np.flatnonzero(~marks)
    lost = np.diff(np.cumsum(marks)[kept], prepend=0) > 0
    levels, known = _as_lines(levels[kept], ~unknown[kept], lines)
    seconds = (time[kept] - samples.time[0]) * float(samples.tick)
    return Captured(tuple(each.line for _, each in lines), levels, known, seconds, lost)


def _levels(
    samples: Samples, falls: Falls, lines: Sequence[tuple[int, Assignment]], glitch: float, set_up: float
) -> tuple[Words, Words, float]:
    """Levels where they count, what of them is known, lines in their order; share of what is doubtful."""
    last = samples.levels[falls.before]
    last_known = ~samples.unknown[falls.before]
    step = max(falls.period, glitch)
    points = [(last, last_known)]
    for back in (1, 2):
        at = np.searchsorted(samples.time, falls.time - (0.5 * falls.period + back * step), side="right") - 1
        inside = (at >= 0) & (falls.high > 0.5 * falls.period + (back + 0.4) * step)
        at = np.maximum(at, 0)
        known = np.where(inside, ~samples.unknown[at], np.uint64(0))
        points.append((samples.levels[at], known))
    steady, steady_known = _voted(points)
    close = falls.high > 3.4 * step
    doubt = np.where(close, (last ^ points[1][0]) & points[1][1], np.uint64(0))
    unsure = falls.doubtful if set_up >= falls.period * UNDER else np.ones_like(falls.doubtful)
    doubt |= np.where(unsure, last ^ samples.levels[falls.row], np.uint64(0))
    mask, every = np.uint64(0), np.uint64(0)
    for bit, each in lines:
        every |= np.uint64(1) << np.uint64(bit)
        if each.line in STEADY or each.line.endswith(f".{SELECT}"):
            mask |= np.uint64(1) << np.uint64(bit)
    levels = (steady & mask) | (last & ~mask)
    known = (steady_known & mask) | (last_known & ~doubt & ~mask)
    doubt &= every & ~mask
    share = int(np.bitwise_count(doubt).sum()) / max(1, len(doubt) * int(np.bitwise_count(every & ~mask)))
    return *_as_lines(levels, known, lines), share


def _voted(points: Sequence[tuple[Words, Words]]) -> tuple[Words, Words]:
    """What most of three samples say; of two, both; of one, it."""
    (a, ka), (b, kb), (c, kc) = points
    high, low = (a & ka, b & kb, c & kc), (~a & ka, ~b & kb, ~c & kc)
    some_high, some_low = high[0] | high[1] | high[2], low[0] | low[1] | low[2]
    most_high = (high[0] & high[1]) | (high[0] & high[2]) | (high[1] & high[2])
    most_low = (low[0] & low[1]) | (low[0] & low[2]) | (low[1] & low[2])
    level = (some_high & ~some_low) | most_high
    return level, level | (some_low & ~some_high) | most_low


def _as_lines(levels: Words, known: Words, lines: Sequence[tuple[int, Assignment]]) -> tuple[Words, Words]:
    """Channels as lines: bit i is the i-th of them, upright."""
    out, out_known = np.zeros_like(levels), np.zeros_like(known)
    one = np.uint64(1)
    for place, (bit, each) in enumerate(lines):
        seen = known >> np.uint64(bit) & one
        level = (levels >> np.uint64(bit) & one) ^ np.uint64(each.inverted)
        out |= (level & seen) << np.uint64(place)
        out_known |= seen << np.uint64(place)
    return out, out_known


def _too_slow(samples_a_cycle: float, least_hz: float, file: str) -> SimkitError:
    return SimkitError(
        f"The capture has {samples_a_cycle:.1f} samples a bus cycle; 4 are needed to find where each ends.",
        file=file,
        remedy=f"Sample at {frequency(least_hz)} or faster, better twice that; or clock the analyser by PHI2.",
    )


def _tell(samples: Samples, falls: Falls, clock_hz: Fraction | None, notes: list[str]) -> None:
    """Note what is to be known of the clock."""
    hz = 1 / (falls.cycle * float(samples.tick))
    if clock_hz is not None and abs(hz / float(clock_hz) - 1) > CLOCK_OFF:
        notes.append(
            f"PHI2 has {frequency(hz)} in the capture, the machine's clock is {frequency(float(clock_hz))}: the "
            "sampling rate that is given may be wrong, or another channel is PHI2."
        )
    if falls.irregular:
        notes.append("PHI2 is irregular, so only gaps in the samples count as lost.")
    if falls.lost.any():
        about = f", about {falls.missing} cycles" if falls.missing else ""
        places = int(falls.lost.sum())
        notes.append(f"Samples are missing in {places} place{'' if places == 1 else 's'}{about}.")
    if falls.stretched:
        notes.append(f"PHI2 was held in {falls.stretched} cycles; each counts as one.")
    if falls.removed:
        notes.append(f"{falls.removed} pulses of PHI2 were too short to be cycles and are left out.")


def frequency(hz: float) -> str:
    """A frequency for people."""
    for unit, size in (("MHz", 1e6), ("kHz", 1e3)):
        if hz >= size:
            return f"{hz / size:.4g} {unit}"
    return f"{hz:.4g} Hz"
