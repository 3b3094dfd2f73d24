"""Where RESET's vector is fetched, held against where a candidate has its two bytes fetched.

The CPU reads them at two addresses that hang on no register and on no byte (W65C02S data sheet, section 3: RESB). So in
a capture that holds RESET, lines alone refute who would put other addresses on the backplane. The CPU model need not be
in step for that: with most of those candidates it never is, as the address by which it knows RESET is not theirs.
"""

from __future__ import annotations

import numpy as np

from simkit.capture.captured import Captured
from simkit.compare.at_cpu import AtCpu
from simkit.compare.judged import led
from simkit.compare.led_cpu import RESET_VECTOR
from simkit.machine.machine import Machine
from simkit.suspect.reached import CONTROL, READ

AMONG = 400
"""First rows of a capture among which RESET is looked for: one that it triggers begins there. Ours."""


def vector_row(sound: Machine, captured: Captured) -> int | None:
    """Row of the first byte of RESET's vector, on lines of which some may be wrong; None where no first row is.

    Args:
        sound: the machine without a fault.
        captured: the capture; `rows.full` says so.

    Raises:
        CardError: a card failed with what is in the capture.
    """
    found = led(sound, captured[:AMONG])
    if not (found.from_reset and found.parts):
        return None
    row = found.parts[0][0]  # behind rows that are missing, where it is among them
    should = found.levels[row : row + 2] & found.known[row : row + 2] & np.uint64(READ - 1)
    return row if should.tolist() == [RESET_VECTOR, RESET_VECTOR + 1] else None


def fetched_elsewhere(machine: Machine, captured: Captured, row: int) -> tuple[list[int], str]:
    """Both rows of the vector where a machine has both fetched elsewhere, and the first in a sentence; else none.

    One of them may be misread. Noise hardly ever has both wrong, one next to the other.

    Args:
        machine: with the fault in it.
        captured: the capture.
        row: of the vector's first byte.
    """
    control, known = (each[row : row + 2].astype(np.int64) for each in captured.gathered(CONTROL))
    own = np.array([READ | RESET_VECTOR, READ | RESET_VECTOR + 1])
    at_cpu = AtCpu.of(machine)
    puts = own if at_cpu is None else at_cpu.puts[own]
    if not ((control ^ puts) & known).all():
        return [], ""
    was, should = (int(each[0]) & READ - 1 for each in (control, puts))
    words = f"in cycle {row} of the capture: RESET's vector is fetched with ${was:04X} on the address lines"
    return [row, row + 1], f"{words}, and would be with ${should:04X}"
