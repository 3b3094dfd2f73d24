"""A window too small to read: it says so, and how large it must be, in the place of everything else."""

from __future__ import annotations

import pygame

from simkit.looks.colours import INK, PAPER
from simkit.window.lettering import Lettering
from simkit.window.paint import GAP_PX, LINE_PX
from simkit.window.strip import wrapped

LEAST_PX = (320, 240)
"""Least width and height: the words of the bar, a finding's sentence and the line at the foot are read in it."""
SAID = f"Too small to read: make the window {LEAST_PX[0]} x {LEAST_PX[1]} or larger."


def is_too_small(size: tuple[int, int]) -> bool:
    """Whether a window of that width and height is."""
    return size[0] < LEAST_PX[0] or size[1] < LEAST_PX[1]


def draw_too_small(surface: pygame.Surface, letters: Lettering) -> None:
    """Draw it over everything, as far as it fits."""
    width, height = surface.get_size()
    surface.fill(PAPER)
    lines = wrapped(SAID, max(1, width - 2 * GAP_PX), letters.width)
    top = max(0, (height - len(lines) * LINE_PX) // 2)
    for number, line in enumerate(lines):
        surface.blit(letters.image(line, INK), (min(GAP_PX, width // 8), top + number * LINE_PX))
