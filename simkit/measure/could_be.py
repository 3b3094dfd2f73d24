"""Whether each cycle of a run, before noise came to it, could be that of a machine with some single fault.

Two faults are told from one by what both do. Where the CPU has run astray in memory that nobody wrote, the one may do
nothing that a power-up could not have done; then no search, and nobody at the bench, can tell that it is there.
Without noise that is asked strictly: the CPU model must go along from the first cycles to the last, and no line of any
cycle may be otherwise.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simkit.capture.captured import Captured
from simkit.compare.judged import led
from simkit.suspect.followed import Following, can_be_followed
from simkit.suspect.letting_go import lets_go
from simkit.suspect.trial import Trial

AT_FIRST = 16
"""Rows of a capture in which the CPU need not be in step yet: RESET's sequence, or an instruction. Ours."""
TOLD = 0.95
"""Part of the levels of data lines that must be told. Ours."""


def could_be(trial: Trial, name: str, exact: Captured) -> bool:
    """Whether each cycle of a capture of the whole bus, without noise, could be of the machine with a fault.

    Args:
        trial: of the machine.
        name: the fault, in a sentence.
        exact: the capture.

    Raises:
        SimkitError: there is no such machine.
    """
    machine = trial.machine(trial.seeds[0], name)
    if not can_be_followed(machine) or lets_go(machine):
        return False
    found = led(machine, exact)
    if found.differences or len(found.parts) != 1:
        return False
    ((begin, end),) = found.parts
    if begin > AT_FIRST or end < len(exact):
        return False
    left = Following(exact, trial).left_over(name)
    return left is not None and not left.cycles and not left.floating and left.told >= TOLD


def without_noise(levels: NDArray[np.uint64], names: tuple[str, ...], lines: tuple[str, ...]) -> Captured:
    """A capture of some lines that misses nothing.

    Args:
        levels: uint64 words of the run, bit i of names[i].
        names: of all lines of the run.
        lines: that are captured.
    """
    count = len(levels)
    words = np.zeros(count, np.uint64)
    for place, name in enumerate(lines):
        words |= (levels >> np.uint64(names.index(name)) & np.uint64(1)) << np.uint64(place)
    known = np.full(count, (1 << len(lines)) - 1, np.uint64)
    return Captured(lines, words, known, np.arange(count, dtype=np.float64), np.zeros(count, bool))
