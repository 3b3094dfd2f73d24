"""The map of video memory: which table each byte belongs to, and which bytes are zero; without colour, too.

Each table has a pattern and a tint. A byte is a square of them: dark pattern on the tint where it is not zero, the
other way round where it is. What no table holds has no pattern; what two or more share has crosses.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import attrs
import numpy as np
from numpy.typing import NDArray
from simkit_cards.tile_video.tables import VRAM_BYTES, Area

from simkit.inspect.drawing import Colours, patterned, write
from simkit.looks import colours, patterns
from simkit.looks.colours import INK, PAPER, WHITE, Rgb
from simkit.looks.patterns import TILE, Pattern

Numbers = NDArray[Any]

ROW_BYTES = 128
MARGIN_PX = 48
LEGEND_PX = 290
ITEM_PX = 22
BLOCK = 0x400


@attrs.frozen
class Style:
    """How bytes of a kind look.

    Attributes:
        letters: what the legend calls it.
        tint: of bytes that are not zero.
        pattern: in which it is hatched.
    """

    letters: str
    tint: Rgb
    pattern: Pattern


STYLES = {
    "name table": Style("NAMES", colours.NAMES, patterns.LINES_ACROSS),
    "pattern table": Style("PATTERNS", colours.PATTERNS, patterns.LINES_DOWN),
    "colour table": Style("COLOURS", colours.COLOURS, patterns.DOTS),
    "sprite attribute table": Style("SPRITES", colours.SPRITES, patterns.RISING),
    "sprite pattern table": Style("SPRITE PATTERNS", colours.SPRITE_PATTERNS, patterns.FALLING),
}
SHARED = Style("SHARED", WHITE, patterns.CROSSES)
FREE = Style("IN NO TABLE", PAPER, patterns.PLAIN)


def draw_memory(memory: bytes, areas: Sequence[Area]) -> Colours:
    """The map, 128 bytes a row from $0000, with addresses left and the legend right.

    Args:
        memory: all of it.
        areas: tables, which may lie over each other.

    Returns:
        (rows, columns, 3) uint8; a byte is six dots wide and high.
    """
    owners = np.zeros(VRAM_BYTES, int)
    kinds = np.zeros(VRAM_BYTES, int)
    styles = [FREE, SHARED]
    for area in areas:
        owners[area.start : area.end] += 1
        kinds[area.start : area.end] = len(styles)
        styles.append(STYLES[area.what])
    kinds[owners > 1] = 1
    zero = np.frombuffer(memory, np.uint8) == 0
    rows = VRAM_BYTES // ROW_BYTES
    picture = _squares(styles, kinds.reshape(rows, ROW_BYTES), zero.reshape(rows, ROW_BYTES))
    margin = np.full((picture.shape[0], MARGIN_PX, 3), PAPER, np.uint8)
    for block in range(0, VRAM_BYTES, BLOCK):
        row = block // ROW_BYTES * TILE
        write(margin, row + 3, 4, f"${block:04X}", INK, scale=2)
        margin[row] = INK
    return np.concatenate([margin, picture, _legend(picture.shape[0], areas)], axis=1)


def _squares(styles: Sequence[Style], kinds: Numbers, zero: Numbers) -> Colours:
    """Each byte as a square of its style."""
    rows, columns = kinds.shape
    kinds, zero = (one.repeat(TILE, axis=0).repeat(TILE, axis=1) for one in (kinds, zero))
    tints = np.array([style.tint for style in styles], np.uint8)
    hatched = np.zeros(kinds.shape, bool)
    for number, style in enumerate(styles):
        dots = patterned(style.pattern, rows * TILE, columns * TILE)
        hatched |= dots & (kinds == number)
    picture: Colours = tints[kinds]
    picture[hatched != zero] = INK
    return picture


def _legend(height: int, areas: Sequence[Area]) -> Colours:
    """Styles with their words, where a table begins as far as they do not come too close to each other."""
    legend = np.full((height, LEGEND_PX, 3), PAPER, np.uint8)
    items = [
        (area.start, STYLES[area.what], f"${area.start:04X}-${area.end - 1:04X}")
        for area in sorted(areas, key=lambda area: area.start)
    ]
    items += [(VRAM_BYTES, style, "") for style in (SHARED, FREE)]
    lowest = height - (len(items) + 1) * ITEM_PX
    top = 0
    for start, style, where in items:
        top = max(top, min(start // ROW_BYTES * TILE, lowest))
        lowest += ITEM_PX
        for left, empty in ((6, False), (26, True)):
            kinds = np.zeros((2, 3), int)
            legend[top + 3 : top + 17, left - 1 : left + 19] = INK
            legend[top + 4 : top + 16, left : left + 18] = _squares([style], kinds, np.full((2, 3), empty))
        write(legend, top + 6, 50, f"{style.letters} {where}".rstrip(), INK, scale=2)
        top += ITEM_PX
    write(legend, height - ITEM_PX + 6, 6, "LEFT NOT ZERO, RIGHT ZERO", INK, scale=2)
    return legend
