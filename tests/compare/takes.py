"""Captures for tests: a run that nobody knows, taken by an analyser that is none of the best."""

import numpy as np

from simkit.capture.captured import Captured
from simkit.measure.compares import ALL_LINES, MACHINES, SOUND_SEED, noise, observed, taken


def exact(seen):
    """A capture that misses nothing."""
    count = len(seen)
    known = np.full(count, (1 << len(seen.names)) - 1, np.uint64)
    return Captured(seen.names, seen.levels, known, np.arange(count) / 2e6, np.zeros(count, bool))


def misread(captured, row, line):
    """The same with one line of a row misread."""
    levels = captured.levels.copy()
    levels[row] ^= np.uint64(1) << np.uint64(captured.names.index(line))
    return Captured(captured.names, levels, captured.known, captured.time, captured.lost)


__all__ = ["ALL_LINES", "MACHINES", "SOUND_SEED", "exact", "misread", "noise", "observed", "taken"]
