"""A pane of text beside the picture: paragraphs under headings, scrolled by wheel or keys."""

from __future__ import annotations

import attrs
import pygame

from simkit.hands.found import Line
from simkit.looks.colours import INK, PAPER
from simkit.window.layout import Box
from simkit.window.lettering import TEXT_PX, Lettering
from simkit.window.paint import GAP_PX, LINE_PX, frame
from simkit.window.strip import CUT, shortened, wrapped

LEAST_PX = (280, 9 * LINE_PX)
"""Least room beside a picture that a text can be read in."""
HEADING_PX = LINE_PX + 6
TITLE_LINES = 2
TITLE_LINES_FROM_PX = 16 * LINE_PX
"""In lower panes a title has one line, and what does not fit is cut: the text needs the room more."""
INDENT_PX = 14
BAR_PX = 10
CLOSE = "Close"


@attrs.define
class _Row:
    text: str
    heading: bool


class Reading:
    """A text that is read.

    Args:
        title: what it is.

    Attributes:
        has_keys: whether the keys are its own.
    """

    least_px = first_px = LEAST_PX
    wants_text = False

    def __init__(self, title: str) -> None:
        self.title = title
        self.has_keys = False
        self._lines: tuple[Line, ...] = ()
        self._top = 0
        self._shown_rows = 1
        self._rows: list[_Row] = []
        self._wrapped_for: object = None
        self._close_box: Box | None = None

    def put(self, lines: list[Line]) -> None:
        """Show these; where it was scrolled to stays."""
        self._lines = tuple(lines)

    @property
    def lines(self) -> tuple[Line, ...]:
        """All of it, whether it is seen now or not."""
        return self._lines

    def begin(self) -> None:
        """Go to the beginning."""
        self._top = 0

    def looks(self) -> object:
        """Something that is another whenever it looks different."""
        return self.title, self._lines, self._top, self.has_keys

    def text(self, text: str) -> None:
        """Characters are not for it."""

    def key(self, name: str, *, control: bool) -> None:
        """Keys by which one reads: arrows, page up and down, home and end."""
        page = max(1, self._shown_rows - 1)
        steps = {"up": -1, "down": 1, "page up": -page, "page down": page, "space": page}
        if name in steps:
            self.scroll(steps[name])
        elif name == "home":
            self._top = 0
        elif name == "end":
            self.scroll(len(self._rows))

    def scroll(self, rows: int) -> None:
        """Go so many lines down; up when it is negative."""
        self._top = max(0, min(self._top + rows, self._last_top))

    @property
    def _last_top(self) -> int:
        return max(0, len(self._rows) - self._shown_rows)

    def closes_at(self, x: int, y: int) -> bool:
        """Whether the word that closes it stands there."""
        return self._close_box is not None and self._close_box.holds(x, y)

    def draw(self, surface: pygame.Surface, box: Box, letters: Lettering, covered: int = 0) -> None:
        """Draw it there; nothing is read under the strips at its foot."""
        frame(surface, box, has_keys=self.has_keys)
        inner = box.width - 2 * GAP_PX - BAR_PX
        close_px = letters.width(CLOSE) + 2 * GAP_PX
        self._close_box = Box(box.x + box.width - close_px - 4, box.y + 4, close_px, HEADING_PX - 4)
        close = self._close_box
        title_px = box.width - close_px - 2 * GAP_PX
        most = TITLE_LINES if box.height >= TITLE_LINES_FROM_PX else 1
        title = wrapped(self.title, title_px, letters.width)
        if len(title) > most:
            title = shortened(wrapped(self.title, title_px - letters.width(f" {CUT}"), letters.width), most)
        for number, text in enumerate(title):
            surface.blit(letters.image(text, INK), (box.x + GAP_PX, box.y + 6 + number * LINE_PX))
        pygame.draw.rect(surface, INK, pygame.Rect(close.x, close.y, close.width, close.height), 1, border_radius=4)
        word = letters.image(CLOSE, INK)
        surface.blit(word, word.get_rect(center=(close.x + close.width // 2, close.y + close.height // 2)))
        top = box.y + HEADING_PX + 4 + (len(title) - 1) * LINE_PX
        pygame.draw.line(surface, INK, (box.x, top), (box.x + box.width - 1, top), 1)
        top += 4
        self._wrap(inner, letters)
        bottom = box.y + box.height - covered - 6
        self._shown_rows = max(1, (bottom - top) // LINE_PX)
        self._top = min(self._top, self._last_top)
        for number, row in enumerate(self._rows[self._top : self._top + self._shown_rows]):
            y = top + number * LINE_PX
            if row.heading:
                band = pygame.Rect(box.x + GAP_PX // 2, y, box.width - GAP_PX - BAR_PX, LINE_PX)
                pygame.draw.rect(surface, INK, band)
                surface.blit(letters.image(row.text, PAPER), (box.x + GAP_PX, y + 2))
            else:
                surface.blit(letters.image(row.text, INK), (box.x + GAP_PX + INDENT_PX, y + 2))
        self._draw_bar(surface, Box(box.x + box.width - BAR_PX - 2, top, BAR_PX - 2, bottom - top))

    def _draw_bar(self, surface: pygame.Surface, box: Box) -> None:
        """How much of the text is seen: a track, and on it what is in view."""
        if not self._last_top or box.height < TEXT_PX:
            return
        pygame.draw.rect(surface, INK, pygame.Rect(box.x, box.y, box.width, box.height), 1)
        height = max(8, box.height * self._shown_rows // len(self._rows))
        y = box.y + (box.height - height) * self._top // self._last_top
        pygame.draw.rect(surface, INK, pygame.Rect(box.x, y, box.width, height))

    def _wrap(self, width: int, letters: Lettering) -> None:
        made_for = (self._lines, width)
        if made_for == self._wrapped_for:
            return
        self._wrapped_for = made_for
        self._rows = [
            _Row(text, line.heading)
            for line in self._lines
            for text in wrapped(line.text, width - (0 if line.heading else INDENT_PX), letters.width) or [""]
        ]
