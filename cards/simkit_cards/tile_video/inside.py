"""Video memory and registers at one moment of a frame: a journal of changes moves them on."""

from __future__ import annotations

from collections.abc import Iterable

from simkit_cards.tile_video.tables import (
    CELLS_IN_A_ROW_4K,
    COLOURS,
    VRAM_BYTES,
    address_of_cell_4k,
    cell_of_4k,
    decode,
)

Change = tuple[int, int, int]
"""(crystal tick, what, value): what is the address of a cell of memory, or -1 - n for register n."""


COLOURS_CHANGED = -1 - COLOURS
"""What stands in a change of register 7."""


class Inside:
    """What the chip works from.

    Attributes:
        memory: as in the chips.
        registers: the eight of them.
        tables: the registers decoded, but for the colours of register 7.
        addressed: the memory as the chip addresses it with these registers; `memory` itself in 16K addressing.
    """

    __slots__ = ("addressed", "memory", "registers", "tables")

    def __init__(self, memory: bytes | bytearray, registers: bytes | bytearray) -> None:
        self.memory = bytearray(memory)
        self.registers = bytearray(registers)
        self.tables = decode(self.registers)
        self.addressed = self.memory if self.tables.k16 else addressed(self.memory)

    def apply(self, changes: Iterable[Change], blocks: set[int]) -> bool:
        """Take changes over.

        Args:
            changes: in order of time.
            blocks: takes the 8-byte blocks (address // 8) of `addressed` that changed.

        Returns:
            Whether all of `addressed` is another.
        """
        memory, rearranged, k16, add = self.memory, False, self.tables.k16, blocks.add
        last = -1  # block: most changes lie side by side
        for _, what, value in changes:
            if what >= 0:
                memory[what] = value
                if k16:
                    if what >> 3 != last:
                        last = what >> 3
                        add(last)
                else:
                    address = address_of_cell_4k(what)
                    self.addressed[address] = value
                    add(address >> 3)
            else:
                self.registers[-1 - what] = value
                if what == COLOURS_CHANGED:  # its colours are looked up in the register alone
                    continue
                self.tables = decode(self.registers)
                k16 = self.tables.k16
                if k16 != (self.addressed is memory):
                    self.addressed = memory if k16 else addressed(memory)
                    rearranged = True
        return rearranged


_RUNS = tuple(cell_of_4k(address) for address in range(0, VRAM_BYTES, CELLS_IN_A_ROW_4K))
"""Cells at which runs of addresses begin; addresses within a run stay so."""


def addressed(memory: bytes | bytearray) -> bytearray:
    """Video memory as the chip addresses it with R1 bit 7 clear."""
    return bytearray(b"".join([memory[cell : cell + CELLS_IN_A_ROW_4K] for cell in _RUNS]))
