"""The last whole frame, drawn only when somebody asks: a journal of changes, played when a picture is wanted."""

from __future__ import annotations

from simkit_cards.tile_video.planes import EMPTY_LINE, TEXT_COLOUR, Dots, Plane
from simkit_cards.tile_video.raster import Raster
from simkit_cards.tile_video.sprites import Selection, Shapes, paint, select
from simkit_cards.tile_video.tables import (
    ACTIVE_LINES,
    CELLS_IN_A_ROW_4K,
    VRAM_BYTES,
    Tables,
    address_of_cell_4k,
    cell_of_4k,
    decode,
)

_PLANES_KEPT = 8

Change = tuple[int, int, int]
"""(crystal tick, what, value): what is the address of a cell of memory, or -1 - n for register n."""


class Picture:
    """Draws frames from a journal of changes.

    The card appends to `journal` what it changes, and calls `end_frame` when a frame ends. `pixels` gives the last
    whole frame: memory and registers as they were at its start, with each change in force from the line it hit.

    Args:
        text_left: dots left of the text in text modes.
        blank: colour number shown before the first frame has ended.
        low_left: see `Plane`.
    """

    def __init__(self, text_left: int, blank: int, *, low_left: bool = False) -> None:
        self._text_left = text_left
        self._blank = blank
        self._low_left = low_left
        self._dots = Dots()
        self._shapes: Shapes | None = None
        self.start(bytes(VRAM_BYTES), bytes(8))

    def start(self, memory: bytes | bytearray, registers: bytes | bytearray, pixels: bytes | None = None) -> None:
        """Begin with this memory and these registers at the start of the frame under way."""
        self.journal: list[Change] = []
        self.memory = bytearray(memory)  # as in the chips, at the start of the last whole frame or, once drawn, its end
        self.registers = bytearray(registers)
        self._pixels = bytes([self._blank]) * (ACTIVE_LINES * 256) if pixels is None else pixels
        self._pending: list[Change] | None = None  # journal of the last whole frame until it is drawn
        self._frame_start = 0
        self._still = False  # the picture shows memory and registers as they are, so no change means no drawing
        self._addressed = self.memory  # as the chip addresses it
        self._tables = decode(self.registers)
        self._planes: dict[tuple[int, int, int, int, int], Plane] = {}
        self._blocks: set[int] = set()
        self._chosen = Selection((), 31)
        self._chosen_for: tuple[bytes, int] = b"", 0
        self._rearrange()

    def end_frame(self, start: int) -> None:
        """The frame under way, whose line 0 began at tick `start`, ends; what comes belongs to the next."""
        if self._pending is not None:
            self._apply(self._pending)
            self._still = False
        self._pending = self.journal
        self.journal = []
        self._frame_start = start

    def pixels(self) -> bytes:
        """Colour numbers of the last whole frame."""
        changes = self._pending
        if changes is not None:
            self._pending = None
            if changes or not self._still:
                self._pixels = self._draw(changes)
        return self._pixels

    def _draw(self, changes: list[Change]) -> bytes:
        lines: list[bytes] = []
        line_of_change = Raster.line_of_change
        start = self._frame_start
        done = position = 0
        count = len(changes)
        while position < count:
            line = line_of_change(changes[position][0] - start)
            if line > done:
                lines.append(self._draw_lines(done, line))
                done = line
            end = position + 1
            while end < count and line_of_change(changes[end][0] - start) == line:
                end += 1
            self._apply(changes[position:end])
            position = end
        self._still = done == 0
        if done < ACTIVE_LINES:
            lines.append(self._draw_lines(done, ACTIVE_LINES))
        return b"".join(lines)

    def _draw_lines(self, first: int, end: int) -> bytes:
        tables = self._tables
        if tables.on:
            self._forget_blocks()
            plane = self._plane(tables)
            lines: list[bytes] = []
            for row in range(first >> 3, (end + 7) >> 3):
                lines += plane.row(row, tables.name)
            lines = lines[first & 7 : (first & 7) + end - first]
            if tables.mode.has_sprites:
                memory = self._addressed
                if self._shapes is None:
                    self._shapes = Shapes()
                paint(lines, first, memory, tables, self._shapes, self._choose(tables))
        else:
            lines = [EMPTY_LINE] * (end - first)
        table = bytearray(range(256))
        table[0] = tables.backdrop
        table[TEXT_COLOUR] = tables.text_colour or tables.backdrop
        return b"".join(lines).translate(table)

    def _choose(self, tables: Tables) -> Selection:
        """Sprites of each line; chosen again only when attributes or height differ from the last time."""
        key = bytes(self._addressed[tables.sprites : tables.sprites + 128]), tables.sprite_lines
        if key != self._chosen_for:
            self._chosen_for = key
            self._chosen = select(*key)
        return self._chosen

    def _plane(self, tables: Tables) -> Plane:
        key = Plane.key(tables)
        plane = self._planes.get(key)
        if plane is None:
            if len(self._planes) >= _PLANES_KEPT:
                del self._planes[next(iter(self._planes))]
            plane = self._planes[key] = Plane(
                tables, self._addressed, self._dots, self._text_left, low_left=self._low_left
            )
        return plane

    def _forget_blocks(self) -> None:
        if self._blocks:
            for plane in self._planes.values():
                plane.forget(self._blocks)
            self._blocks.clear()

    def _apply(self, changes: list[Change]) -> None:
        memory, blocks = self.memory, self._blocks
        for _, what, value in changes:
            if what >= 0:
                memory[what] = value
                if self._tables.k16:
                    blocks.add(what >> 3)
                else:
                    address = address_of_cell_4k(what)
                    self._addressed[address] = value
                    blocks.add(address >> 3)
            else:
                self.registers[-1 - what] = value
                self._tables = decode(self.registers)
                if self._tables.k16 != (self._addressed is memory):
                    self._rearrange()

    def _rearrange(self) -> None:
        """See the memory through the address split now set."""
        self._planes.clear()
        self._blocks.clear()
        if self._tables.k16:
            self._addressed = self.memory
        else:
            self._addressed = addressed(self.memory)


def addressed(memory: bytes | bytearray) -> bytearray:
    """Video memory as the chip addresses it with R1 bit 7 clear."""
    runs = (
        cell_of_4k(address) for address in range(0, VRAM_BYTES, CELLS_IN_A_ROW_4K)
    )  # addresses within a run stay so
    return bytearray(b"".join(memory[cell : cell + CELLS_IN_A_ROW_4K] for cell in runs))
