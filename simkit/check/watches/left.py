"""Instructions whose registers the running rules must see: the reference engine does them, the core the others."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

from simkit.check.image.codemap import JMP_INDIRECT
from simkit.check.watches.interrupts import Frame
from simkit.check.watches.stack import PAGE
from simkit.cpu.core.engine import CoreCpu
from simkit.cpu.isa.effects import effects

_ALWAYS_SEEN = ("BRK", "RTI", "TXS", "PLP", "SED", "CLD")
_ADDS = ("ADC", "SBC")


@cache
def _left(part: str, *, adds: bool) -> frozenset[int]:
    """Opcodes that must be seen with their registers: what adds, too, where D matters."""
    return frozenset(
        effect.opcode.code
        for effect in effects(part)
        if effect.opcode.mnemonic in _ALWAYS_SEEN
        or (adds and effect.opcode.mnemonic in _ADDS)
        or (effect.opcode.code == JMP_INDIRECT and part == "6502")
    )


@cache
def _pulling(part: str) -> frozenset[int]:
    """Opcodes that pull from the stack, which a handler must not do where it began."""
    return frozenset(effect.opcode.code for effect in effects(part) if effect.depth < 0)


class LeftToReference:
    """Has the reference engine of a CPU do them.

    Args:
        cpu: the CPU.
        part: "6502" or "65C02".
    """

    def __init__(self, cpu: CoreCpu, part: str) -> None:
        self._cpu = cpu
        self._part = part
        self._chosen = frozenset[int](), PAGE

    def choose(self, frames: Sequence[Frame], *, adds: bool) -> None:
        """Choose them.

        Args:
            frames: handlers under way, innermost last.
            adds: what adds is looked at.
        """
        left, floor = _left(self._part, adds=adds), frames[-1].s if frames else PAGE
        if (left, floor) != self._chosen:
            self._chosen = left, floor
            self._cpu.leave_to_reference(left, self, high=_pulling(self._part) if frames else (), floor=floor)

    def stop(self) -> None:
        """Let the core do all of them again."""
        self._cpu.leave_to_reference((), self)
