"""What is left of a capture when the CPU of a machine was led by it, and whether that is more than noise."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.wiring import DATA_LINES
from simkit.capture.captured import Captured
from simkit.compare.followed import Difference
from simkit.compare.judged import Led
from simkit.compare.told import what
from simkit.machine.machine import Machine
from simkit.suspect.floating import LONGEST

ALONG = 0.97
"""Part of a capture for which the CPU model must go along with the cause: with true faults it does so for 0.983
and more of 20,000 cycles, from 80 captures. Ours."""
MISSED_BY_A_GAP = 12
"""Rows besides that the CPU model may be out of step behind a place where cycles are missing. Ours."""
MISSED_BY_NOISE = 100
"""Rows besides for what noise does to a short one. Ours."""


@attrs.frozen
class LeftOver:
    """What a candidate does not explain.

    Attributes:
        cycles: of the capture that are not what its machine does, and that noise does not explain.
        words: where most of them are, in a sentence; "" where there is none.
        followed: cycles before the first of them in which the CPU is in step.
        told: part of the levels of data lines of which it is known what they should be.
        floating: how lines that nobody drives are otherwise than the machine leaves them, in a sentence; "" where they
            are not.
    """

    cycles: int
    words: str
    followed: int
    told: float
    floating: str = ""


def most_untold(captured: Captured) -> int:
    """Rows of a capture in which the CPU model may be out of step with the true fault, and the CPU not stand still."""
    return int((1 - ALONG) * len(captured)) + MISSED_BY_A_GAP * int(captured.lost.sum()) + MISSED_BY_NOISE


def in_step_of(found: Led) -> NDArray[np.bool_]:
    """In which rows the CPU is in step: elsewhere a ROM may still say what it holds."""
    in_step = np.zeros(len(found), bool)
    for first, end in found.parts:
        in_step[first:end] = True
    return in_step


def astray(found: Led) -> LeftOver:
    """What is left where the CPU model does not go along with the capture."""
    in_step = int(in_step_of(found).sum())
    words = f"only {in_step} of {len(found)} cycles can be what the CPU does then"
    return LeftOver(len(found) - in_step, words, in_step, told_of(found))


def told_of(found: Led) -> float:
    """Part of the levels of data lines that the machine says, of those that were captured."""
    data = [np.uint64(1 << bit) for bit, name in enumerate(found.names) if name in DATA_LINES]
    return float(np.mean([(found.known & bit != 0).mean() for bit in data])) if len(found) else 0.0


def is_much(left: Sequence[Difference]) -> bool:
    """Whether more is left than what may be of a register that is not known."""
    return any(one.proven for one in left) or instructions(left) > 1


def instructions(left: Sequence[Difference]) -> int:
    """In how many instructions, apart from one another, something is left.

    One alone may be of a register that is not known there: where cycles are missing, or the capture begins.
    """
    return apart(sorted(one.row for one in left))


def apart(rows: Sequence[int]) -> int:
    """How many of some rows, in their order, are not of the instruction of one before."""
    found, begins = 0, -LONGEST
    for row in rows:
        if row - begins >= LONGEST:
            found, begins = found + 1, row
    return found


def told(machine: Machine, left: Sequence[Difference]) -> str:
    """Where most of what is left is, in a sentence."""
    places = Counter((one.slot, one.address) for one in left)
    place = max(places, key=lambda place: places[place])
    first = next(one for one in left if (one.slot, one.address) == place)
    return f"in cycle {first.row} of the capture: {what(machine, first)}"
