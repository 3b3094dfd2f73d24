"""Measures that all parts of the window share, and the frame of a pane. Its colours are those of `simkit.looks`."""

from __future__ import annotations

import pygame

from simkit.looks.colours import INK, PAPER
from simkit.window.layout import Box
from simkit.window.lettering import TEXT_PX

GAP_PX = 10
PADDING_PX = 9
LINE_PX = TEXT_PX + 2
"""A line of a strip."""


def frame(surface: pygame.Surface, box: Box, *, has_keys: bool) -> None:
    """Paper with an edge; a thick one where the keys go."""
    rect = pygame.Rect(box.x, box.y, box.width, box.height)
    pygame.draw.rect(surface, PAPER, rect)
    pygame.draw.rect(surface, INK, rect, 3 if has_keys else 1)
