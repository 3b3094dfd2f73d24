"""Draws the window: the picture, a pane beside it, foot, lamps and buttons below, bar and strips over it."""

from __future__ import annotations

import os

import attrs
import pygame

from simkit.contract.ports import BorderRuns, ScreenPort
from simkit.looks.colours import BLACK, INK, PAPER, ROOM, Rgb
from simkit.window.foot import FOOT_PX, Foot, draw_foot
from simkit.window.layout import Box, Layout, Shape, best_scale, lay_out, size_at
from simkit.window.lettering import TEXT_PX, Lettering
from simkit.window.paint import GAP_PX, LINE_PX, PADDING_PX
from simkit.window.pane import Pane
from simkit.window.panel import Levels, Panel
from simkit.window.small import draw_too_small, is_too_small
from simkit.window.strip import newest, shortened, wrapped

TROUBLE_LINES = 4
"""What trouble may take of any window that has so much room."""
TROUBLE_REST = "the terminal has it all."
MESSAGE_LINES = 4
"""What a message may take; where half of the picture's room is more, that."""
MESSAGE_REST = "the count opens the list."
FIRST_WIDTH = 1000
FIRST_HEIGHT = 820
"""The window opens at the largest whole-number scale that fits into this, or into the desktop when that is smaller."""
PANEL_ONLY_WIDTH = 760
PANEL_ONLY_ROOM = 20 * LINE_PX
"""Room above the panel of a machine without a screen, where strips stand and panes open."""
NO_PICTURE = "No card of this machine has a screen or a serial line. Look inside, in the bar, tells what it does."


@attrs.frozen
class Words:
    """What stands in the window besides the machine.

    Attributes:
        entries: words in the bar; empty when it is closed.
        chosen: the entry that is chosen.
        foot: how the machine goes, and how much was found.
        question: what is asked and what has been written, or "".
        message: a line for some seconds, or "".
        trouble: what stays at the foot until it is mended, or "".
    """

    entries: tuple[str, ...] = ()
    chosen: int = 0
    foot: Foot = attrs.field(factory=Foot)
    question: str = ""
    message: str = ""
    trouble: str = ""


@attrs.frozen
class _Seen:
    """What a machine showed: pixels and border, None for dark; and its lamps."""

    picture: tuple[bytes, BorderRuns] | None
    lamps: Levels


