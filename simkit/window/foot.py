"""The line in the picture's frame: how the machine goes, and beside it how much was found."""

from __future__ import annotations

import attrs
import pygame

from simkit.looks.colours import INK, PAPER
from simkit.window.layout import Box
from simkit.window.lettering import Lettering
from simkit.window.paint import GAP_PX, LINE_PX
from simkit.window.strip import shortened, wrapped

FOOT_PX = LINE_PX + 8
MOST_LINES = 3


@attrs.frozen
class Foot:
    """What stands there.

    Attributes:
        state: how the machine goes, in a sentence.
        count: what was found, in words.
        number: of findings, for windows that have no room for words.
    """

    state: str = ""
    count: str = ""
    number: int = 0

    @property
    def short_count(self) -> str:
        """The count without how often."""
        return f"{self.number} finding{'' if self.number == 1 else 's'}"


def draw_foot(surface: pygame.Surface, box: Box, letters: Lettering, foot: Foot) -> tuple[Box, int]:
    """Draw it, over what is above where the state takes more lines.

    Returns:
        Where the count stands, and the window pixel it begins at from the top.
    """
    words = (foot.count, foot.short_count, str(foot.number))
    widest = box.width * 3 // 5 - 2 * GAP_PX
    said = next((text for text in words if letters.width(text) <= widest), words[-1])
    count_px = letters.width(said) + 2 * GAP_PX
    most = max(1, min(MOST_LINES, (box.y + box.height) // 2 // LINE_PX))
    lines = shortened(wrapped(foot.state, box.width - count_px - 3 * GAP_PX, letters.width), most) or [""]
    height = FOOT_PX + (len(lines) - 1) * LINE_PX
    top = box.y + box.height - height
    pygame.draw.rect(surface, PAPER, pygame.Rect(box.x, top, box.width, height))
    pygame.draw.line(surface, INK, (box.x, top), (box.x + box.width, top), 1)
    for number, text in enumerate(lines):
        surface.blit(letters.image(text, INK), (box.x + GAP_PX, top + 6 + number * LINE_PX))
    count = Box(box.x + box.width - count_px - 4, box.y + box.height - FOOT_PX + 3, count_px, FOOT_PX - 5)
    rect = pygame.Rect(count.x, count.y, count.width, count.height)
    pygame.draw.rect(surface, INK, rect, 0 if foot.number else 1, border_radius=4)
    word = letters.image(said, PAPER if foot.number else INK)
    surface.blit(word, word.get_rect(center=rect.center))
    return count, top
