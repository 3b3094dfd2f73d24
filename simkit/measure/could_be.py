"""Whether each cycle of a run, before noise came to it, could be that of a machine with some single fault.

Two faults are told from one by what both do. Where the CPU has run astray in memory that nobody wrote, the one may do
nothing that a power-up could not have done; then no search, and nobody at the bench, can tell that it is there.
Without noise that is asked strictly: the CPU model must go along from the first cycles to the last, and no line of any
cycle may be otherwise.
"""

from __future__ import annotations

from simkit.capture.captured import Captured
from simkit.compare.judged import led
from simkit.contract.errors import SimkitError
from simkit.suspect.followed import Following, can_be_followed
from simkit.suspect.letting_go import lets_go
from simkit.suspect.trial import Trial

AT_FIRST = 16
"""Rows of a capture in which the CPU need not be in step yet: RESET's sequence, or an instruction. Ours."""
TOLD = 0.95
"""Part of the levels of data lines that must be told. Ours."""


def could_be(trial: Trial, name: str, exact: Captured, following: Following) -> bool:
    """Whether each cycle of a capture of the whole bus, without noise, could be of the machine with a fault.

    Args:
        trial: of the machine.
        name: the fault, in a sentence; where there is no such machine, or a card of it fails, it could not.
        exact: the capture.
        following: of the same capture.
    """
    try:
        machine = trial.machine(trial.seeds[0], name)
        if not can_be_followed(machine) or lets_go(machine):
            return False
        found = led(machine, exact)
    except SimkitError:
        return False
    if found.differences or len(found.parts) != 1:
        return False
    ((begin, end),) = found.parts
    if begin > AT_FIRST or end < len(exact):
        return False
    left = following.left_over(name)
    return left is not None and not left.cycles and not left.floating and left.told >= TOLD
