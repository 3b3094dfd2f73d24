"""What a candidate's memories put on the lines where those of a machine without a fault are at odds with a capture.

A machine without a fault often leaves a few reads of ROM and RAM, thousands of cycles apart. One alone may be noise, so
a candidate has to be led by all of the capture to leave them, too; most candidates leave that memory as it is. What
their memories put there can be had without the CPU model: a ROM's byte by the address on the lines, a RAM's by what was
on them when the place was last reached (`given.py`, `given_back.py`).

A RAM that did not take a byte gives the same wrong one again and again: on the lines only the first of these reads is
otherwise than what was there before. What it should hold the CPU model knows, which goes by what the CPU wrote. It says
the same of all candidates whose CPU and whose memories are as without a fault, whatever their other cards do.
"""

from __future__ import annotations

from collections.abc import Sequence

import attrs
import numpy as np

from simkit.capture.captured import Captured
from simkit.compare.at_cpu import AtCpu
from simkit.compare.cells import Cells
from simkit.compare.followed import Difference
from simkit.compare.judged import Led
from simkit.machine.machine import Machine
from simkit.suspect.given import Given
from simkit.suspect.given_back import given_back_in
from simkit.suspect.left_over import in_step_of, instructions
from simkit.suspect.reached import CONTROL, READ

MOST = 0.5
"""Part of the instructions of which more must be left: each may be noise with the candidate that is the cause. Ours."""


def reads_of_memory(machine: Machine, found: Led, start: int) -> list[Difference]:
    """What a machine leaves where ROM or RAM is read, at an address that the CPU puts out and the capture shows.

    Args:
        machine: that the capture was held against.
        found: what that came to, of rows from one on.
        start: this row.
    """
    memories = {seat.slot for seat in machine.bus.seats if seat.plain is not None and seat.plain.read is not None}
    in_step = in_step_of(found)  # elsewhere it may be the address that was misread
    own = [one for one in found.disagreements if in_step[one.row] and not (one.control or one.is_write or one.signal)]
    return [attrs.evolve(one, row=start + one.row) for one in own if one.data and one.slot in memories]


def remembers_as(machine: Machine, sound: Machine, cells: Cells) -> bool:
    """Whether CPU and memories of a machine are those of one without a fault, wherever that was asked in a capture.

    Args:
        machine: with the fault in it.
        sound: the one without.
        cells: of that, led by the capture.
    """
    if machine.bus.reach.banks.lines or machine.bus.may_stall != sound.bus.may_stall or AtCpu.of(machine) is not None:
        return False
    mine = Cells(machine)
    reads, writes = cells.asked
    return (
        mine.wired == cells.wired
        and all(mine.read_at(address) == cells.read_at(address) for address in reads)
        and all(
            mine.write_at(address) == cells.write_at(address)
            and mine.fights(address) == cells.fights(address)
            and mine.also_written(address) == cells.also_written(address)
            for address in writes
        )
    )


def is_enough(reads: Sequence[Difference]) -> bool:
    """Whether so many reads can refute a candidate that leaves them."""
    return instructions(reads) > 1


def left_in_memory(machine: Machine, captured: Captured, reads: Sequence[Difference]) -> list[Difference]:
    """Which of the reads that a machine without a fault leaves a candidate leaves, too; none where noise may be why.

    Args:
        machine: with the fault in it.
        captured: the capture.
        reads: those, of different rows.
    """
    if not is_enough(reads):
        return []
    given, rows = Given(machine), [one.row for one in reads]
    if not given.can_be_told:
        return []
    back = given_back_in(machine, captured, rows)
    control, known = captured.gathered(CONTROL)
    data, data_known = captured.data
    left = []
    for one in reads:
        is_whole = known[one.row] == np.uint64(2 * READ - 1)
        byte, told, slot = back.get(one.row) or (given.at(int(control[one.row])) if is_whole else (0, 0, -1))
        came = int(data[one.row])
        if apart := (byte ^ came) & told & int(data_known[one.row]):
            address = int(control[one.row]) & READ - 1
            left.append(
                attrs.evolve(one, address=address, slot=slot, expected=byte, captured=came, data=apart, proven=False)
            )
    return left if is_enough(left) and instructions(left) > MOST * instructions(reads) else []
