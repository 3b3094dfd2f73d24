"""A small bus and a small analyser for tests: cycles by chance on lines, sampled as asked."""

import re
from fractions import Fraction

import numpy as np

from simkit.capture.channels import Assignment
from simkit.capture.samples import Samples

LINES = ("PHI2", *(f"A{n}" for n in range(16)), *(f"D{n}" for n in range(8)), "RW", "SYNC", "IRQ")
ASSIGNED = [Assignment(line, line) for line in LINES]
HIDDEN = np.uint64((1 << len(LINES)) - 1)


def by_chance(seed, count):
    """Cycles by chance: a word each, without PHI2."""
    return np.random.default_rng(seed).integers(0, 1 << (len(LINES) - 1), count).astype(np.uint64)


def sampled(cycles, rate, *, seed=0, jitter=0.0, hold=0.05, address_valid=0.2, data_valid=0.8, duty=0.5):
    """Samples at `rate` a cycle: PHI2 low first; each line has garbage until it is valid, and holds after the fall.

    Address lines, RW and SYNC are valid from `address_valid` of a cycle on, data lines and IRQ from `data_valid`.
    """
    rng = np.random.default_rng(seed)
    n = int(len(cycles) * rate)
    moment = (np.arange(n) + rng.uniform(0, 1) + rng.uniform(-jitter, jitter, n)) / rate
    moment = np.maximum(moment, 0)
    at = np.minimum(moment.astype(int), len(cycles) - 1)
    phase = moment - at
    before = cycles[np.maximum(at - 1, 0)]
    garbage = rng.integers(0, 1 << (len(LINES) - 1), n).astype(np.uint64)
    slow = np.uint64(0xFF << 16 | 1 << 26)  # data and IRQ, without PHI2
    word = np.where(phase < hold, before, garbage)
    word = np.where(phase >= address_valid, (word & slow) | (cycles[at] & ~slow), word)
    word = np.where(phase >= data_valid, cycles[at], word)
    levels = word << np.uint64(1) | (phase >= 1 - duty).astype(np.uint64)
    return np.arange(n), levels


def as_samples(time, levels, unknown=None, *, period=Fraction(1), complete=True, end=None):
    """Samples of LINES at 8 MHz."""
    unknown = np.zeros(len(levels), np.uint64) if unknown is None else unknown
    end = int(time[-1]) + 1 if end is None else end
    return Samples(LINES, Fraction(1, 8_000_000), time.astype(np.int64), levels, unknown, period, end, complete)


def read_text(text, reading=None, *, pieces=None, notes=None):
    """Samples of a text, given to its reader at once or in pieces of these sizes."""
    from simkit.capture.read import Picker, reader_for

    data = text if isinstance(text, bytes) else text.encode()
    reading = reading or everything(data)
    reader = reader_for(data, "a", Picker(reading, "a"), reading, [] if notes is None else notes)
    at = 0
    for size in pieces or [len(data)]:
        reader.feed(data[at : at + size])
        at += size
    reader.feed(data[at:])
    return reader.finish()


def everything(data):
    """A reading for texts whose channels are a, b, c and so on: they are A0, A1, A2."""
    from simkit.capture.channels import Reading

    names = [name for name in "abcdefgh" if re.search(rb"\b" + name.encode() + rb"\b", data)]
    return Reading(assigned=tuple(Assignment(name, f"A{at}") for at, name in enumerate(names)))


def rows(samples):
    """Time, levels and unknown of each row."""
    return list(zip(samples.time.tolist(), samples.levels.tolist(), samples.unknown.tolist(), strict=True))
