"""What a program executes: its opcodes, and the values with which it compares."""

from __future__ import annotations

import attrs
import numpy as np

from simkit.backplane.cycle import Kind
from simkit.cpu.isa.opcodes import OPCODES
from simkit.machine.machine import Machine
from simkit.records.cycles import Cycles, marks

OTHER = {"6502": "65C02", "65C02": "6502"}

_COMPARES = (0xC9, 0xE0, 0xC0, 0x49)  # CMP, CPX, CPY and EOR, immediate


@attrs.frozen
class Executed:
    """What a run executed.

    Attributes:
        opcodes: each that was.
        compared: values that a register was compared with (CMP, CPX, CPY, EOR, immediate), from the lowest.
    """

    opcodes: frozenset[int]
    compared: tuple[int, ...]

    def other_part(self, cpu: str) -> str:
        """The other part of the CPU, if each opcode is one of it as well; else ""."""
        other = OTHER[cpu]
        return other if all(OPCODES[other][code].documented for code in self.opcodes) else ""


def executed(machine: Machine, cycles: int) -> Executed:
    """Run a machine and see what it executes.

    Args:
        machine: in cycle 0.
        cycles: to run.
    """
    opcodes = np.zeros(256, np.bool_)
    places = np.zeros(0x10000, np.bool_)

    def take(records: memoryview) -> None:
        words = np.frombuffer(records, "<u8")
        part = Cycles(words[~marks(words)])
        fetches = part.kind == Kind.FETCH
        opcodes[part.data[fetches]] = True
        places[part.address[fetches & np.isin(part.data, _COMPARES)]] = True

    record = machine.bus.record(take)
    machine.run_to(cycles)
    record.remove()
    compared = {machine.peek((int(place) + 1) & 0xFFFF) for place in np.flatnonzero(places)}
    return Executed(frozenset(map(int, np.flatnonzero(opcodes))), tuple(sorted(compared)))