class Painter:
    """The window's surface and everything on it.

    Args:
        screen: what to show, or None for a machine that has lamps and buttons only.
        panel: lamps and buttons.
        instead: what stands in the place of the picture when there is no screen, or None.
    """

    def __init__(self, screen: ScreenPort | None, panel: Panel, instead: Pane | None = None) -> None:
        _choose_copying()
        self._letters = Lettering()
        self._screen = screen
        self._panel = panel
        self._instead = instead
        self._pane: Pane | None = None
        self._count_box = Box(0, 0, 0, 0)
        self.top_of_foot = 0  # with all of its lines
        self._entry_boxes: list[Box] = []
        self._seen = _Seen(None, panel.dark)
        self._drawn: object = None
        self._strips: dict[object, pygame.Surface] = {}
        self._full_screen = False
        shape = self._shape(FIRST_WIDTH)
        sizes = pygame.display.get_desktop_sizes()
        room = sizes[0] if sizes else (FIRST_WIDTH, FIRST_HEIGHT)
        scale = best_scale(shape, min(FIRST_WIDTH, room[0] * 9 // 10), min(FIRST_HEIGHT, room[1] * 8 // 10) - FOOT_PX)
        width, height = size_at(shape, scale)
        # The panel may need more lines in a narrower window.
        height += self._shape(width).panel_height - shape.panel_height + FOOT_PX
        if screen is None:
            height += PANEL_ONLY_ROOM if instead is None else instead.first_px[1]
        self._windowed = (width, height)
        self._open(self._windowed)

    def show(
        self, screen: ScreenPort | None, panel: Panel, cycle: int, words: Words, instead: Pane | None = None
    ) -> None:
        """Show another machine from now on, in the same window.

        Raises:
            Exception: whatever its cards raise when they are looked at; then the former one stays.
        """
        before = self._screen, self._panel, self._instead, self._pane, self._seen
        self._screen, self._panel, self._instead, self._pane = screen, panel, instead, None
        try:
            self.resized()
            self.draw(cycle, words)
        except BaseException:
            self._screen, self._panel, self._instead, self._pane, self._seen = before
            self.resized()
            raise

    def _shape(self, width: int) -> Shape:
        panel_height = self._panel.height(width, self._letters.width)
        if self._screen is None:
            wide = PANEL_ONLY_WIDTH if self._instead is None else self._instead.first_px[0]
            return Shape(wide, 0, panel_height=panel_height)
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
        self.layout: Layout = lay_out(
            self._shape(width),
            width,
            height,
            foot=FOOT_PX,
            pane=self._pane.least_px if self._pane is not None else None,
            instead=self._instead.least_px if self._instead is not None else (0, 0),
        )
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

    def draw(self, cycle: int | None, words: Words, pane: Pane | None = None, *, dark: bool = False) -> None:
        """Draw everything and show it.

        Args:
            cycle: the machine's; None when it cannot be asked: then it stays as it was.
            words: what stands over it.
            pane: what is read beside it.
            dark: the machine is off.
        """
        if pane is not self._pane:
            self._pane = pane
            self.resized()
        seen = self._seen if cycle is None else self._look(cycle, dark)
        panes = [(one, one.looks(), box) for one, box in self.panes()]
        wanted = (seen, words, self._panel.held, panes)
        if wanted == self._drawn:
            return  # the host's time is better spent on the machine
        self._surface.fill(ROOM)
        if self._screen is not None:
            self._draw_picture(self._screen, seen.picture)
        elif self._instead is None:
            self._draw_reason()
        self._panel.draw(self._surface, self._letters, seen.lamps)
        self._count_box, self.top_of_foot = draw_foot(self._surface, self.layout.foot, self._letters, words.foot)
        foot_of_bar = self._draw_bar(words)
        strips, top_of_strips = self._strips_of(words, foot_of_bar, self.top_of_foot)
        for one, box in reversed(self.panes()):
            bottom, below = min(box.y + box.height, self.top_of_foot), max(box.y, foot_of_bar)
            if bottom - below >= one.least_px[1]:  # as far as the bar leaves it enough
                box = Box(box.x, below, box.width, bottom - below)
            else:
                box = Box(box.x, box.y, box.width, max(0, bottom - box.y))
            covered = max(0, box.y + box.height - top_of_strips)
            if box.height - covered < one.least_px[1] // 2:  # too little to read: the strips go over it for their time
                covered = 0
            one.draw(self._surface, box, self._letters, covered)
        self._draw_bar(words)
        for image, top in strips:
            self._surface.blit(image, (0, top))
        if is_too_small(self._surface.get_size()):
            draw_too_small(self._surface, self._letters)
        pygame.display.flip()
        self._seen, self._drawn = seen, wanted

    def _look(self, cycle: int, dark: bool) -> _Seen:
        port = self._screen
        if dark:
            return _Seen(None, self._panel.dark)
        return _Seen(None if port is None else (port.pixels(cycle), port.border(cycle)), self._panel.levels(cycle))

    def _draw_picture(self, port: ScreenPort, picture: tuple[bytes, BorderRuns] | None) -> None:
        box = self.layout.picture
        across, down = self.layout.across, self.layout.down
        visible = pygame.Rect(box.x, box.y, box.width, box.height)
        pygame.draw.rect(self._surface, PAPER, visible.inflate(2, 2), 1)  # a dark picture ends somewhere, too
        if picture is None:
            pygame.draw.rect(self._surface, BLACK, visible)
            return
        pixels, border = picture
        if len(border) == 1:
            pygame.draw.rect(self._surface, port.palette[border[0][1]], visible)
        else:
            self._surface.blit(self._scaled(port, port.border_pixels(border), port.size_with_border), visible)
        left, _, top, _ = port.margins
        picture_at = (box.x + left * across, box.y + top * down)
        self._surface.blit(self._scaled(port, pixels, (port.width, port.height)), picture_at)

    def _scaled(self, port: ScreenPort, pixels: bytes, size: tuple[int, int]) -> pygame.Surface:
        image = pygame.image.frombuffer(pixels, size, "P")
        image.set_palette(port.palette)
        wide, high = size[0] * self.layout.across, size[1] * self.layout.down
        return pygame.transform.scale(image.convert(self._surface), (wide, high))

    def _draw_reason(self) -> None:
        """Say in its place why there is no picture, high enough that strips leave it free in all but low windows."""
        room = self.layout.room
        lines = wrapped(NO_PICTURE, room.width - 4 * GAP_PX, self._letters.width)
        top = max(GAP_PX, room.height // 4)
        for number, line in enumerate(lines):
            image = self._letters.image(line, PAPER)
            self._surface.blit(image, image.get_rect(midtop=(room.width // 2, top + number * LINE_PX)))

    def _draw_bar(self, words: Words) -> int:
        """Draw the bar; gives the height it takes."""
        self._entry_boxes = []
        if not words.entries:
            return 0
        width, height = self._surface.get_size()
        rows = self._bar_rows(words.entries, width)
        line = TEXT_PX + 2 * GAP_PX
        if rows[-1][1] * line + line > height - FOOT_PX:
            line = TEXT_PX + GAP_PX // 2
        shown = max(1, (height - FOOT_PX) // line)
        first = max(0, rows[words.chosen][1] - shown + 1)  # the chosen one is always in sight
        strip = pygame.Rect(0, 0, width, (min(rows[-1][1] + 1 - first, shown)) * line + 2)
        pygame.draw.rect(self._surface, PAPER, strip)
        pygame.draw.line(self._surface, INK, strip.bottomleft, strip.bottomright, 2)
        for number, (entry, (x, row, needed)) in enumerate(zip(words.entries, rows, strict=True)):
            seen = first <= row < first + shown
            box = Box(x, (row - first) * line + 2, needed, line - 3) if seen else Box(0, 0, 0, 0)
            self._entry_boxes.append(box)
            if not seen:
                continue
            rect = pygame.Rect(box.x, box.y, box.width, box.height)
            here = number == words.chosen
            if here:
                pygame.draw.rect(self._surface, INK, rect, border_radius=4)
            text = self._letters.image(entry, PAPER if here else INK)
            self._surface.blit(text, text.get_rect(center=rect.center))
        return strip.height

    def _bar_rows(self, entries: tuple[str, ...], width: int) -> list[tuple[int, int, int]]:
        """Where the entries stand: pixel from the left, row, and pixels across."""
        found, x, row = [], GAP_PX, 0
        for entry in entries:
            needed = self._letters.width(entry) + 2 * PADDING_PX
            if x + needed > width - GAP_PX and x > GAP_PX:
                x, row = GAP_PX, row + 1
            found.append((x, row, needed))
            x += needed
        return found

    def panes(self) -> list[tuple[Pane, Box]]:
        """What is read and where it lies, the foremost first."""
        found = []
        if self._pane is not None and self.layout.pane is not None:
            found.append((self._pane, self.layout.pane))
        if self._instead is not None and self.layout.pane != self.layout.room:
            found.append((self._instead, self.layout.room))
        return found

    def is_count_at(self, x: int, y: int) -> bool:
        """Whether the count of findings stands there."""
        return self._count_box.holds(x, y)

    def _strips_of(self, words: Words, top: int, bottom: int) -> tuple[list[tuple[pygame.Surface, int]], int]:
        """At the foot of the picture what is asked, above it trouble and the message, as far as they fit.

        Returns:
            Each with the window pixel it begins at from the top, and where the highest does.
        """
        strips = []
        width = self._surface.get_width()
        if bottom - top < LINE_PX + GAP_PX:
            bottom = self._surface.get_height()  # no room above the panel: over it
        kept, self._strips = self._strips, {}
        for text, least, rest, paper, ink in (
            (words.question, 0, "", PAPER, INK),
            (words.trouble, TROUBLE_LINES, TROUBLE_REST, INK, PAPER),
            (words.message, MESSAGE_LINES, MESSAGE_REST if words.foot.number else "", PAPER, INK),
        ):
            room = (bottom - top - GAP_PX) // LINE_PX
            # Half of the picture stays free where there is room for both.
            most = max(min(least, room), room // 2, 1) if least else room
            if not text or most < 1 or (room < 1 and text is not words.trouble):
                continue
            key = (text, width, most)
            image = kept[key] if key in kept else self._strip(text, width, most, rest, paper, ink, asked=not least)
            self._strips[key] = image
            bottom -= image.get_height()
            strips.append((image, bottom))
        return strips, bottom

    def _strip(
        self, text: str, width: int, most_lines: int, rest: str, paper: Rgb, ink: Rgb, *, asked: bool
    ) -> pygame.Surface:
        lines = wrapped(text, width - 4 * GAP_PX, self._letters.width)
        lines = newest(lines, most_lines) if asked else shortened(lines, most_lines, rest)
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
