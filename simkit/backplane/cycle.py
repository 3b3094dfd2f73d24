"""What a bus cycle is: its kind, and what a probe sees of it."""

from __future__ import annotations

from collections.abc import Mapping
from enum import IntEnum

import attrs


class Kind(IntEnum):
    """What the CPU does in a bus cycle."""

    FETCH = 0  # opcode, SYNC high
    DATA = 1  # operand bytes, data, stack, pointers
    DUMMY = 2  # read whose value is discarded
    INTERRUPT = 3  # interrupt sequence
    RESET = 4  # reset sequence
    INTERRUPT_FETCH = 5  # first cycle of an interrupt sequence: SYNC high, the opcode is discarded


KIND_WORDS = ("instruction", "instruction", "dummy", "interrupt", "reset", "interrupt")
SYNC = (Kind.FETCH, Kind.INTERRUPT_FETCH)
"""Kinds of cycle in which the CPU holds SYNC high."""


@attrs.frozen(slots=True)
class BusCycle:
    """What a probe sees of one bus cycle.

    Attributes:
        cycle: number of the cycle.
        address: on the address lines.
        data: on the data lines of the backplane at the end of PHI2.
        is_write: R/W low.
        is_fetch: SYNC high.
        kind: "instruction", "dummy", "interrupt" or "reset".
        drivers: slot numbers of the cards that drove the data lines.
        selected: slot numbers of the cards that were selected.
        lines: levels of all lines as sampled in this cycle.
        cpu_data: at the data pins of the CPU: another byte than `data` where wiring stands between.
    """

    cycle: int
    address: int
    data: int
    is_write: bool
    is_fetch: bool
    kind: str
    drivers: tuple[int, ...]
    selected: tuple[int, ...]
    lines: Mapping[str, bool]
    cpu_data: int
