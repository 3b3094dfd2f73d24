"""Cells of memory that the handler changes under the hands of the main program.

Handler and main program may meet in a cell on purpose: a tick that one counts and the other looks at, a flag that one
sets and the other clears, a queue that one fills and the other empties. Then the main program looks again and again (it
polls), or modifies the cell in place, or the handler does nothing but clear it. A cell used for two different things
looks otherwise: the main program mostly reads back what it has just written, at the same two instructions, and now and
then something else.
"""

from __future__ import annotations

import attrs

from simkit.check.notes import Notes

USUAL = 3
"""Times a pair of instructions must have read back its own value before another value is called a fault."""


@attrs.define(slots=True)
class _Cell:
    """What is known of one cell that a handler has written."""

    handler_pc: int
    wrote_at: int | None = None  # main program's last store
    value: int = 0
    readers: set[int] = attrs.field(factory=set)  # instructions that read it since
    meant: bool = False  # the main program polls the cell or modifies it in place
    cleared_only: bool = True  # handlers have written nothing but 0
    usual: dict[tuple[int, int], int] = attrs.field(factory=dict)
    changed: dict[tuple[int, int], tuple[int, int, int]] = attrs.field(factory=dict)  # cycle, expected, found


class SharedCells:
    """Follows every cell that a handler has written."""

    def __init__(self) -> None:
        self.cells: dict[int, _Cell] = {}

    def handler_writes(self, address: int, value: int, pc: int) -> None:
        """An instruction of a handler stores into a cell."""
        cell = self.cells.get(address)
        if cell is None:
            cell = self.cells[address] = _Cell(pc)
        cell.handler_pc = pc
        if value:
            cell.cleared_only = False

    def main_writes(self, address: int, value: int, pc: int, *, in_place: bool) -> None:
        """The main program stores into a cell of `cells`; `in_place`: it modifies it (INC and its like)."""
        cell = self.cells[address]
        if in_place:
            cell.meant = True
        cell.wrote_at, cell.value = pc, value
        cell.readers.clear()

    def main_reads(self, address: int, value: int, pc: int, cycle: int) -> None:
        """The main program reads a cell of `cells`."""
        cell = self.cells[address]
        if cell.wrote_at is None or cell.meant:
            return
        if pc in cell.readers:
            cell.meant = True
            return
        cell.readers.add(pc)
        pair = (cell.wrote_at, pc)
        if value == cell.value:
            cell.usual[pair] = cell.usual.get(pair, 0) + 1
        else:
            cell.changed.setdefault(pair, (cycle, cell.value, value))

    def report(self, notes: Notes) -> None:
        """Note the cells that are used for two things."""
        for address, cell in sorted(self.cells.items()):
            if cell.meant or cell.cleared_only:
                continue
            for (writer, reader), (cycle, expected, found) in cell.changed.items():
                if cell.usual.get((writer, reader), 0) >= USUAL:
                    notes.add(
                        "shared-cell",
                        cycle,
                        f"Cell ${address:04X}, written ${expected:02X} at ${writer:04X}, reads back ${found:02X} at "
                        f"${reader:04X}: the handler's instruction at ${cell.handler_pc:04X} wrote it in between.",
                        pc=reader,
                        address=address,
                    )
