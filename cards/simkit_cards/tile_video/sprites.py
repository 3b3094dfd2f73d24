"""Sprites of the 9918A family: which show on a line, the fifth one, coincidence, and their dots.

Sources:
    [PG] Texas Instruments, Video Display Processors Programmer's Guide, 1984: 5.2.2, 5.2.3, chapter 9, figures 7-9
        and 7-10.
    [YOUNG] S. Young, TMS9918A VDP, almost complete description, 0.4.2, 2002: 4, 4.1, 4.3.
    [PARTS] M. Hagerty, measurements on parts: version history and comments on sprites.
Coincidence outside the picture: [PG] counts it, [PARTS] found that parts do not; the caller chooses. So it does for a
fifth sprite on line 192, just below the picture, where sources differ.
"""

from __future__ import annotations

import itertools
from typing import NamedTuple

from simkit_cards.tile_video.tables import ACTIVE_LINES, Tables

SPRITES = 32
PER_LINE = 4
"""Sprites shown on one line. [PG] 5.2.3"""

END_OF_LIST = 0xD0
"""Y that ends the list. [PG] 9.2.1"""

ALL_LINES = 256
"""Lines that Y can name; those from ACTIVE_LINES on are below the picture and, at the end, above it. [PG] 9.2.1"""

_SLACK = 32  # dots beyond either side that a sprite may reach: widest sprite, early clock
_PICTURE = (1 << 256) - 1


class Segment(NamedTuple):
    """Lines on which the same sprites are chosen."""

    first: int
    end: int
    shown: tuple[int, ...]  # at most four, highest priority first
    fifth: int  # number of the fifth, -1 when there is none


class Selection(NamedTuple):
    """Choice for all lines of a picture."""

    segments: tuple[Segment, ...]
    last: int  # entry at which a scan without a fifth sprite ends: the one with Y = $D0, or 31. [YOUNG] 4.3


def select(attributes: bytes | bytearray | memoryview, height: int, lines: int = ACTIVE_LINES) -> Selection:
    """Choose the sprites of each line by their Y alone. [PG] 9.2.1; [YOUNG] 4.3.

    Args:
        attributes: the 128 bytes of the attribute table.
        height: lines a sprite is high on the screen.
        lines: lines from 0 on for which to choose, ACTIVE_LINES to ALL_LINES.
    """
    toggles: dict[int, int] = {}
    last = SPRITES - 1
    for number in range(SPRITES):
        y = attributes[number * 4]
        if y == END_OF_LIST:
            last = number
            break
        first = (y + 1) & 0xFF
        end = first + height
        bit = 1 << number
        if end > ALL_LINES:  # comes in from above
            toggles[0] = toggles.get(0, 0) ^ bit
            toggles[end - ALL_LINES] = toggles.get(end - ALL_LINES, 0) ^ bit
        if first < lines:
            toggles[first] = toggles.get(first, 0) ^ bit
            if end < lines:
                toggles[end] = toggles.get(end, 0) ^ bit
    segments = []
    active = 0
    since = 0
    for line in sorted(toggles):
        if active:
            segments.append(_segment(since, line, active))
        active ^= toggles[line]
        since = line
    if active:
        segments.append(_segment(since, lines, active))
    return Selection(tuple(segments), last)


def _segment(first: int, end: int, active: int) -> Segment:
    shown: list[int] = []
    while active and len(shown) < PER_LINE:
        lowest = active & -active
        shown.append(lowest.bit_length() - 1)
        active ^= lowest
    return Segment(first, end, tuple(shown), (active & -active).bit_length() - 1)


def left_edge(attributes: bytes | bytearray | memoryview, number: int) -> int:
    """Dot of a sprite's left edge, -32 to 255; bit 7 of its fourth byte is the early clock. [PG] 9.2.4."""
    x = attributes[number * 4 + 1]
    return x - 32 if attributes[number * 4 + 3] & 0x80 else x


