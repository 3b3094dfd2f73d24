"""The window's letters: how wide a text is, and its image; whatever the text holds."""

from __future__ import annotations

import pygame

TEXT_PX = 20
"""Height of a line of text."""

Colour = tuple[int, int, int]


class Lettering:
    """The one font of the window."""

    def __init__(self) -> None:
        pygame.font.init()
        self._font = pygame.font.Font(None, TEXT_PX + 4)

    def width(self, text: str) -> int:
        """Window pixels that a text takes."""
        return int(self._font.size(shown(text))[0])

    def image(self, text: str, colour: Colour) -> pygame.Surface:
        """The text, to be laid over something."""
        return self._font.render(shown(text), True, colour)


def shown(text: str) -> str:
    """The text with a mark for each character that has no look of its own; fonts refuse some of them."""
    return "".join(character if character.isprintable() else "\N{REPLACEMENT CHARACTER}" for character in text)
