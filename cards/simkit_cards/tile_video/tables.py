"""What the eight registers of the 9918A family say: display mode, table addresses, colours. Pure decoding.

Bits are numbered with 7 as the most significant. Mode names and bit names as the maker prints them.

Sources:
    [PG] Texas Instruments, Video Display Processors Programmer's Guide, 1984: 5.1.1 to 5.1.8, chapter 8, appendix C.
    [YOUNG] S. Young, TMS9918A VDP, almost complete description including undocumented features, 0.4.2, 2002: 2.1, 3.3
        to 3.7, measured on parts.
"""

from __future__ import annotations

from enum import IntEnum
from functools import cache

import attrs

VRAM_BYTES = 0x4000
"""Size of the video memory. [PG] 5.1.2 with the 4/16K bit set."""

ACTIVE_LINES = 192
ACTIVE_DOTS = 256
"""Size of the picture inside the border. [PG] 2.1"""

ROWS = 24
"""Rows of cells, eight lines each, in every mode. [PG] chapter 8"""


class Mode(IntEnum):
    """Display mode by the bits M1 M2 M3, M1 most significant. [PG] 5.1.1; the last four rows [YOUNG] 3.5 to 3.7."""

    GRAPHICS_1 = 0b000
    GRAPHICS_2 = 0b001
    MULTICOLOR = 0b010
    MULTICOLOR_THIRDS = 0b011
    TEXT = 0b100
    TEXT_THIRDS = 0b101
    STRIPES = 0b110
    STRIPES_3 = 0b111

    @property
    def has_sprites(self) -> bool:
        """Sprites are off whenever M1 is set. [YOUNG] 4."""
        return self < Mode.TEXT

    @property
    def words(self) -> str:
        """Name for people."""
        return _MODE_WORDS[self]


_MODE_WORDS = {
    Mode.GRAPHICS_1: "graphics I",
    Mode.GRAPHICS_2: "graphics II",
    Mode.MULTICOLOR: "multicolor",
    Mode.MULTICOLOR_THIRDS: "multicolor with M3 (undocumented: three pattern sets)",
    Mode.TEXT: "text",
    Mode.TEXT_THIRDS: "text with M3 (undocumented: three pattern sets)",
    Mode.STRIPES: "M1 and M2 together (undocumented: stripes)",
    Mode.STRIPES_3: "M1, M2 and M3 together (undocumented: stripes)",
}


class R1:
    """Bits of register 1. [PG] 5.1.2."""

    K16 = 0x80  # "4/16K": 16K addressing
    BL = 0x40  # display on
    IE = 0x20  # interrupt output enabled
    M1 = 0x10
    M2 = 0x08
    SIZE = 0x02  # sprites of 16 x 16
    MAG = 0x01  # sprite dots doubled


COLOURS = 7
"""Register of text colour and backdrop. [PG] 5.1.8"""

R0_M3 = 0x02
R0_EV = 0x01
"""Bits of register 0. [PG] 5.1.1"""

USED_BITS = (0x03, 0xFB, 0x0F, 0xFF, 0x07, 0x7F, 0x07, 0xFF)
"""Bits of each register that do something. [PG] 5.1.1 to 5.1.8"""


@attrs.frozen(slots=True)
class Tables:
    """Decoded registers.

    Attributes:
        mode: display mode.
        on: BL: the display is on.
        k16: 16K addressing.
        name, colour, pattern: table addresses; colour and pattern of modes with thirds are the high bit alone.
        pattern_mask, colour_mask: which bits of the offset into those tables count; of use in modes with thirds alone.
        sprites: address of the sprite attribute table.
        sprite_patterns: address of the sprite pattern table.
        large: sprites of 16 x 16.
        doubled: sprite dots doubled.
        text_colour: colour of 1 bits in text mode.
        backdrop: colour behind everything.
    """

    mode: Mode
    on: bool
    k16: bool
    name: int
    colour: int
    colour_mask: int
    pattern: int
    pattern_mask: int
    sprites: int
    sprite_patterns: int
    large: bool
    doubled: bool
    text_colour: int
    backdrop: int

    @property
    def sprite_lines(self) -> int:
        """Height (and width) of a sprite on the screen, in lines (dots). [PG] 9."""
        return (16 if self.large else 8) << self.doubled

    def makes_sprites(self, address: int) -> bool:
        """Whether an address lies in a table that sprites are made from, whatever the mode."""
        return (
            self.sprites <= address < self.sprites + 128
            or self.sprite_patterns <= address < self.sprite_patterns + 2048
        )

    def sprite_borders(self, start: int, end: int) -> list[int]:
        """Addresses inside a range at which a table that sprites are made from begins or ends."""
        borders = (self.sprites, self.sprites + 128, self.sprite_patterns, self.sprite_patterns + 2048)
        return sorted({border for border in borders if start < border < end})

    @property
    def sprites_on(self) -> bool:
        """Whether sprites are processed at all."""
        return self.on and self.mode.has_sprites

    @property
    def masked(self) -> bool:
        """Graphics II with mask bits of register 4 clear."""
        return self.mode is Mode.GRAPHICS_2 and self.pattern_mask != 0x1FFF

    @property
    def columns(self) -> int:
        """Cells a row."""
        return 32 if self.mode < Mode.TEXT else 40

    @property
    def name_bytes(self) -> int:
        """Bytes of the name table in use."""
        return ROWS * self.columns