class Shapes:
    """Tables that spread pattern bits out, made on first use.

    Attributes:
        masks: for each pattern byte, an integer with one byte $FF or $00 a dot, leftmost most significant.
        wide_masks: the same with dots doubled.
        wide: for each pattern byte, its 16 bits when dots are doubled.
    """

    def __init__(self) -> None:
        self.masks = [int.from_bytes(bytes(0xFF * (p >> 7 - n & 1) for n in range(8))) for p in range(256)]
        self.wide_masks = [int.from_bytes(bytes(0xFF * (p >> 7 - n // 2 & 1) for n in range(16))) for p in range(256)]
        self.wide = [sum((p >> n // 2 & 1) << n for n in range(16)) for p in range(256)]
        self.colours = [int.from_bytes(bytes([colour]) * 32) for colour in range(16)]


def _pattern_row(memory: bytes | bytearray, tables: Tables, name: int, row: int) -> tuple[int, int]:
    """Left and right pattern byte of a row of a sprite; right is 0 for small ones. [PG] figures 7-9, 7-10."""
    if tables.large:
        address = tables.sprite_patterns + (name & 0xFC) * 8 + row
        return memory[address], memory[address + 16]
    return memory[tables.sprite_patterns + name * 8 + row], 0


def row_bits(memory: bytes | bytearray, tables: Tables, shapes: Shapes, number: int, line: int) -> int:
    """Pattern dots of a sprite on a line: bit 255 is dot 0 of the picture, dots outside lie above and below.

    The result is shifted up by 32, so that dots right of the picture have bits 31 to 0.
    """
    entry = tables.sprites + number * 4
    row = (line - memory[entry] - 1 & 0xFF) >> tables.doubled
    left, right = _pattern_row(memory, tables, memory[entry + 2], row)
    width = tables.sprite_lines
    if tables.doubled:
        bits = shapes.wide[left] << 16 | shapes.wide[right] if tables.large else shapes.wide[left]
    else:
        bits = left << 8 | right if tables.large else left
    x = memory[entry + 1] - (32 if memory[entry + 3] & 0x80 else 0)
    return bits << 256 + _SLACK - x - width


def overlap(
    memory: bytes | bytearray, tables: Tables, shapes: Shapes, shown: tuple[int, ...], line: int, everywhere: bool
) -> int:
    """Dots on which two sprites of a line meet: bit 255 is dot 0; 0 when none do. Colour does not matter. [PG] 5.2.2.

    Args:
        memory: video memory.
        tables: decoded registers.
        shapes: spread patterns.
        shown: numbers of the sprites chosen for the line.
        line: the line.
        everywhere: count meetings left and right of the picture too: they appear at dot 0 and dot 255.
    """
    taken = met = 0
    for number in shown:
        bits = row_bits(memory, tables, shapes, number, line)
        met |= taken & bits
        taken |= bits
    inside = met >> _SLACK & _PICTURE
    if everywhere and met:
        if met >> _SLACK + 256:
            inside |= 1 << 255
        if met & (1 << _SLACK) - 1:
            inside |= 1
    return inside


def may_overlap(attributes: bytes | bytearray | memoryview, shown: tuple[int, ...], width: int) -> bool:
    """Whether the boxes of any two of the sprites share a column."""
    edges = sorted([left_edge(attributes, number) for number in shown])
    return any(right - left < width for left, right in itertools.pairwise(edges))


def paint(
    lines: list[bytes],
    first: int,
    memory: bytes | bytearray,
    tables: Tables,
    shapes: Shapes,
    selection: Selection,
) -> None:
    """Paint the sprites over the lines given, of 256 colour numbers each, of which the first is line `first`."""
    end = first + len(lines)
    width = tables.sprite_lines
    doubled, large = tables.doubled, tables.large
    masks = shapes.wide_masks if doubled else shapes.masks
    half = 8 * 8 << doubled
    base = tables.sprites
    patterns = tables.sprite_patterns
    looks: dict[int, tuple[int, int, int, int]] = {}  # number: y + 1, shift, colour bytes, pattern address
    for segment in selection.segments:
        if segment.end <= first:
            continue
        if segment.first >= end:
            break
        group = []
        for number in segment.shown:
            look = looks.get(number)
            if look is None:
                y, x, name, tag = memory[base + number * 4 : base + number * 4 + 4]
                shift = (256 + _SLACK - width - (x - 32 if tag & 0x80 else x)) * 8
                address = patterns + (name & 0xFC if large else name) * 8
                look = looks[number] = (y + 1, shift, shapes.colours[tag & 0x0F], address)
            if look[2]:  # colour 0 hides nothing
                group.append(look)
        for line in range(max(segment.first, first), min(segment.end, end)):
            taken = dots = 0
            for top, shift, colour, address in reversed(group):  # later ones cover earlier ones
                row = address + ((line - top & 0xFF) >> doubled)
                mask = masks[memory[row]]
                if large:
                    mask = mask << half | masks[memory[row + 16]]
                if mask:
                    if taken:
                        dots &= ~(mask << shift)
                    dots |= (mask & colour) << shift
                    taken |= mask << shift
            if taken:
                taken = taken >> _SLACK * 8 & (1 << 2048) - 1
                dots = dots >> _SLACK * 8 & (1 << 2048) - 1
                under = int.from_bytes(lines[line - first])
                lines[line - first] = (under & ~taken | dots).to_bytes(256)
