"""Drawings as pictures of dots, drawn without a display."""

from __future__ import annotations

from itertools import pairwise

import pygame

from simkit.files.png import encode
from simkit.looks.drawing import LETTER, Area, Drawing, Stroke, Words
from simkit.window.lettering import equal_font, shown

DASH, GAP = 5.0, 4.0
TWICE = 2
"""Dots of a drawing's pixel, across and down: letters and slants are smooth on screens of today."""


def png(drawing: Drawing) -> bytes:
    """The drawing as a PNG file, twice as large as it says."""
    surface = pygame.Surface((drawing.width * TWICE, drawing.height * TWICE))
    surface.fill(drawing.ground)
    for thing in drawing.things:
        if isinstance(thing, Words):
            _write(surface, thing)
        elif isinstance(thing, Area):
            pygame.draw.polygon(surface, thing.colour, [(x * TWICE, y * TWICE) for x, y in thing.points])
        else:
            _stroke(surface, thing)
    data, across = pygame.image.tobytes(surface, "RGB"), surface.get_width() * 3
    rows = [data[start : start + across] for start in range(0, len(data), across)]
    return encode(rows, surface.get_width(), None)


def _stroke(surface: pygame.Surface, stroke: Stroke) -> None:
    width = max(1, round(stroke.width * TWICE))
    points = [(x * TWICE, y * TWICE) for x, y in stroke.points]
    for first, last in pairwise(points):
        if not stroke.dashed:
            pygame.draw.line(surface, stroke.colour, first, last, width)
            continue
        length = ((last[0] - first[0]) ** 2 + (last[1] - first[1]) ** 2) ** 0.5
        at = 0.0
        while at < length:
            ends = [
                (first[0] + (last[0] - first[0]) * part / length, first[1] + (last[1] - first[1]) * part / length)
                for part in (at, min(at + DASH * TWICE, length))
            ]
            pygame.draw.line(surface, stroke.colour, ends[0], ends[1], width)
            at += (DASH + GAP) * TWICE


def _write(surface: pygame.Surface, words: Words) -> None:
    font = equal_font(words.size * TWICE, LETTER, bold=words.bold)
    cell = words.size * TWICE * LETTER
    x, base = words.left * TWICE, words.at[1] * TWICE - font.get_ascent()
    for place, letter in enumerate(shown(words.text)):
        if letter != " ":
            surface.blit(font.render(letter, True, words.colour), (round(x + place * cell), round(base)))
