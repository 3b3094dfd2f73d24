"""What the core leaves to the reference engine: opcodes, some of them for whoever watches, and stops."""

from __future__ import annotations

from collections.abc import Iterable

from simkit.cpu.core.layout import (
    LEAVES_AT,
    LEFT,
    LEFT_AT_STOPS,
    LEFT_FROM_FLOOR,
    STOPS_AT,
    STOPS_BYTES,
)
from simkit.cpu.core.limits import leaves

PAGE = 0x100


class Left:
    """Opcodes that are the reference engine's.

    Args:
        part: of the CPU.
        spare_reads_operand: as for `limits.leaves`.

    Attributes:
        always: a byte an opcode, of those that are the reference engine's whoever watches.
    """

    def __init__(self, part: str, *, spare_reads_operand: bool) -> None:
        self.always = leaves(part, spare_reads_operand=spare_reads_operand)
        self._wanted: dict[object, tuple[frozenset[int], frozenset[int], int]] = {}

    def __bool__(self) -> bool:
        """Whether anybody wants more than that."""
        return bool(self._wanted)

    def want(self, whose: object, opcodes: Iterable[int], high: Iterable[int], floor: int) -> None:
        """Take what somebody wants, as `CoreCpu.leave_to_reference` says."""
        wanted = frozenset(opcodes), frozenset(high), floor
        if any(wanted[:2]):
            self._wanted[whose] = wanted
        else:
            self._wanted.pop(whose, None)

    def mark(self, state: memoryview, stops: Iterable[int] | None) -> int:
        """Write it into the state; gives the floor.

        Args:
            state: the core's.
            stops: addresses at which a program's arrival is waited for; None: nobody waits.
        """
        table = bytearray(self.always)
        for always, high, _ in self._wanted.values():
            for code in always:
                table[code] |= LEFT
            for code in high:
                table[code] |= LEFT_FROM_FLOOR
        stopped = bytearray(STOPS_BYTES)
        if stops is not None:
            table = bytearray(code | LEFT_AT_STOPS for code in table)
            for address in stops:
                stopped[address >> 3] |= 1 << (address & 7)
        state[LEAVES_AT : LEAVES_AT + 256] = table
        state[STOPS_AT : STOPS_AT + STOPS_BYTES] = stopped
        return min((lowest for _, _, lowest in self._wanted.values()), default=PAGE)
