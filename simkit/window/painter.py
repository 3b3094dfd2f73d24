"""Draws the window: the picture, lamps and buttons below it, the bar and strips over it. Everything reads in grey."""

from __future__ import annotations

import os

import attrs
import pygame

from simkit.contract.ports import ScreenPort
from simkit.window.layout import Box, Layout, Shape, best_scale, lay_out, size_at
from simkit.window.lettering import TEXT_PX, Colour, Lettering
from simkit.window.panel import Levels, Panel
from simkit.window.strip import shortened, wrapped

INK = (24, 24, 24)
PAPER = (236, 232, 222)
ROOM = (40, 40, 40)
"""What lies round the picture where no whole-number scale fills the window."""

GAP_PX = 10
PADDING_PX = 9
LINE_PX = TEXT_PX + 2
"""A line of a strip."""
TROUBLE_LINES = 4
"""What trouble may take of any window that has so much room."""
TROUBLE_REST = "the terminal has it all."
FIRST_WIDTH = 1000
FIRST_HEIGHT = 820
"""The window opens at the largest whole-number scale that fits into this, or into the desktop when that is smaller."""
PANEL_ONLY_WIDTH = 480
PANEL_ONLY_ROOM = 4 * LINE_PX
"""Room above the panel of a machine without a screen, where strips can stand."""


@attrs.frozen
class Words:
    """What stands in the window besides the machine.

    Attributes:
        entries: words in the bar; empty when it is closed.
        chosen: the entry that is chosen.
        state: how the machine goes, for the foot of the open bar.
        message: a line for some seconds, or "".
        trouble: what stays at the foot until it is mended, or "".
    """

    entries: tuple[str, ...] = ()
    chosen: int = 0
    state: str = ""
    message: str = ""
    trouble: str = ""


@attrs.frozen
class _Seen:
    """What a machine showed: pixels and border, None for dark; and its lamps."""

    picture: tuple[bytes, int] | None
    lamps: Levels


