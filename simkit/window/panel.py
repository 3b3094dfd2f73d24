"""Lamps and push buttons of the machine's cards, drawn below the picture: one line a port, shapes that read in grey."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import attrs

from simkit.looks.colours import INK, LIT, PAPER
from simkit.machine.views import Buttons, Lamps
from simkit.window.layout import Box
from simkit.window.strip import TextWidth, shortened, wrapped

if TYPE_CHECKING:
    import pygame

    from simkit.machine.machine import Machine
    from simkit.window.lettering import Lettering

LINE_PX = 34
LAMP_PX = 8
"""Radius of a lamp."""
RAY_PX = 13
"""How far from its middle the light of a lit one goes."""
GAP_PX = 10
CAPTION_MOST = 3
"""Part of the window that the names of cards may take at the left, as one in so many."""
CAPTION_LINES = 2
CAPTION_LINE_PX = 22
"""From a line of a card's name to the next, so near that the two are read as one name."""
RAYS = ((1, 0), (1, 1), (0, 1), (-1, 1), (-1, 0), (-1, -1), (0, -1), (1, -1))
"""Ways that light goes from a lit lamp; a dark one is a dark disc, so that the two differ in grey and in shape."""

Levels = Sequence[Sequence[bool]]


@attrs.define
class _Part:
    port: Lamps | Buttons
    number: int
    box: Box


class Panel:
    """All lamps and buttons of a machine."""

    def __init__(self, machine: Machine) -> None:
        rows: list[Lamps | Buttons] = [*machine.ports(Lamps), *machine.ports(Buttons)]
        self._rows = [(port.card_title, port) for port in sorted(rows, key=lambda port: port.slot)]
        self._parts: list[_Part] = []
        self._captions: list[tuple[str, int]] = []
        self._held: tuple[Buttons, str] | None = None
        self._box = Box(0, 0, 0, 0)

    @property
    def is_empty(self) -> bool:
        """Whether the machine has neither lamps nor buttons."""
        return not self._rows

    def height(self, width: int, text_width: TextWidth) -> int:
        """Window pixels it needs in a window of that width."""
        return self._flow(Box(0, 0, width, 0), text_width)

    def place(self, box: Box, text_width: TextWidth) -> None:
        """Take its place in the window."""
        self._box = box
        self._flow(box, text_width)

    def _flow(self, box: Box, text_width: TextWidth) -> int:
        self._parts, self._captions = [], []
        widest = max((text_width(caption) for caption, _ in self._rows), default=0)
        room = min(widest, box.width // CAPTION_MOST)
        begin = box.x + room + 2 * GAP_PX
        y = box.y
        for caption, port in self._rows:
            lines = shortened(wrapped(caption, max(room, 1), text_width), CAPTION_LINES)
            self._captions += [(line, y + number * CAPTION_LINE_PX) for number, line in enumerate(lines)]
            bottom = y + LINE_PX + (len(lines) - 1) * CAPTION_LINE_PX
            x = begin
            for number, label in enumerate(port.port.labels):
                needed = text_width(label) + 2 * GAP_PX + (2 * RAY_PX if isinstance(port, Lamps) else 0)
                if x + needed > box.x + box.width and x > begin:
                    x, y = begin, y + LINE_PX
                self._parts.append(_Part(port, number, Box(x, y + 3, needed, LINE_PX - 6)))
                x += needed + GAP_PX // 2
            y = max(y + LINE_PX, bottom)
        return y - box.y

    def _is_seen(self, y: int) -> bool:
        """Whether a line that begins there has room; low windows leave out the last ones."""
        return y + LINE_PX - 3 <= self._box.y + self._box.height

    def levels(self, cycle: int) -> Levels:
        """Which lamps are lit in `cycle`, row by row."""
        return [port.port.levels(cycle) for _, port in self._rows if isinstance(port, Lamps)]

    @property
    def dark(self) -> Levels:
        """No lamp lit."""
        return [(False,) * len(port.port.labels) for _, port in self._rows if isinstance(port, Lamps)]

    @property
    def held(self) -> str | None:
        """The button held down with the mouse."""
        return self._held[1] if self._held else None

    def draw(self, surface: pygame.Surface, letters: Lettering, levels: Levels) -> None:
        """Draw it with these lamps lit."""
        import pygame

        if self.is_empty:
            return
        box = self._box
        pygame.draw.rect(surface, PAPER, pygame.Rect(box.x, box.y, box.width, box.height))
        for caption, y in self._captions:
            if not self._is_seen(y):
                continue
            text = letters.image(caption, INK)
            surface.blit(text, text.get_rect(midleft=(box.x + GAP_PX, y + LINE_PX // 2)))
        lamps = (port for _, port in self._rows if isinstance(port, Lamps))
        lit = {id(port): row for port, row in zip(lamps, levels, strict=True)}
        for part in self._parts:
            if not self._is_seen(part.box.y):
                continue
            rect = pygame.Rect(part.box.x, part.box.y, part.box.width, part.box.height)
            label = part.port.port.labels[part.number]
            if isinstance(part.port, Lamps):
                centre = (rect.left + RAY_PX, rect.centery)
                _draw_lamp(surface, centre, lit=lit[id(part.port)][part.number])
                text = letters.image(label, INK)
                surface.blit(text, text.get_rect(midleft=(rect.left + 2 * RAY_PX + GAP_PX // 2, rect.centery)))
                continue
            down = self._held == (part.port, label)
            pygame.draw.rect(surface, INK, rect, 0 if down else 2, border_radius=5)
            text = letters.image(label, PAPER if down else INK)
            surface.blit(text, text.get_rect(center=rect.center))

    def mouse_down(self, x: int, y: int) -> None:
        """The mouse was pressed: a button under it goes down."""
        for part in self._parts:
            if isinstance(part.port, Buttons) and part.box.holds(x, y) and self._is_seen(part.box.y):
                self._held = (part.port, part.port.port.labels[part.number])
                part.port.press(self._held[1])

    def mouse_up(self) -> None:
        """The mouse was let go, wherever it is: the button held comes up."""
        if self._held is not None:
            port, label = self._held
            self._held = None
            port.release(label)

    def forget(self) -> None:
        """The machine was switched off and on: no button is held."""
        self._held = None


def _draw_lamp(surface: pygame.Surface, centre: tuple[int, int], *, lit: bool) -> None:
    """Draw a dark disc; lit, it is light inside and has rays round it."""
    import pygame

    x, y = centre
    if lit:
        for across, down in RAYS:
            far = RAY_PX if not across * down else RAY_PX * 5 // 7
            pygame.draw.line(surface, INK, centre, (x + far * across, y + far * down), 2)
        pygame.draw.circle(surface, PAPER, centre, LAMP_PX + 1)
    pygame.draw.circle(surface, INK, centre, LAMP_PX)
    if lit:
        pygame.draw.circle(surface, LIT, centre, LAMP_PX - 2)
