"""What decoders give on selects, held against a capture of these: they go by the address on the lines.

The CPU model holds selects to the address that it puts out. Where wiring makes the address on the backplane another, or
the CPU is out of step, the lines themselves still say who is selected.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simkit.capture.captured import Captured, Words
from simkit.compare.told_signals import card_name
from simkit.machine.machine import Machine
from simkit.records.observed import SELECT, AddressLevels
from simkit.suspect.chance import is_more_than_chance
from simkit.suspect.reached import CONTROL, READ, Reached
from simkit.suspect.steadiness import WRONG_BITS


def not_selected(machine: Machine, captured: Captured) -> tuple[list[int], str]:
    """Rows in which a select is not what the lines make it, and the first in a sentence; none where it may be noise.

    Noise may be why where the select is misread, or a line of the address that it goes by there.
    """
    reached = Reached(machine)
    slots = {f"{seat.slot}.{SELECT}": seat.slot for seat in machine.bus.seats}
    names = [name for name in captured.names if name in slots]
    if not (reached.can_be_told and names):
        return [], ""
    control, known = captured.gathered(CONTROL)
    whole = np.flatnonzero(known == np.uint64(2 * READ - 1))
    words, number = np.unique(control[whole].astype(np.int64), return_inverse=True)
    levels, bank = AddressLevels(machine, names), machine.bus.reach.banks.number

    def at(asked: NDArray[np.int64]) -> tuple[Words, NDArray[np.bool_]]:
        own = reached.own(asked)
        return levels.at(bank, np.maximum(own, 0).astype(np.uint32)), own >= 0

    should, is_possible = at(words)
    beside = [at(words ^ 1 << bit) for bit in range(len(CONTROL))]
    seen, seen_known = captured.gathered(names)
    for bit, name in enumerate(names):
        one = np.uint64(1) << np.uint64(bit)
        lines = 1 + sum((there & ((other ^ should) & one != 0)).astype(np.int64) for other, there in beside)
        told = (seen_known[whole] & one != 0) & is_possible[number]
        wrong = whole[told & ((seen[whole] ^ should[number]) & one != 0)]
        if is_more_than_chance(len(wrong), WRONG_BITS / len(captured.names) * float(lines[number][told].sum())):
            row = int(wrong[0])
            was, other = ("high", "low") if seen[row] & one else ("low", "high")
            where = f"with ${int(control[row]) & READ - 1:04X} on the lines the select of"
            card = card_name(machine, slots[name])
            return wrong.tolist(), f"in cycle {row} of the capture: {where} {card} is {other}; it was {was}."
    return [], ""