class Painter:
    """The window's surface and everything on it.

    Args:
        screen: what to show, or None for a machine that has lamps and buttons only.
        panel: lamps and buttons.
    """

    def __init__(self, screen: ScreenPort | None, panel: Panel) -> None:
        _choose_copying()
        self._letters = Lettering()
        self._screen = screen
        self._panel = panel
        self._entry_boxes: list[Box] = []
        self._seen = _Seen(None, panel.dark)
        self._drawn: object = None
        self._strips: dict[object, pygame.Surface] = {}
        self._full_screen = False
        shape = self._shape(FIRST_WIDTH)
        sizes = pygame.display.get_desktop_sizes()
        room = sizes[0] if sizes else (FIRST_WIDTH, FIRST_HEIGHT)
        scale = best_scale(shape, min(FIRST_WIDTH, room[0] * 9 // 10), min(FIRST_HEIGHT, room[1] * 8 // 10))
        width, height = size_at(shape, scale)
        # The panel may need more lines in a narrower window.
        height += self._shape(width).panel_height - shape.panel_height
        self._windowed = (width, height + (PANEL_ONLY_ROOM if screen is None else 0))
        self._open(self._windowed)

    def show(self, screen: ScreenPort | None, panel: Panel, cycle: int, words: Words) -> None:
        """Show another machine from now on, in the same window.

        Raises:
            Exception: whatever its cards raise when they are looked at; then the former one stays.
        """
        before = self._screen, self._panel, self._seen
        self._screen, self._panel = screen, panel
        try:
            self.resized()
            self.draw(cycle, words)
        except BaseException:
            self._screen, self._panel, self._seen = before
            self.resized()
            raise

    def _shape(self, width: int) -> Shape:
        panel_height = self._panel.height(width, self._letters.width)
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
        self._panel.place(self.layout.panel, self._letters.width)
        self._drawn = None

    def spoiled(self) -> None:
        """Something else stood where the window is: draw it though nothing has changed."""
        self._drawn = None

    @property
    def full_screen(self) -> bool:
        """Whether the window fills the screen."""
        return self._full_screen

    def turn_full_screen(self) -> None:
        """Fill the screen, or go back to a window.

        Raises:
            pygame.error: the display does not do that; all is as before.
        """
        size = self._windowed
        self._full_screen = not self._full_screen
        try:
            self._open(size)
        except pygame.error:
            self._full_screen = not self._full_screen
            self._open(size)
            raise

    # drawing ----------------------------------------------------------------------------------------------------------

    def draw(self, cycle: int | None, words: Words, *, dark: bool = False) -> None:
        """Draw everything and show it.

        Args:
            cycle: the machine's; None when it cannot be asked: then it stays as it was.
            words: what stands over it.
            dark: the machine is off.
        """
        seen = self._seen if cycle is None else self._look(cycle, dark)
        wanted = (seen, words, self._panel.held)
        if wanted == self._drawn:
            return  # the host's time is better spent on the machine
        self._surface.fill(ROOM)
        if self._screen is not None:
            self._draw_picture(self._screen, seen.picture)
        self._panel.draw(self._surface, self._letters, seen.lamps)
        foot_of_bar = self._draw_bar(words)
        self._draw_strips(words, foot_of_bar)
        pygame.display.flip()
        self._seen, self._drawn = seen, wanted

    def _look(self, cycle: int, dark: bool) -> _Seen:
        port = self._screen
        return _Seen(
            None if port is None or dark else (port.pixels(cycle), port.border(cycle)), self._panel.levels(cycle)
        )

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

    def _draw_bar(self, words: Words) -> int:
        """Draw the bar; gives the height it takes."""
        self._entry_boxes = []
        if not words.entries:
            return 0
        width = self._surface.get_width()
        line = TEXT_PX + 2 * GAP_PX
        x, y = GAP_PX, GAP_PX // 2
        for entry in words.entries:
            needed = self._letters.width(entry) + 2 * PADDING_PX
            if x + needed > width - GAP_PX and x > GAP_PX:
                x, y = GAP_PX, y + line
            self._entry_boxes.append(Box(x, y, needed, line - GAP_PX // 2))
            x += needed
        state = wrapped(words.state, width - 4 * GAP_PX, self._letters.width)
        strip = pygame.Rect(0, 0, width, y + line + len(state) * LINE_PX)
        pygame.draw.rect(self._surface, PAPER, strip)
        pygame.draw.line(self._surface, INK, strip.bottomleft, strip.bottomright, 2)
        for number, (entry, box) in enumerate(zip(words.entries, self._entry_boxes, strict=True)):
            rect = pygame.Rect(box.x, box.y, box.width, box.height)
            here = number == words.chosen
            if here:
                pygame.draw.rect(self._surface, INK, rect, border_radius=4)
            text = self._letters.image(entry, PAPER if here else INK)
            self._surface.blit(text, text.get_rect(center=rect.center))
        for number, text_line in enumerate(state):
            self._surface.blit(self._letters.image(text_line, INK), (2 * GAP_PX, y + line + number * LINE_PX))
        return strip.height

    def _draw_strips(self, words: Words, top: int) -> None:
        """Trouble at the foot of the picture, the message above it, both below `top` as far as they fit."""
        width, bottom = self._surface.get_width(), self.layout.panel.y
        if bottom - top < LINE_PX + GAP_PX:
            bottom = self._surface.get_height()  # no room above the panel: over it
        kept, self._strips = self._strips, {}
        for text, least, rest, paper, ink in (
            (words.trouble, TROUBLE_LINES, TROUBLE_REST, INK, PAPER),
            (words.message, 0, "", PAPER, INK),
        ):
            room = (bottom - top - GAP_PX) // LINE_PX
            # Trouble that stays leaves half of the picture free where there is room for both.
            most = max(min(least, room), room // 2, 1) if least else room
            if not text or most < 1:
                continue
            key = (text, width, most)
            image = kept[key] if key in kept else self._strip(text, width, most, rest, paper, ink)
            self._strips[key] = image
            bottom -= image.get_height()
            self._surface.blit(image, (0, bottom))

    def _strip(self, text: str, width: int, most_lines: int, rest: str, paper: Colour, ink: Colour) -> pygame.Surface:
        lines = shortened(wrapped(text, width - 4 * GAP_PX, self._letters.width), most_lines, rest)
        image = pygame.Surface((width, len(lines) * LINE_PX + GAP_PX))
        image.fill(paper)
        pygame.draw.line(image, ink, (0, 0), (width, 0), 1)
        for number, line in enumerate(lines):
            image.blit(self._letters.image(line, ink), (2 * GAP_PX, GAP_PX // 2 + number * LINE_PX))
        return image

    def entry_at(self, x: int, y: int) -> int | None:
        """Number of the bar's entry at a point of the window."""
        for number, box in enumerate(self._entry_boxes):
            if box.holds(x, y):
                return number
        return None


def drawings_per_second() -> float | None:
    """The display's pace, where the library can ask for it and the display tells a likely one."""
    ask = getattr(pygame.display, "get_current_refresh_rate", None)  # the community edition has it
    if ask is None:
        return None
    try:
        told = float(ask())
    except pygame.error:
        return None
    return told if 20 <= told <= 1000 else None


def _choose_copying() -> None:
    """Have the picture copied to an X server through shared memory, unless the person chose otherwise.

    By itself SDL goes through OpenGL there, which costs a hundred times as much where no graphics processor does it
    (measured under Xvfb); the hint would leave other systems, Wayland for one, without a window surface (SDL 2.28,
    src/video/SDL_video.c, SDL_CreateWindowFramebuffer).
    """
    if pygame.display.get_driver() == "x11":
        os.environ.setdefault("SDL_FRAMEBUFFER_ACCELERATION", "0")
