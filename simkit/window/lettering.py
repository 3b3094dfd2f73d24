"""The window's letters: how wide a text is, and its image; whatever the text holds."""

from __future__ import annotations

import pygame

from simkit.looks.colours import Rgb

TEXT_PX = 20
"""Height of a line of text."""


class Lettering:
    """The one font of the window.

    Letters are set one by one, each as far from the next as its own image asks. The font library places the letters of
    a whole text by widths that do not belong to the images it draws at small sizes, and leaves holes in words.
    """

    def __init__(self) -> None:
        pygame.font.init()
        self._font = pygame.font.Font(None, TEXT_PX + 4)
        self._widths: dict[str, int] = {}
        self._images: dict[tuple[str, Rgb], pygame.Surface] = {}

    def width(self, text: str) -> int:
        """Window pixels that a text takes."""
        return sum(map(self._width, shown(text)))

    def _width(self, letter: str) -> int:
        found = self._widths.get(letter)
        if found is None:
            metrics = self._font.metrics(letter)[0]
            found = self._widths[letter] = self._font.size(letter)[0] if metrics is None else int(metrics[4])
        return found

    def image(self, text: str, colour: Rgb) -> pygame.Surface:
        """The text, to be laid over something."""
        text = shown(text)
        image = pygame.Surface((self.width(text), self._font.get_height()), pygame.SRCALPHA)
        x = 0
        for letter in text:
            image.blit(self._letter(letter, colour), (x, 0))
            x += self._width(letter)
        return image

    def _letter(self, letter: str, colour: Rgb) -> pygame.Surface:
        found = self._images.get((letter, colour))
        if found is None:
            found = self._images[letter, colour] = self._font.render(letter, True, colour)
        return found


def shown(text: str) -> str:
    """The text with a mark for each character that has no look of its own; fonts refuse some of them."""
    return "".join(character if character.isprintable() else "\N{REPLACEMENT CHARACTER}" for character in text)


_EVEN = ("dejavusansmono", "liberationmono", "notosansmono", "consolas", "menlo", "couriernew")
"""Fonts of hosts in which all letters are equally wide; where there is none each letter stands in its own cell."""


def equal_font(size: int, letter: float, *, bold: bool = False) -> pygame.font.Font:
    """A font whose letters are so wide, where the host has one of equally wide ones; else one that is no wider.

    Args:
        size: of the letters, in pixels.
        letter: width of one, by the size.
        bold: with thick letters.
    """
    pygame.font.init()
    path = pygame.font.match_font(list(_EVEN), bold=bold)
    found = None
    for smaller in range(size + size // 3, 5, -1):
        found = pygame.font.Font(path, smaller)
        if found.size("M")[0] <= size * letter:
            break
    assert found is not None
    return found


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
        self._images: dict[tuple[str, Rgb], pygame.Surface] = {}

    def image(self, character: str, colour: Rgb) -> pygame.Surface:
        """The letter in its cell."""
        found = self._images.get((character, colour))
        if found is None:
            letter = self._font.render(shown(character), True, colour)
            found = pygame.Surface((self.width, self.height), pygame.SRCALPHA)
            found.blit(letter, letter.get_rect(center=(self.width // 2, self.height // 2)))
            self._images[character, colour] = found
        return found