def decode(registers: bytes | bytearray) -> Tables:
    """Decode the eight registers. [PG] 5.1, appendix A formulas; masks [YOUNG] 3.3."""
    r0, r1, r2, r3, r4, r5, r6, r7 = registers
    mode = Mode((r1 >> 2 & 4) | (r1 >> 2 & 2) | (r0 >> 1 & 1))
    thirds = bool(mode & 1)
    return Tables(
        mode=mode,
        on=bool(r1 & R1.BL),
        k16=bool(r1 & R1.K16),
        name=(r2 & 0x0F) << 10,
        colour=(r3 & 0x80) << 6 if thirds else r3 << 6,
        colour_mask=(r3 & 0x7F) << 6 | 0x3F,
        pattern=(r4 & 0x04) << 11 if thirds else (r4 & 0x07) << 11,
        pattern_mask=(r4 & 0x03) << 11 | 0x7FF,
        sprites=(r5 & 0x7F) << 7,
        sprite_patterns=(r6 & 0x07) << 11,
        large=bool(r1 & R1.SIZE),
        doubled=bool(r1 & R1.MAG),
        text_colour=r7 >> 4,
        backdrop=r7 & 0x0F,
    )


def used_registers(mode: Mode) -> tuple[int, ...]:
    """Registers besides 0 and 1 that the picture of a mode depends on. [PG] 5.1.3 to 5.1.8; [YOUNG] 3.7, 4."""
    if mode >= Mode.STRIPES:
        return (7,)
    if mode >= Mode.TEXT:
        return 2, 4, 7
    return (2, 4, 5, 6, 7) if mode & 2 else (2, 3, 4, 5, 6, 7)


CELLS_IN_A_ROW_4K = 64
"""Addresses VA0..VA5 that stay side by side with R1 bit 7 clear. [YOUNG] 2.1"""


def cell_of_4k(address: int) -> int:
    """Cell that an address reaches with R1 bit 7 clear, counted as with it set. [YOUNG] 2.1, arithmetic from its table.

    Column VA0..VA5, VA12 and row VA6..VA11, VA13, against column VA0..VA6 and row VA7..VA13: a bijection.
    """
    return (address & 0x3F) | (address >> 12 & 1) << 6 | (address >> 6 & 0x3F) << 7 | (address & 0x2000)


@cache
def cells_of_4k() -> tuple[int, ...]:
    """`cell_of_4k` of every address."""
    return tuple(cell_of_4k(address) for address in range(VRAM_BYTES))


def address_of_cell_4k(cell: int) -> int:
    """The way back from `cell_of_4k`."""
    return (cell & 0x3F) | (cell >> 7 & 0x3F) << 6 | (cell >> 6 & 1) << 12 | (cell & 0x2000)


def variant(mode: Mode, row: int) -> int:
    """What besides its name decides the look of a cell in a row: its third of the screen, or its place in a group of 4.

    [PG] 8.3 (thirds), 8.6 (multicolor repeats names four times); [YOUNG] 3.5, 3.6 (thirds in undocumented modes).
    """
    if mode is Mode.MULTICOLOR:
        return row & 3
    if mode is Mode.MULTICOLOR_THIRDS:
        return row >> 3 << 2 | row & 3
    return row >> 3 if mode & 1 else 0


def pattern_address(tables: Tables, variant: int, name: int) -> int:
    """Address of the eight pattern bytes of a cell, in multicolor of the two that its row uses. [PG] appendix C."""
    if tables.mode in (Mode.MULTICOLOR, Mode.MULTICOLOR_THIRDS):
        return (tables.pattern | (variant >> 2 << 11 | name << 3) & tables.pattern_mask) + 2 * (variant & 3)
    return tables.pattern | (variant << 11 | name << 3) & tables.pattern_mask


def colour_address(tables: Tables, variant: int, name: int) -> int:
    """Address of a cell's colours: one byte in graphics I, eight in graphics II. [PG] 8.1.3, 8.3.1, appendix C."""
    if tables.mode is Mode.GRAPHICS_2:
        return tables.colour | (variant << 11 | name << 3) & tables.colour_mask
    return tables.colour + (name >> 3)


@attrs.frozen(slots=True)
class Area:
    """A table in video memory.

    Attributes:
        what: its name.
        start: first address.
        end: address after the last.
    """

    what: str
    start: int
    end: int


def _reach(mask: int) -> int:
    """Highest offset into a table in thirds, 0 to $17FF, when the bits of the mask alone count."""
    return mask & (0x17FF if mask & 0x1000 else 0x0FFF)


def areas(tables: Tables) -> list[Area]:
    """Where the tables in use lie. [PG] table 8-1, 8.3, 8.5, 8.6, 9; a masked table counts with what it can reach."""
    found = [Area("name table", tables.name, tables.name + tables.name_bytes)]
    mode = tables.mode
    if mode >= Mode.STRIPES:
        return []
    if mode & 1:
        found.append(Area("pattern table", tables.pattern, tables.pattern + _reach(tables.pattern_mask) + 1))
    else:
        size = 1536 if mode is Mode.MULTICOLOR else 2048
        found.append(Area("pattern table", tables.pattern, tables.pattern + size))
    if mode is Mode.GRAPHICS_1:
        found.append(Area("colour table", tables.colour, tables.colour + 32))
    elif mode is Mode.GRAPHICS_2:
        found.append(Area("colour table", tables.colour, tables.colour + _reach(tables.colour_mask) + 1))
    if mode.has_sprites:
        found.append(Area("sprite attribute table", tables.sprites, tables.sprites + 128))
        found.append(Area("sprite pattern table", tables.sprite_patterns, tables.sprite_patterns + 2048))
    return found
