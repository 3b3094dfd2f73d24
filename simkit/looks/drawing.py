"""Drawings of lines, areas and words, and how they become SVG; the window makes pictures of dots of them.

Source of the format: W3C, Scalable Vector Graphics (SVG) 1.1 (Second Edition), 16 August 2011: line, polyline, polygon,
text.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

import attrs

from simkit.contract.plain import plain
from simkit.files.formats import Format
from simkit.looks.colours import INK, PAPER, Rgb, web

Point = tuple[float, float]

LETTER = 0.6
"""Width of a letter in a font of equally wide ones, by its size."""
FONTS = "DejaVu Sans Mono, Liberation Mono, Noto Sans Mono, Consolas, Menlo, monospace"


@attrs.frozen
class Stroke:
    """A line through points.

    Attributes:
        points: in pixels from the left and from the top.
        colour: of it.
        width: in pixels.
        dashed: whether it is broken.
    """

    points: Sequence[Point]
    colour: Rgb = INK
    width: float = 1.5
    dashed: bool = False


@attrs.frozen
class Area:
    """A filled area."""

    points: Sequence[Point]
    colour: Rgb


@attrs.frozen
class Words:
    """A line of text in letters of equal width.

    Attributes:
        at: left end of its base line, its middle or its right end, as `anchor` says.
        text: what it says.
        size: of the letters, in pixels.
        colour: of them.
        anchor: "start", "middle" or "end".
        bold: thick letters.
    """

    at: Point
    text: str
    size: int = 13
    colour: Rgb = INK
    anchor: str = "start"
    bold: bool = False

    @property
    def left(self) -> float:
        """Where its first letter begins, about."""
        return self.at[0] - {"start": 0.0, "middle": 0.5, "end": 1.0}[self.anchor] * self.width

    @property
    def width(self) -> float:
        """About how wide it is."""
        return LETTER * self.size * len(self.text)


@attrs.frozen
class Drawing:
    """What is drawn, the first thing lowest.

    Attributes:
        width: in pixels.
        height: in pixels.
        title: what it shows, for who cannot see it.
        things: to draw.
        ground: colour below them.
    """

    width: int
    height: int
    title: str
    things: Sequence[Stroke | Area | Words]
    ground: Rgb = PAPER


MARK = "<!-- drawn by simkit -->"
"""Stands in every file, so that it is known for one of the kit's own."""
SVG = Format("a drawing by simkit", lambda content: MARK.encode() in content[:1000])


def svg(drawing: Drawing) -> str:
    """As an SVG file; what texts hold cannot become part of it."""
    size = f'width="{drawing.width}" height="{drawing.height}" viewBox="0 0 {drawing.width} {drawing.height}"'
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" {size} role="img" font-family="{FONTS}">',
        MARK,
        f"<title>{escape(plain(drawing.title))}</title>",
        f'<rect width="100%" height="100%" fill="{web(drawing.ground)}"/>',
        *map(_element, drawing.things),
        "</svg>",
    ]
    return "\n".join(lines) + "\n"


def _element(thing: Stroke | Area | Words) -> str:
    if isinstance(thing, Words):
        x, y = thing.at
        bold = ' font-weight="bold"' if thing.bold else ""
        return (
            f'<text x="{_number(x)}" y="{_number(y)}" font-size="{thing.size}" fill="{web(thing.colour)}" '
            f'text-anchor="{thing.anchor}"{bold} xml:space="preserve">{escape(plain(thing.text))}</text>'
        )
    points = " ".join(f"{_number(x)},{_number(y)}" for x, y in thing.points)
    if isinstance(thing, Area):
        return f'<polygon points="{points}" fill="{web(thing.colour)}"/>'
    dashes = ' stroke-dasharray="5 4"' if thing.dashed else ""
    line = f'stroke="{web(thing.colour)}" stroke-width="{_number(thing.width)}"{dashes}'
    return f'<polyline points="{points}" fill-opacity="0" {line}/>'


def _number(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")
