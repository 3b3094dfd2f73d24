"""The colours of everything that the kit draws, what each means, and which of them meet. No other module names one.

The colours of a machine's own picture are its card's. Where two meanings meet their colours are a Pair, and are at
least so far apart in lightness as W3C, Web Content Accessibility Guidelines 2.1 (5 June 2018) asks: text 4.5 : 1
(success criterion 1.4.3), other shapes 3 : 1 (1.4.11). Meanings that are more than lightness can tell apart have a
pattern each (`patterns.py`).
"""

from __future__ import annotations

import attrs

Rgb = tuple[int, int, int]

INK: Rgb = (24, 24, 24)
"""Letters, lines, what is chosen, heads of paragraphs; the glass of a lamp that is dark."""
PAPER: Rgb = (236, 232, 222)
"""What is read stands on it."""
ROOM: Rgb = (40, 40, 40)
"""Round a picture and between the cells of a sheet; nothing is there."""
LIT: Rgb = (255, 236, 150)
"""A lamp that is lit."""
BLACK: Rgb = (0, 0, 0)
"""A screen without power; in a comparison, dots that are equal."""
WHITE: Rgb = (255, 255, 255)
"""Paper of pages for print; in a comparison, dots that differ."""
MUTED: Rgb = (102, 102, 102)
"""What is there and does not count: data between instructions, sprites behind the end of the list."""

NAMES: Rgb = (160, 196, 255)
"""A byte of the name table that is not zero; so are the four that follow, each of its table."""
PATTERNS: Rgb = (176, 232, 168)
COLOURS: Rgb = (255, 208, 120)
SPRITES: Rgb = (255, 180, 220)
SPRITE_PATTERNS: Rgb = (160, 236, 240)

TEXT = 4.5
SHAPE = 3.0


@attrs.frozen
class Pair:
    """Two colours that meet, and how far they are apart.

    Attributes:
        first: one of them.
        second: the other.
        least: the ratio of contrast that is asked, TEXT or SHAPE.
        where: what they mean there.
    """

    first: Rgb
    second: Rgb
    least: float
    where: str


PAIRS = (
    Pair(INK, PAPER, TEXT, "text of window, sheets and heads of tables, and that of what is chosen"),
    Pair(INK, WHITE, TEXT, "text of pages"),
    Pair(MUTED, WHITE, TEXT, "what does not count, on pages"),
    Pair(MUTED, INK, SHAPE, "what does not count beside what does"),
    Pair(MUTED, PAPER, SHAPE, "sprites behind the end of the list, on their paper"),
    Pair(MUTED, PAPER, TEXT, "numbers of bus cycles above waves; what is not known in them"),
    Pair(PAPER, ROOM, TEXT, "what is said in the place of a picture; the line round a picture; lines between cells"),
    Pair(PAPER, BLACK, SHAPE, "the line round a screen without power"),
    Pair(LIT, INK, SHAPE, "a lit lamp and a dark one"),
    Pair(BLACK, WHITE, SHAPE, "equal dots and different ones"),
    *(Pair(tint, INK, SHAPE, "bytes that are zero and those that are not, and the pattern of their table")
      for tint in (NAMES, PATTERNS, COLOURS, SPRITES, SPRITE_PATTERNS, PAPER, WHITE)),
)  # fmt: skip
"""All colours that meet."""


def web(colour: Rgb) -> str:
    """The colour as style sheets write it."""
    return "#" + bytes(colour).hex()


def luminance(colour: Rgb) -> float:
    """Relative luminance, 0 (black) to 1 (white), of an sRGB colour.

    Source:
        W3C, Web Content Accessibility Guidelines 2.1, 5 June 2018: definition of relative luminance.
    """
    red, green, blue = (
        level / 12.92 if level <= 0.03928 else ((level + 0.055) / 1.055) ** 2.4
        for level in (channel / 255 for channel in colour)
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(first: Rgb, second: Rgb) -> float:
    """Ratio of contrast, 1 to 21.

    Source:
        W3C, Web Content Accessibility Guidelines 2.1, 5 June 2018: definition of contrast ratio.
    """
    lighter, darker = sorted((luminance(first), luminance(second)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)
