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


_EVEN = ("dejavusansmono", "liberationmono", "notosansmono", "consolas", "menlo", "couriernew")
"""Fonts of hosts in which all letters are equally wide; where there is none each letter stands in its own cell."""


class Cells:
    """Letters in cells of one size.

    Args:
        width: window pixels of a cell; it is twice as high.
    """

    def __init__(self, width: int) -> None:
        pygame.font.init()
        self.width, self.height = width, 2 * width
        path = pygame.font.match_font(list(_EVEN))
        sizes = range(3 * width, 5, -1)
        fonts = (pygame.font.Font(path, size) for size in sizes)
        fits = (font for font in fonts if font.size("M")[0] <= width and font.get_height() <= self.height + 2)
        self._font = next(fits, None) or pygame.font.Font(path, 6)
        self._images: dict[tuple[str, Colour], pygame.Surface] = {}

    def image(self, character: str, colour: Colour) -> pygame.Surface:
        """The letter in its cell."""
        found = self._images.get((character, colour))
        if found is None:
            letter = self._font.render(shown(character), True, colour)
            found = pygame.Surface((self.width, self.height), pygame.SRCALPHA)
            found.blit(letter, letter.get_rect(center=(self.width // 2, self.height // 2)))
            self._images[character, colour] = found
        return found
