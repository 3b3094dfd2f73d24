"""Cells of memory that the handler changes under the hands of the main program.

Handler and main program may meet in a cell on purpose: a tick that one counts and the other looks at, a flag that one
sets and the other clears, a queue that one fills and the other empties. Then the main program looks again and again (it
polls), or modifies the cell in place, or the handler does nothing but clear it. A cell used for two different things
looks otherwise: the main program stores one value after another, reads each back once at the same instruction or takes
it for an address, and interrupts may come in between. Whether one came in this very run is luck; that it may is not.

A handler that puts the old value back before its RTI, and a main program that forbids the interrupt meanwhile, share a
cell rightly.
"""

from __future__ import annotations

import attrs

from simkit.check.notes import Notes

USUAL = 3
"""Times that a pair of instructions must have read back its own value before another value is called a fault; without a
fault seen, so many different values. The read stands further down the program than the store: a value that is read,
changed and stored for the next time is one that the handler may stir, as a seed of chance."""


@attrs.define(slots=True)
class _Cell:
    """What is known of one cell that a handler has left changed."""

    handler_pc: int
    from_nmi: bool
    wrote_at: int | None = None  # main program's last store
    value: int = 0
    exposed: bool = False  # an interrupt may have come since
    readers: set[int] = attrs.field(factory=set)  # instructions that read it since
    meant: bool = False  # the main program polls the cell or modifies it in place
    cleared_only: bool = True  # handlers have left nothing but 0
    usual: dict[tuple[int, int], list[int]] = attrs.field(factory=dict)  # values read back
    changed: dict[tuple[int, int], tuple[int, int, int]] = attrs.field(factory=dict)  # cycle, expected, found
    pointer: dict[tuple[int, int], set[int]] = attrs.field(factory=dict)  # values used as an address
    last: dict[tuple[int, int], int] = attrs.field(factory=dict)  # cycle of the last read of a pair

    def risked(self) -> list[tuple[int, int]]:
        """Pairs of store and read between which the handler may come, though it was not seen to."""
        pointers = [pair for pair, values in self.pointer.items() if len(values) >= USUAL]
        if self.meant:
            return pointers
        plain = [
            pair
            for pair, values in self.usual.items()
            if pair not in self.changed and pair[0] < pair[1] and len(set(values)) >= USUAL
        ]
        return plain + pointers


class SharedCells:
    """Follows every cell that a handler has left changed.

    Attributes:
        cells: what is known, by address.
    """

    def __init__(self) -> None:
        self.cells: dict[int, _Cell] = {}
        self._values = bytearray(0x10000)  # of every cell as last written
        self._touched: dict[int, tuple[int, int]] = {}  # by handlers under way: value before, instruction

    def handler_writes(self, address: int, value: int, pc: int) -> None:
        """An instruction of a handler stores into a cell."""
        before, _ = self._touched.get(address, (self._values[address], 0))
        self._touched[address] = before, pc
        self._values[address] = value

    def handler_left(self, cause: str) -> None:
        """The outermost handler has returned: what it left changed is known now."""
        for address, (before, pc) in self._touched.items():
            value = self._values[address]
            if value == before or cause == "BRK":
                continue  # put back, or called by the program itself
            cell = self.cells.get(address)
            if cell is None:
                cell = self.cells[address] = _Cell(pc, cause == "NMI")
            cell.handler_pc = pc
            cell.from_nmi = cell.from_nmi or cause == "NMI"
            cell.exposed = True
            if value:
                cell.cleared_only = False
        self._touched.clear()

    def main_writes(self, address: int, value: int, pc: int, *, in_place: bool, forbidden: bool) -> None:
        """The main program stores into a cell.

        Args:
            address: of the cell.
            value: what is stored.
            pc: the instruction.
            in_place: it modifies the cell (INC and its like).
            forbidden: interrupts are.
        """
        self._values[address] = value
        cell = self.cells.get(address)
        if cell is None:
            return
        if in_place:
            cell.meant = True
        cell.wrote_at, cell.value = pc, value
        cell.exposed = cell.from_nmi or not forbidden
        cell.readers.clear()

    def main_reads(self, address: int, value: int, pc: int, cycle: int, *, pointer: bool, forbidden: bool) -> None:
        """The main program reads a cell of `cells`; `pointer`: as half of an address."""
        cell = self.cells[address]
        if cell.wrote_at is None or cell.meant:
            return
        if not forbidden:
            cell.exposed = True
        pair = (cell.wrote_at, pc)
        if pointer:
            if cell.exposed:
                cell.pointer.setdefault(pair, set()).add(cell.value)
                cell.last[pair] = cycle
            return
        if pc in cell.readers:
            cell.meant = True
            return
        cell.readers.add(pc)
        if value != cell.value:
            cell.changed.setdefault(pair, (cycle, cell.value, value))
        elif cell.exposed:
            read_back = cell.usual.setdefault(pair, [])
            if len(read_back) < USUAL or value not in read_back:
                read_back.append(value)
            cell.last[pair] = cycle

    def report(self, notes: Notes) -> None:
        """Note the cells that are used for two things."""
        for address, cell in sorted(self.cells.items()):
            if cell.cleared_only:
                continue
            for pair, (cycle, expected, found) in cell.changed.items():
                if not cell.meant and pair[0] < pair[1] and len(cell.usual.get(pair, ())) >= USUAL:
                    notes.add(
                        "shared-cell",
                        cycle,
                        f"Cell ${address:04X}, written ${expected:02X} at ${pair[0]:04X}, reads back ${found:02X} at "
                        f"${pair[1]:04X}: the handler's instruction at ${cell.handler_pc:04X} wrote it in between.",
                        pc=pair[1],
                        address=address,
                    )
            for writer, reader in cell.risked():
                notes.add(
                    "shared-cell",
                    cell.last[writer, reader],
                    f"Cell ${address:04X} is written at ${writer:04X} and read back at ${reader:04X} while interrupts "
                    f"may come; the handler's instruction at ${cell.handler_pc:04X} changes it.",
                    pc=reader,
                    address=address,
                )
