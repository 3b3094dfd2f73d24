"""What the bus knows of the CPU: what it sets in an engine, and whom it tells of the CPU's own lines."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Protocol

from simkit.backplane.cycle import Kind


class Engine(Protocol):
    """What the bus sets in an engine, and the values it reads."""

    cycle: int
    last: int  # byte the data lines held in the previous cycle
    horizon: int  # the engine calls `Agenda.begin(cycle)` before an access in a cycle at or after it
    rd: list[memoryview | None]  # 256 pages; None: call `Accesses.read`
    wr: list[memoryview | None]  # 256 pages; None: call `Accesses.write`
    recent: Sequence[tuple[int, int]]  # (cycle, pc) of the last instructions begun
    x: int  # the register
    attention: bool  # set when IRQ, NMI, RESET, RDY or SO moved, or memory changed: looked at after the instruction

    def leave_to_reference(self, opcodes: Iterable[int], whose: object) -> None:
        """Have each bus cycle of these opcodes come from Python; none takes them back."""


class CpuLines(Protocol):
    """Lines of the CPU that somebody hears, moved access by access."""

    released: bool  # BE is low: nothing of the CPU's is on the bus
    vector: bool  # set by the engine while it fetches a vector
    outputs: tuple[str, ...]  # names of those that the CPU drives

    def begin(self, kind: Kind, cycle: int, x: int) -> None:
        """An access is put out, before it is decoded; x is the register."""

    def ended(self, kind: Kind, value: int) -> None:
        """It is over."""
