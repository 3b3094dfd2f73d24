"""A run as a logic analyser would have captured it: what an ideal probe saw, and all that a real one does to it.

Lines move when chips move them: address and R/W some ten nanoseconds after PHI2 falls, written data after it rises,
read data before it falls, and what nobody drives any longer drifts. The analyser's clock knows nothing of the
machine's; its samples come early or late, some are missing; clips slip, edges ring.

observed = observe(machine, 100_000)
taken = rehearse(observed, Fraction(2_000_000), ["PHI2", *observed.names], Analyser(jitter=2e-9), seed=7)
taken.samples

When the CPU moves lines is as its data sheet says at 5 V: Western Design Center, W65C02S data sheet, table 6-3 (tAH,
tADS, tMDS, tDSR, tDHR). How long decoding takes, when a card's read data come after PHI2 rises, when data lines drift
and how wide pulses are at edges is from memory: common 74HC parts and memories of 70 ns.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from fractions import Fraction

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.select import ADDRESS_LINES
from simkit.backplane.wiring import DATA_LINES
from simkit.capture.samples import MOST_CHANNELS, Samples
from simkit.contract.errors import SimkitError, near
from simkit.records.observed import SELECT, Observed

CLOCK = "PHI2"
MOST_SAMPLES = 60_000_000
INVERTED = "not "

NS = 1e-9
ADDRESS_MOVES = (10 * NS, 30 * NS)
"""After PHI2 falls: tAH and tADS."""
WRITE_DATA_MOVES = (5 * NS, 25 * NS)
"""After PHI2 rises: tMDS is the later one."""
READ_DATA_MOVES = (20 * NS, 70 * NS)
"""After PHI2 rises, from memory: output enable of a memory behind a 74HC245."""
READ_SET_UP = 10 * NS
"""Before PHI2 falls: tDSR."""
DATA_LET_GO = (10 * NS, 40 * NS)
"""After PHI2 falls: tDHR and tDHW, to when outputs are off."""
SELECT_MOVES = (20 * NS, 60 * NS)
"""After the address, from memory: a 74HC688 and a 74HC138."""
OTHERS_MOVE = (20 * NS, 90 * NS)
"""Interrupts and other pins, after PHI2 falls."""
PULSE_WIDTH = (3 * NS, 15 * NS)
DRIFTING = 0.25
"""Share of the cycles after which data lines that nobody drives go elsewhere before the next byte."""

Times = NDArray[np.float64]
Words = NDArray[np.uint64]


@attrs.frozen(kw_only=True)
class Analyser:
    """What takes the capture, and how well.

    Attributes:
        rate_hz: samples a second.
        synchronous: clocked by the bus instead: a sample a cycle, as PHI2 falls.
        jitter: of each sample's moment, seconds, standard deviation.
        dropped: share of the samples that are missing one by one.
        dropped_runs: runs of samples that are missing, for each sample that is there.
        run_samples: mean length of such a run.
        gaps_shown: whether time stamps tell that samples are missing; else later ones close up.
        clock_error: by how much the machine's oscillator is off, as a share: 0.005 is half a percent fast.
        pulses: share of the cycles in which some line that is not the clock has a short pulse while others move.
        clock_pulses: share of the edges of PHI2 after which it has one.
        bit_errors: share of the cycles in which some line that is not the clock is read wrong.
        start_within: the capture begins somewhere in the first so many cycles.
    """

    rate_hz: Fraction = Fraction(24_000_000)
    synchronous: bool = False
    jitter: float = 0.0
    dropped: float = 0.0
    dropped_runs: float = 0.0
    run_samples: int = 40
    gaps_shown: bool = True
    clock_error: float = 0.0
    pulses: float = 0.0
    clock_pulses: float = 0.0
    bit_errors: float = 0.0
    start_within: int = 1


@attrs.frozen(eq=False)
class Rehearsal:
    """A capture that was made, and what nobody knows of a real one.

    Attributes:
        samples: what the analyser's file would hold.
        began: seconds from the beginning of the first observed cycle to the first sample.
        period: of the machine's clock, seconds, as it really was.
        first: observed row in whose cycle the first sample falls.
    """

    samples: Samples
    began: float
    period: float
    first: int


def rehearse(
    observed: Observed,
    clock_hz: Fraction,
    channels: Sequence[str] | Mapping[str, str],
    analyser: Analyser = Analyser(),
    *,
    seed: int = 0,
) -> Rehearsal:
    """Take a capture of a run.

    Args:
        observed: the run; not empty.
        clock_hz: of the machine, as its file says.
        channels: lines in the order of the analyser's channels, PHI2 among them unless it is not clipped; or by name of
            the channel the line, "not LINE" where the channel shows its opposite.
        analyser: what takes it.
        seed: of all that comes by chance.

    Raises:
        SimkitError: a line that was not observed, too many channels or samples, nothing observed.
    """
    named = dict(channels) if isinstance(channels, Mapping) else {line: line for line in channels}
    _check(observed, named, analyser)
    if not len(observed):
        raise SimkitError("Nothing was observed.", remedy="Let the machine run for some cycles.")
    return _Taking(observed, clock_hz, named, analyser, np.random.default_rng(seed)).take()


def only_changes(samples: Samples) -> Samples:
    """The same without rows in which nothing changes, as analysers write that keep changes alone."""
    if not len(samples):
        return samples
    changed = np.ones(len(samples), bool)
    changed[1:] = (samples.levels[1:] != samples.levels[:-1]) | (samples.unknown[1:] != samples.unknown[:-1])
    return attrs.evolve(
        samples,
        time=samples.time[changed],
        levels=samples.levels[changed],
        unknown=samples.unknown[changed],
        period=None,
    )


def _check(observed: Observed, channels: Mapping[str, str], analyser: Analyser) -> None:
    if len(channels) > MOST_CHANNELS:
        raise SimkitError(f"{len(channels)} channels; an analyser here has {MOST_CHANNELS}.", remedy="Clip fewer.")
    there = (*observed.names, CLOCK)
    for line in channels.values():
        plain = line.removeprefix(INVERTED)
        if plain not in there:
            raise SimkitError(f"{plain!r} was not observed.", remedy=near(plain, there))
    if not channels:
        raise SimkitError("No channel is clipped to anything.", remedy="Name some lines.")
    if analyser.rate_hz <= 0:
        raise SimkitError("An analyser takes samples.", remedy="Give a rate above 0.")


class _Taking:
    """One capture being taken; times in seconds from the beginning of the first observed cycle."""

    def __init__(
        self,
        observed: Observed,
        clock_hz: Fraction,
        channels: Mapping[str, str],
        analyser: Analyser,
        chance: np.random.Generator,
    ) -> None:
        self._observed, self._analyser, self._chance = observed, analyser, chance
        self._names = tuple(channels)
        self._lines = [line.removeprefix(INVERTED) for line in channels.values()]
        self._turned = np.uint64(
            sum(1 << bit for bit, line in enumerate(channels.values()) if line.startswith(INVERTED))
        )
        self._period = 1.0 / (float(clock_hz) * (1.0 + analyser.clock_error))
        number = observed.cycles.cycle
        begin = (number - number[0]).astype(np.float64) * self._period
        self._begin = begin
        self._end = np.append(begin[1:], begin[-1] + self._period)
        self._rise = begin + self._period / 2
        self._first = int(chance.integers(0, max(1, min(analyser.start_within, len(observed)))))

    def take(self) -> Rehearsal:
        """The capture."""
        if self._analyser.synchronous:
            return self._synchronous()
        rate, first = float(self._analyser.rate_hz), self._first
        began = float(self._chance.uniform(self._begin[first], self._end[first]))
        count = int((self._end[-1] - began) * rate)
        if count > MOST_SAMPLES:
            raise SimkitError(
                f"The capture would hold {count} samples; {MOST_SAMPLES} can be.",
                remedy="Observe less, or sample slower.",
            )
        moment = began + np.arange(max(1, count)) / rate
        if self._analyser.jitter:
            moment += self._chance.normal(0.0, self._analyser.jitter, len(moment))
        time, state = self._states()
        levels = state[np.searchsorted(time, moment, side="right")]
        return self._made(levels, Fraction(1) / self._analyser.rate_hz, began)

    def _synchronous(self) -> Rehearsal:
        levels = np.zeros(len(self._observed), np.uint64)
        for bit, line in enumerate(self._lines):
            if line != CLOCK:  # which has just fallen
                levels |= self._observed.level(line).astype(np.uint64) << np.uint64(bit)
        wrong = self._wrong_bits()
        levels[wrong[0]] ^= wrong[1]
        levels = levels[self._first :]
        # A state analyser gives no times: rows are numbered.
        return self._made(levels, Fraction(1, 1), float(self._end[self._first]))

    def _made(self, levels: Words, tick: Fraction, began: float) -> Rehearsal:
        kept = self._kept(len(levels))
        number = np.arange(len(levels), dtype=np.int64)
        levels = levels[kept] ^ self._turned
        time = number[kept] if self._analyser.gaps_shown else np.arange(len(levels), dtype=np.int64)
        end = int(time[-1]) + 1 if len(time) else 0
        samples = Samples(self._names, tick, time, levels, np.zeros(len(levels), np.uint64), Fraction(1), end)
        return Rehearsal(samples, began, self._period, self._first)

    def _kept(self, count: int) -> NDArray[np.bool_]:
        kept = np.ones(count, bool)
        if self._analyser.dropped:
            kept &= self._chance.random(count) >= self._analyser.dropped
        if self._analyser.dropped_runs:
            for start in np.flatnonzero(self._chance.random(count) < self._analyser.dropped_runs):
                kept[start : start + 1 + int(self._chance.exponential(self._analyser.run_samples))] = False
        kept[0] = True
        return kept

    def _states(self) -> tuple[Times, Words]:
        """Moments at which something changes, and the levels of all channels before the first and from each on."""
        times: list[Times] = []
        masks: list[Words] = []
        before = 0
        for bit, line in enumerate(self._lines):
            for moment, level in self._moves(line):
                flips = np.concatenate(([level[0]], level[1:] != level[:-1]))
                times.append(moment[flips])
                masks.append(np.full(int(flips.sum()), 1 << bit, np.uint64))
        for moment, mask in (*self._pulses(), self._errors()):
            times.append(moment)
            masks.append(mask)
        time = np.concatenate(times)
        order = np.argsort(time, kind="stable")
        mask = np.concatenate((np.array([before], np.uint64), np.concatenate(masks)[order]))
        return time[order], np.bitwise_xor.accumulate(mask)

    def _between(self, span: tuple[float, float], count: int) -> Times:
        """Delays of a line's moves: its own, and a nanosecond more or less each time."""
        own = self._chance.uniform(*span)
        return np.clip(own + self._chance.uniform(-NS, NS, count), *span)

    def _moves(self, line: str) -> Iterable[tuple[Times, NDArray[np.bool_]]]:
        """Levels of a line, each from a moment on; low before the first."""
        count = len(self._observed)
        if line == CLOCK:
            moments = np.column_stack((self._begin, self._rise)).ravel()
            yield np.append(moments, self._end[-1]), np.append(np.tile([False, True], count), False)
            return
        level = self._observed.level(line)
        if line in DATA_LINES:
            yield self._data_moves(level)
            return
        if line in (*ADDRESS_LINES, "RW", "SYNC", "VPB", "MLB"):
            moment = self._begin + self._between(ADDRESS_MOVES, count)
        elif line.endswith(f".{SELECT}"):
            moment = self._begin + ADDRESS_MOVES[1] + self._between(SELECT_MOVES, count)
        else:
            moment = self._begin + self._between(OTHERS_MOVE, count)
        moment[0] = min(moment[0], 0.0)  # it stood so before the capture
        yield np.minimum(moment, self._end - READ_SET_UP), level

    def _data_moves(self, level: NDArray[np.bool_]) -> tuple[Times, NDArray[np.bool_]]:
        count = len(level)
        is_write = self._observed.cycles.is_write
        after_rise = np.where(is_write, self._between(WRITE_DATA_MOVES, count), self._between(READ_DATA_MOVES, count))
        valid = np.minimum(self._rise + after_rise, self._end - READ_SET_UP)
        let_go = self._end + self._between(DATA_LET_GO, count)
        drifts = self._chance.random(count) < DRIFTING
        adrift = np.where(drifts, self._chance.random(count) < 0.5, level)
        moment = np.column_stack((valid, let_go)).ravel()
        return moment, np.column_stack((level, adrift)).ravel()

    def _pulses(self) -> Iterable[tuple[Times, Words]]:
        """Short pulses while lines move, and at edges of the clock: two flips each."""
        others = [bit for bit, line in enumerate(self._lines) if line != CLOCK]
        if self._analyser.pulses and others:
            hit = np.flatnonzero(self._chance.random(len(self._observed)) < self._analyser.pulses)
            mask = np.uint64(1) << self._chance.choice(np.array(others, np.uint64), len(hit))
            yield self._pulse(self._begin[hit] + self._chance.uniform(*ADDRESS_MOVES, len(hit)), mask)
        if self._analyser.clock_pulses and CLOCK in self._lines:
            edges = np.concatenate((self._begin, self._rise))
            hit = np.flatnonzero(self._chance.random(len(edges)) < self._analyser.clock_pulses)
            mask = np.full(len(hit), 1 << self._lines.index(CLOCK), np.uint64)
            yield self._pulse(edges[hit] + self._chance.uniform(2 * NS, 8 * NS, len(hit)), mask)

    def _pulse(self, start: Times, mask: Words) -> tuple[Times, Words]:
        width = self._chance.uniform(*PULSE_WIDTH, len(start))
        return np.concatenate((start, start + width)), np.concatenate((mask, mask))

    def _wrong_bits(self) -> tuple[NDArray[np.intp], Words]:
        """Cycles in which a channel is read wrong, and which."""
        others = [bit for bit, line in enumerate(self._lines) if line != CLOCK]
        if not self._analyser.bit_errors or not others:
            return np.zeros(0, np.intp), np.zeros(0, np.uint64)
        hit = np.flatnonzero(self._chance.random(len(self._observed)) < self._analyser.bit_errors)
        return hit, np.uint64(1) << self._chance.choice(np.array(others, np.uint64), len(hit))

    def _errors(self) -> tuple[Times, Words]:
        """The same as flips: wrong from when PHI2 rises until it has fallen."""
        hit, mask = self._wrong_bits()
        moments = np.concatenate((self._rise[hit] - self._period / 4, self._end[hit] + DATA_LET_GO[0] / 2))
        return moments, np.concatenate((mask, mask))
