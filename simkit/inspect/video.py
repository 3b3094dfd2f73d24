"""Inspection pictures of a tile-video card: what a driver's author wants to see of video memory, as arrays.

look = VideoLook.of(machine, 5)      # slot, or None for the only such card
look.pictures()["patterns"]          # (rows, columns, 3) uint8, for `png`
look.words()                         # registers, tables and sprites in words
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from simkit_cards.tile_video.card import TileVideo
from simkit_cards.tile_video.colours import COLOUR_NAMES
from simkit_cards.tile_video.planes import EMPTY_LINE, TEXT_COLOUR, Dots, Plane
from simkit_cards.tile_video.sprites import END_OF_LIST, SPRITES, left_edge
from simkit_cards.tile_video.tables import ROWS, VRAM_BYTES, Mode, areas, decode, pattern_address
from simkit_cards.tile_video.words import memory_words, register_words, sprite_words

from simkit.contract.errors import SimkitError
from simkit.inspect.drawing import Colours, frame, sheet, write
from simkit.inspect.video_memory import draw_memory
from simkit.looks.colours import INK, MUTED, PAPER, ROOM, TEXT, contrast

if TYPE_CHECKING:
    from simkit.machine.machine import Machine
from simkit.machine.views import Screen

Numbers = NDArray[np.uint8]


class VideoLook:
    """Memory and registers of one card at one moment.

    Args:
        memory: 16384 bytes as the chip addresses them.
        registers: its eight registers.
        palette: (red, green, blue) by colour number.
        text_left: dots left of the text in text modes.
        pixels: colour numbers of the last whole frame with its border; None: no such picture.
        margins: left, right, top, bottom border of it in dots and lines.
        words: the card's own words; None: those of memory and registers alone.
        low_left: the low half of a multicolor byte is the left block.
        card: what people call the card, with its slot.
    """

    def __init__(
        self,
        memory: bytes,
        registers: bytes,
        palette: tuple[tuple[int, int, int], ...],
        text_left: int = 6,
        pixels: Numbers | None = None,
        margins: tuple[int, int, int, int] = (0, 0, 0, 0),
        words: list[str] | None = None,
        *,
        low_left: bool = False,
        card: str = "",
    ) -> None:
        self.card = card
        self.memory = memory
        self.registers = registers
        self.tables = decode(registers)
        self.colours = palette
        self._palette = np.array(palette, np.uint8)
        self._pixels = pixels
        self._margins = margins
        self._words = words
        self._plane = Plane(self.tables, bytearray(memory), Dots(), text_left, low_left=low_left)
        self._resolve = np.arange(TEXT_COLOUR + 1, dtype=np.uint8)
        self._resolve[0] = self.tables.backdrop
        self._resolve[TEXT_COLOUR] = self.tables.text_colour or self.tables.backdrop

    @classmethod
    def of(cls, machine: Machine, slot: int | None = None) -> VideoLook:
        """What the tile-video card in a slot, or the only one, holds now.

        Raises:
            SimkitError: no such card, or several and no slot named.
        """
        found = {seat.slot: seat for seat in machine.bus.seats if isinstance(seat.card, TileVideo)}
        if slot is not None and slot not in found:
            raise SimkitError(
                f"Slot {slot} holds no tile-video card.",
                remedy=f"They are in: {', '.join(map(str, found)) or 'no slot of this machine'}.",
            )
        if slot is None and not found:
            raise SimkitError(
                "The machine has no tile-video card.", remedy='Put one into a slot: kind = "tile-video" in its file.'
            )
        if slot is None and len(found) > 1:
            raise SimkitError(
                f"The machine has {len(found)} tile-video cards.",
                remedy=f"Name one of the slots {', '.join(map(str, found))}, with --slot on the command line.",
            )
        seat = found[next(iter(found)) if slot is None else slot]
        look: tuple[bytes, bytes] = seat.guard.ask(seat, machine.cycle, "look", machine.cycle)
        memory, registers = look
        screen: Screen = machine.card(seat.slot).screen
        words = seat.words(machine.cycle)
        settings = seat.settings
        low_left = settings.multicolor_left == "low half"
        port, pixels = screen.port, screen.pixels_with_border
        shown = port.palette, settings.text_left, pixels, port.margins, words
        return cls(memory, registers, *shown, low_left=low_left, card=seat.title)

    def words(self) -> list[str]:
        """Registers, tables and sprites in words, one line each; of a card, with the state of ports and beam."""
        if self._words is not None:
            return self._words
        return [*register_words(self.registers), *memory_words(self.tables), *sprite_words(self.memory, self.tables)]

    def pictures(self) -> dict[str, Colours]:
        """All inspection pictures by name; shape (rows, columns, 3), red, green, blue."""
        found = {
            "patterns": self.patterns(),
            "names": self.names(),
            "palette": self.palette(),
            "memory": self.memory_map(),
        }
        if self._pixels is not None:
            found["screen"] = self.screen(self._pixels)
        if self.tables.mode.has_sprites:
            found["sprite-patterns"] = self.sprite_patterns()
            found["sprites"] = self.sprites()
        return found

    def patterns(self) -> Colours:
        """The 256 patterns with their colours, 16 a row, a grid between; thirds of the screen side by side.

        In multicolor a pattern is shown as its first row of the screen would.
        """
        mode = self.tables.mode
        variants = range(3) if mode & 1 and mode < Mode.STRIPES else range(1)
        if mode is Mode.MULTICOLOR_THIRDS:
            variants = range(0, 12, 4)
        sheets = []
        for which in variants:
            cells = [self._cell(which, name) for name in range(256)]
            sheets.append(sheet(cells, 16, numbered=True))
        return np.concatenate(sheets, axis=1)

    def _cell(self, which: int, name: int) -> Colours:
        if self.tables.mode >= Mode.STRIPES:  # patterns are not used: plain bits
            start = pattern_address(self.tables, 0, name)
            bits = np.unpackbits(np.frombuffer(self.memory, np.uint8)[start : start + 8]).reshape(8, 8)
            return self._palette[bits * 15]
        rows = [np.frombuffer(row, np.uint8) for row in self._plane.cell(which, name)]
        return self._palette[self._resolve[np.array(rows)]]

    def names(self) -> Colours:
        """What each of the 16 places of the name table would show, four a row; frame and word mark the one shown."""
        pages = []
        for place in range(16):
            start = place * 0x400
            if start + self.tables.name_bytes <= VRAM_BYTES:
                lines = [line for row in range(ROWS) for line in self._plane.row(row, start)]
            else:
                lines = [EMPTY_LINE] * 192
            dots = np.frombuffer(b"".join(lines), np.uint8).reshape(192, 256)
            page = np.full((200, 264, 3), PAPER if start == self.tables.name else ROOM, np.uint8)
            page[3:197, 3:261] = PAPER
            page[4:196, 4:260] = self._palette[self._resolve[dots]]
            write(page, 6, 6, f"${start:04X}{' SHOWN' if start == self.tables.name else ''}", scale=2)
            pages.append(page)
        return np.concatenate([np.concatenate(pages[n : n + 4], axis=1) for n in range(0, 16, 4)], axis=0)

    def screen(self, pixels: Numbers) -> Colours:
        """The last whole frame with its border three times as large, true line numbers, sprites framed and numbered.

        Sprites are framed where the list puts them now, with those that lost their place on a line.
        """
        scale, tables = 3, self.tables
        left_dots, _, top_lines, _ = self._margins
        picture = self._palette[pixels].repeat(scale, axis=0).repeat(scale, axis=1)
        if tables.sprites_on:
            attributes = self.memory[tables.sprites : tables.sprites + 128]
            side = tables.sprite_lines * scale
            for number in range(SPRITES):
                y = attributes[number * 4]
                if y == END_OF_LIST:
                    break
                top = (top_lines + (y + 1 if y < 0xE0 else y - 255)) * scale
                left = (left_dots + left_edge(attributes, number)) * scale
                if -side < top < picture.shape[0] and -side < left < picture.shape[1]:
                    frame(picture, top, left, side, side)
                    write(picture, max(top, 0) + 3, max(left, 0) + 3, str(number), scale=2)
        margin = np.full((picture.shape[0], 32, 3), INK, np.uint8)
        for line in range(0, ROWS * 8, 8):
            row = (top_lines + line) * scale
            margin[row, 28:] = PAPER
            write(margin, row + 2, 2, str(line), scale=2)
        return np.concatenate([margin, picture], axis=1)

    def sprite_patterns(self) -> Colours:
        """All sprite patterns of the size set, white on black, 16 (large: 8) a row."""
        step = 4 if self.tables.large else 1
        cells = [self._palette[self._shape(name) * 15] for name in range(0, 256, step)]
        return sheet(cells, 8 if self.tables.large else 16, numbered=True)

    def sprites(self) -> Colours:
        """The 32 sprites in their colours with their numbers; grey on paper from the end of the list on."""
        cells, ended = [], False
        side = 16 if self.tables.large else 8
        for number in range(SPRITES):
            y, _, name, tag = self.memory[self.tables.sprites + number * 4 : self.tables.sprites + number * 4 + 4]
            ended = ended or y == END_OF_LIST
            cell = np.full((side + 8, 24, 3), PAPER if ended else ROOM, np.uint8)
            shape = self._shape(name).astype(bool)
            if ended:
                cell[8:, :side][shape] = MUTED
                cell[7] = INK
            else:
                cell[8:, :side] = INK
                cell[8:, :side][shape] = self._palette[tag & 15] if tag & 15 else PAPER
            write(cell, 1, 1, str(number), INK if ended else PAPER)
            cells.append(cell)
        return sheet(cells, 8)

    def _shape(self, name: int) -> Numbers:
        data = np.frombuffer(self.memory, np.uint8)
        start = self.tables.sprite_patterns
        if not self.tables.large:
            return np.unpackbits(data[start + name * 8 : start + name * 8 + 8]).reshape(8, 8)
        start += (name & 0xFC) * 8
        halves = np.unpackbits(data[start : start + 32]).reshape(2, 16, 8)
        return np.concatenate(halves, axis=1)

    def palette(self) -> Colours:
        """The 16 colours with their numbers, four a row."""
        cells = []
        for number in range(len(COLOUR_NAMES)):
            colour = self._palette[number]
            cell = np.full((16, 32, 3), colour, np.uint8)
            red, green, blue = map(int, colour)
            write(cell, 2, 2, str(number), INK if contrast((red, green, blue), INK) >= TEXT else PAPER)
            cells.append(cell)
        return sheet(cells, 4)

    def memory_map(self) -> Colours:
        """Which table each byte of video memory belongs to, and which bytes are zero; see `video_memory`."""
        return draw_memory(self.memory, areas(self.tables))
