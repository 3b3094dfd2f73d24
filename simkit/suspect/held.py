"""What cannot stand on the lines of a backplane whose lines are held or touch, and stands there in a capture.

The CPU model goes by the CPU's own pins, of which a line that is held says nothing: it would go along with a capture in
which that line moves. Wrong bits of an analyser make such a cycle now and then, but seldom one next to another.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simkit.backplane.select import ADDRESS_LINES
from simkit.capture.captured import Captured
from simkit.compare.at_cpu import AtCpu
from simkit.machine.machine import Machine
from simkit.suspect.chance import is_more_than_chance
from simkit.suspect.steadiness import WRONG_BITS

_CONTROL = (*ADDRESS_LINES, "RW")


def impossible_on_the_lines(machine: Machine, captured: Captured) -> tuple[list[int], str]:
    """Rows that hold what a machine's lines never do, and the first in a sentence; none where noise may be why."""
    at_cpu = AtCpu.of(machine)
    if at_cpu is None:
        return [], ""
    control, control_known = captured.gathered(_CONTROL)
    data, data_known = captured.data
    found = np.zeros(len(captured), bool)
    lines = 0
    for words, known, possible in (
        (control, control_known, _flags(at_cpu.puts, 1 << len(_CONTROL))),
        (data, data_known, _flags(np.arange(256) if at_cpu.data is None else list(at_cpu.data.lines), 256)),
    ):
        whole = known == len(possible) - 1
        found[whole] |= ~possible[words[whole].astype(np.int64)]
        lines += _bound(possible)
    rate = WRONG_BITS * lines / len(captured.names)
    rows = np.flatnonzero(found)
    beside = int((found[1:] & found[:-1]).sum())
    if not (is_more_than_chance(len(rows), len(found) * rate) or is_more_than_chance(beside, len(found) * rate * rate)):
        return [], ""
    row = int(rows[0])
    stood = f"${int(control[row]) & 0xFFFF:04X} on the address lines with ${int(data[row]):02X} on the data lines"
    return rows.tolist(), f"in cycle {row} of the capture: {stood} cannot be, as the lines are held then"


def _flags(words: NDArray[np.int64] | list[int], count: int) -> NDArray[np.bool_]:
    found = np.zeros(count, bool)
    found[words] = True
    return found


def _bound(possible: NDArray[np.bool_]) -> int:
    """How many lines, otherwise than they should be, make of a word that can be one that cannot."""
    there = np.flatnonzero(possible)
    return sum(not possible[there ^ (1 << bit)].all() for bit in range((len(possible) - 1).bit_length()))
