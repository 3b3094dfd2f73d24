"""What views and routines hold of a machine: the little that they need, so that they do not know the whole."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Protocol

if TYPE_CHECKING:
    from fractions import Fraction

    from simkit.backplane.bus import Bus
    from simkit.cpu.isa.disassemble import Instruction
    from simkit.cpu.reference.engine import ExactCpu
    from simkit.rom.labels import Labels


class Handle(Protocol):
    """A machine as its views see it; `simkit.machine.machine.Machine` is one."""

    @property
    def cycle(self) -> int:
        """Periods of the machine clock since power-on."""

    def settle(self) -> None:
        """Bring all cards up to date with the current cycle; no visible effect."""

    def outside(self, slot: int, port: str, action: str, *arguments: Any, at: int | None = None) -> None:
        """Queue an outside event for the current cycle or cycle `at`."""

    def look_at_texts(self) -> None:
        """Have who waits for a text look whether it is there; does nothing while the CPU runs."""

    def last_queued(self, slot: int, port: str) -> int:
        """Cycle of the last outside event queued for a port, 0 when there is none."""


class ProgramHandle(Handle, Protocol):
    """A machine as somebody sees it who calls routines of its program."""

    @property
    def bus(self) -> Bus:
        """The bus."""

    @property
    def cpu(self) -> ExactCpu:
        """The CPU."""

    @property
    def labels(self) -> Labels:
        """Names of addresses."""

    @property
    def clock_hz(self) -> Fraction:
        """PHI2 in Hz, exact."""

    def step(self) -> int:
        """Run one instruction or one interrupt sequence; gives the cycle."""

    def peek(self, address: int, n: int = 1) -> Any:
        """Byte at an address as a read would give it; `n` > 1 gives bytes."""

    def poke(self, address: int, value: int) -> None:
        """Put a byte into the memory at an address, without a bus cycle."""

    def disassemble(self, address: int, n: int = 10) -> list[Instruction]:
        """The next `n` instructions from an address on."""
