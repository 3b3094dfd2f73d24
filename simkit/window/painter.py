"""Draws the window: the picture, lamps and buttons below it, the bar and messages over it. Everything reads in grey."""

from __future__ import annotations

from collections.abc import Sequence

import pygame

from simkit.contract.ports import ScreenPort
from simkit.window.layout import Box, Layout, Shape, best_scale, lay_out, size_at
from simkit.window.panel import Panel

INK = (24, 24, 24)
PAPER = (236, 232, 222)
SHADE = (120, 118, 112)
ROOM = (40, 40, 40)
"""What lies round the picture where no whole-number scale fills the window."""

TEXT_PX = 20
GAP_PX = 10
PADDING_PX = 9
FIRST_WIDTH = 1000
FIRST_HEIGHT = 820
"""The window opens at the largest whole-number scale that fits into this, or into the desktop when that is smaller."""
PANEL_ONLY_WIDTH = 480


class Painter:
    """The window's surface and everything on it.

    Args:
        screen: what to show, or None for a machine that has lamps and buttons only.
        panel: lamps and buttons.
    """

    def __init__(self, screen: ScreenPort | None, panel: Panel) -> None:
        pygame.font.init()
        self._font = pygame.font.Font(None, TEXT_PX + 4)
        self._screen = screen
        self._panel = panel
        self._entry_boxes: list[Box] = []
        self._drawn: object = None
        self._full_screen = False
        width, height = self._shape(FIRST_WIDTH).whole
        shape = self._shape(FIRST_WIDTH)
        sizes = pygame.display.get_desktop_sizes()
        room = sizes[0] if sizes else (FIRST_WIDTH, FIRST_HEIGHT)
        scale = best_scale(shape, min(FIRST_WIDTH, room[0] * 9 // 10), min(FIRST_HEIGHT, room[1] * 8 // 10))
        width, height = size_at(shape, scale)
        # The panel may need more lines in a narrower window.
        self._windowed = (width, height - shape.panel_height + self._shape(width).panel_height)
        self._open(self._windowed)

    def _shape(self, width: int) -> Shape:
        panel_height = self._panel.height(width, self._text_width)
        if self._screen is None:
            return Shape(PANEL_ONLY_WIDTH, 0, panel_height=panel_height)
        port = self._screen
        return Shape(port.width, port.height, port.margins, port.pixel_aspect, panel_height)

    def _open(self, size: tuple[int, int]) -> None:
        flags = pygame.FULLSCREEN if self._full_screen else pygame.RESIZABLE
        self._surface = pygame.display.set_mode((0, 0) if self._full_screen else size, flags)
        self.resized()

    def resized(self) -> None:
        """The window has another size: place everything anew."""
        self._surface = pygame.display.get_surface() or self._surface
        width, height = self._surface.get_size()
        if not self._full_screen:
            self._windowed = (width, height)
        self.layout: Layout = lay_out(self._shape(width), width, height)
        self._panel.place(self.layout.panel, self._text_width)
        self._drawn = None

    @property
    def full_screen(self) -> bool:
        """Whether the window fills the screen."""
        return self._full_screen

    def turn_full_screen(self) -> None:
        """Fill the screen, or go back to a window."""
        size = self._windowed
        self._full_screen = not self._full_screen
        self._open(size)

    def _text_width(self, text: str) -> int:
        return int(self._font.size(text)[0])

    # drawing ----------------------------------------------------------------------------------------------------------

    def draw(self, cycle: int, *, dark: bool, entries: Sequence[str], chosen: int, message: str) -> None:
        """Draw everything and show it.

        Args:
            cycle: the machine's.
            dark: the machine is off.
            entries: words in the bar; empty when it is closed.
            chosen: the entry that is chosen.
            message: a line at the foot of the picture, or "".
        """
        picture = None if self._screen is None or dark else (self._screen.pixels(cycle), self._screen.border(cycle))
        wanted = (picture, dark, tuple(entries), chosen, message, self._panel.state(cycle))
        if wanted == self._drawn:
            return  # the host's time is better spent on the machine
        self._drawn = wanted
        self._surface.fill(ROOM)
        if self._screen is not None:
            self._draw_picture(self._screen, picture)
        self._panel.draw(self._surface, self._font, cycle)
        self._draw_bar(entries, chosen)
        if message:
            self._draw_message(message)
        pygame.display.flip()

    def _draw_picture(self, port: ScreenPort, picture: tuple[bytes, int] | None) -> None:
        box = self.layout.picture
        across, down = self.layout.across, self.layout.down
        visible = pygame.Rect(box.x, box.y, box.width, box.height)
        if picture is None:
            pygame.draw.rect(self._surface, (0, 0, 0), visible)
            return
        pixels, border = picture
        pygame.draw.rect(self._surface, port.palette[border], visible)
        image = pygame.image.frombuffer(pixels, (port.width, port.height), "P")
        image.set_palette(port.palette)
        scaled = pygame.transform.scale(image.convert(self._surface), (port.width * across, port.height * down))
        left, _, top, _ = port.margins
        self._surface.blit(scaled, (box.x + left * across, box.y + top * down))

    def _draw_bar(self, entries: Sequence[str], chosen: int) -> None:
        self._entry_boxes = []
        if not entries:
            return
        width = self._surface.get_width()
        line = TEXT_PX + 2 * GAP_PX
        x, y = GAP_PX, GAP_PX // 2
        for words in entries:
            needed = self._text_width(words) + 2 * PADDING_PX
            if x + needed > width - GAP_PX and x > GAP_PX:
                x, y = GAP_PX, y + line
            self._entry_boxes.append(Box(x, y, needed, line - GAP_PX // 2))
            x += needed
        strip = pygame.Rect(0, 0, width, y + line)
        pygame.draw.rect(self._surface, PAPER, strip)
        pygame.draw.line(self._surface, INK, strip.bottomleft, strip.bottomright, 2)
        for number, (words, box) in enumerate(zip(entries, self._entry_boxes, strict=True)):
            rect = pygame.Rect(box.x, box.y, box.width, box.height)
            here = number == chosen
            if here:
                pygame.draw.rect(self._surface, INK, rect, border_radius=4)
            text = self._font.render(words, True, PAPER if here else INK)
            self._surface.blit(text, text.get_rect(center=rect.center))

    def _draw_message(self, message: str) -> None:
        lines = _wrapped(message, self._surface.get_width() - 4 * GAP_PX, self._text_width)
        height = len(lines) * (TEXT_PX + 2) + GAP_PX
        bottom = self.layout.panel.y if self.layout.panel.height else self._surface.get_height()
        strip = pygame.Rect(0, bottom - height, self._surface.get_width(), height)
        pygame.draw.rect(self._surface, PAPER, strip)
        pygame.draw.line(self._surface, INK, strip.topleft, strip.topright, 1)
        for number, line in enumerate(lines):
            text = self._font.render(line, True, INK)
            self._surface.blit(text, (2 * GAP_PX, strip.top + GAP_PX // 2 + number * (TEXT_PX + 2)))

    def entry_at(self, x: int, y: int) -> int | None:
        """Number of the bar's entry at a point of the window."""
        for number, box in enumerate(self._entry_boxes):
            if box.holds(x, y):
                return number
        return None


def _wrapped(text: str, width: int, text_width: object) -> list[str]:
    """Lines of a text that fit into a width."""
    assert callable(text_width)
    lines: list[str] = []
    for paragraph in text.splitlines():
        line = ""
        for word in paragraph.split():
            longer = f"{line} {word}".strip()
            if line and text_width(longer) > width:
                lines.append(line)
                line = word
            else:
                line = longer
        lines.append(line)
    return lines
