"""Stores that walk through memory and on into the registers of a card: a memory test or a clearing loop without an end.

A store by an index or a pointer that has just filled one cell after the other and comes to a register as the next is no
driver. Asked only where registers lie next to memory, so it costs other machines nothing.
"""

from __future__ import annotations

from collections.abc import Iterable

import attrs

from simkit.check.image.ground import Map
from simkit.check.result.notes import Notes
from simkit.machine.found import who
from simkit.machine.machine import Machine

FEWEST = 16
"""Cells in a row that the same instruction has stored into."""

_ALL = (1 << 0x10000) - 1


@attrs.define(slots=True)
class _Walk:
    """Cells in a row that an instruction has stored into.

    Attributes:
        first: address of the first.
        last: of the last.
        step: from one to the next, 1 or -1; 0 while there is one cell only.
    """

    first: int
    last: int
    step: int = 0

    @property
    def cells(self) -> int:
        """How many."""
        return abs(self.last - self.first) + 1

    def goes_on_to(self, address: int) -> bool:
        """Whether an address is the next one."""
        return address - self.last in ((1, -1) if not self.step else (self.step,))


class Walks:
    """Follows the stores of each instruction of the main program.

    Attributes:
        at: addresses of registers that lie next to memory.
    """

    def __init__(self, machine: Machine, places: Map, notes: Notes) -> None:
        self._machine = machine
        self._map = places
        self._notes = notes
        self._walks: dict[int, _Walk] = {}
        memory = registers = 0
        for seat, _, _, take, _ in machine.bus.reach.table.selects:
            if seat.plain is not None and seat.plain.write is not None and seat.rom() is None:
                memory |= take
            elif seat.registers:
                registers |= take
        beside = registers & (memory << 1 | memory >> 1) & _ALL
        self.at = frozenset(address for address in range(0x10000) if beside >> address & 1) if beside else frozenset()

    def stored(self, by: Iterable[tuple[int, int]]) -> None:
        """Instructions have stored into memory: pc and address, one after another."""
        for pc, address in by:
            walk = self._walks.get(pc)
            if walk is None or not (walk.last == address or walk.goes_on_to(address)):
                self._walks[pc] = _Walk(address, address)
            elif walk.last != address:
                walk.step = address - walk.last
                walk.last = address

    def entered(self, address: int, pc: int, cycle: int) -> None:
        """An instruction writes to one of `at`."""
        walk = self._walks.pop(pc, None)
        if walk is None or not walk.goes_on_to(address) or walk.cells < FEWEST:
            return
        place = self._map(self._machine.bus.reach.table.write_plan(address), True)
        register = f"register {place.writes.name} of " if place.writes is not None else ""
        self._notes.add(
            "walks-into-registers",
            cycle,
            f"The store at {self._machine.place(pc).words()} has gone through memory from ${walk.first:04X} to "
            f"${walk.last:04X} and goes on into {register}{who(self._machine, place.slot)} at ${address:04X}.",
            pc=pc,
            address=address,
            slot=place.slot,
        )
