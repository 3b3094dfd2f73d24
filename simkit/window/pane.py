"""What can stand beside the picture or in its place, and take the keys."""

from __future__ import annotations

from typing import Protocol

import pygame

from simkit.window.layout import Box
from simkit.window.lettering import Lettering


class Pane(Protocol):
    """One of them.

    Attributes:
        has_keys: whether the keys are its own.
    """

    has_keys: bool

    @property
    def least_px(self) -> tuple[int, int]:
        """Least width and height that it can be read in."""

    @property
    def first_px(self) -> tuple[int, int]:
        """Width and height it wants where it decides."""

    @property
    def wants_text(self) -> bool:
        """Whether it takes characters, as the host's layout gives them."""

    def looks(self) -> object:
        """Something that is another whenever it looks different."""

    def draw(self, surface: pygame.Surface, box: Box, letters: Lettering, covered: int = 0) -> None:
        """Draw it there; strips lie over so many pixels at its foot."""

    def key(self, name: str, *, control: bool) -> None:
        """A key of the host, by position."""

    def text(self, text: str) -> None:
        """Characters, as the host's layout gives them."""

    def scroll(self, rows: int) -> None:
        """Go so many lines down; up when it is negative."""

    def closes_at(self, x: int, y: int) -> bool:
        """Whether the word that closes it stands there."""
