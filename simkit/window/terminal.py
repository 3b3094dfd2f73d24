"""A pane with a terminal at the serial line of a card: shows what the machine sends, and sends what is typed."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import pygame

from simkit.hands.serial_terminal import SerialTerminal
from simkit.hands.terminal_screen import COLUMNS, ROWS, TerminalScreen
from simkit.looks.colours import INK, PAPER
from simkit.machine.told import digits
from simkit.outside.serial_host import WHERE
from simkit.window.layout import Box
from simkit.window.lettering import Cells, Lettering
from simkit.window.paint import GAP_PX, LINE_PX, frame
from simkit.window.strip import shortened, wrapped

if TYPE_CHECKING:
    from simkit.machine.machine import Machine
    from simkit.machine.views import Serial

CELL_PX = range(6, 13)
"""Widths of a character; it is twice as high."""
CLOSE = "Close"
HEAD_LINES = 3
"""Of what stands above the text; one where there is little room."""
JOIN = f"For a terminal of your own: --terminal {WHERE}."


class Terminal:
    """The pane.

    Args:
        machine: whose card it is.
        serial: its plug.
        may_send: whether the person's hands reach the machine.

    Attributes:
        has_keys: whether what is typed goes to the machine's serial line.
        closes: whether it can be taken away.
    """

    wants_text = True
    first_px = (COLUMNS * 9 + 2 * GAP_PX, ROWS * 18 + 3 * LINE_PX)
    least_px = (COLUMNS * CELL_PX.start + 2 * GAP_PX, 8 * LINE_PX)

    def __init__(self, machine: Machine, serial: Serial, may_send: Callable[[], bool]) -> None:
        self.has_keys = False
        self.closes = True
        self.slot = serial.slot
        self.card_title = serial.card_title
        self._line = SerialTerminal(machine, serial, may_send)
        self._may_send = may_send
        self._back = 0  # lines scrolled back
        self._rows = ROWS  # that were drawn last
        self._cells: dict[int, Cells] = {}
        self._close_box = Box(0, 0, 0, 0)

    # the line ---------------------------------------------------------------------------------------------------------

    @property
    def screen(self) -> TerminalScreen:
        """Its text."""
        return self._line.screen

    def catch_up(self) -> None:
        """Show what the machine has sent since the last look."""
        begun = self.screen.begun
        if not self._line.catch_up():
            self._back = 0
        elif self._back:  # who reads what went up keeps it before his eyes
            self.scroll(begun - self.screen.begun)

    def feed(self, until: int) -> None:
        """Hand on what was typed, as far as the line carries it before that cycle."""
        self._line.feed(until)

    def forget(self) -> None:
        """The machine was switched off and on: what was still to be sent is gone."""
        self._line.forget()

    def send(self, text: str) -> None:
        """Send characters; the end of a line is a carriage return.

        Raises:
            SimkitError: some are not ASCII; nothing is sent.
        """
        self._line.send(text)
        self._follow()

    def _follow(self) -> None:
        """Who types sees the last lines."""
        if self._may_send():
            self._back = 0

    # a pane -----------------------------------------------------------------------------------------------------------

    def key(self, name: str, *, control: bool) -> None:
        """Keys that make no characters; page up and down go through what has gone out of sight."""
        if name in ("page up", "page down"):
            page = max(1, self._rows - 1)
            self.scroll(-page if name == "page up" else page)
        elif self._line.key(name, control=control):
            self._follow()

    def text(self, text: str) -> None:
        """Characters of the host's layout; those that the line does not carry are dropped."""
        self._line.text(text)
        self._follow()

    def scroll(self, rows: int) -> None:
        """Go down, or up where it is negative."""
        self._back = max(0, min(self._back - rows, len(self.screen.lines) - self._rows))

    def closes_at(self, x: int, y: int) -> bool:
        """Whether the word that closes it stands there."""
        return self.closes and self._close_box.holds(x, y)

    def looks(self) -> object:
        """Changes with what is seen."""
        screen = self.screen
        return tuple(screen.lines[-2 * ROWS - self._back :]), screen.column, screen.rings, self.has_keys, self._back

    @property
    def head(self) -> str:
        """What stands above the text."""
        state = "what you type goes to it" if self.has_keys else "click here to type to it"
        where = f"; {self._back} line{'s' if self._back > 1 else ''} back" if self._back else ""
        rings = self.screen.rings
        rang = f"; the bell rang {'once' if rings == 1 else f'{digits(rings)} times'}" if rings else ""
        return f"{self.card_title}, serial line: {state}{where}{rang}. {JOIN}"

    def draw(self, surface: pygame.Surface, box: Box, letters: Lettering, covered: int = 0) -> None:
        """Draw it there: 24 lines, or as many as there is room for; the end of a line that is too long is cut."""
        frame(surface, box, has_keys=self.has_keys)
        close_px = letters.width(CLOSE) + 2 * GAP_PX if self.closes else 0
        most = HEAD_LINES if box.height > 2 * self.least_px[1] // 3 + HEAD_LINES * LINE_PX else 1
        head = shortened(wrapped(self.head, box.width - close_px - 4 * GAP_PX, letters.width), most)
        for number, text in enumerate(head):
            surface.blit(letters.image(text, INK), (box.x + GAP_PX, box.y + 6 + number * LINE_PX))
        if self.closes:
            self._close_box = close = Box(box.x + box.width - close_px - 4, box.y + 4, close_px, LINE_PX + 2)
            rect = pygame.Rect(close.x, close.y, close.width, close.height)
            pygame.draw.rect(surface, INK, rect, 1, border_radius=4)
            word = letters.image(CLOSE, INK)
            surface.blit(word, word.get_rect(center=rect.center))
        top = box.y + len(head) * LINE_PX + 10
        pygame.draw.line(surface, INK, (box.x, top), (box.x + box.width - 1, top), 1)
        inside = Box(box.x + GAP_PX, top + 4, box.width - 2 * GAP_PX, box.y + box.height - top - 8)
        self._draw_text(surface, inside, covered)

    def _draw_text(self, surface: pygame.Surface, box: Box, covered: int) -> None:
        across = max(CELL_PX.start, min(box.width // COLUMNS, box.height // ROWS // 2, CELL_PX[-1]))
        cells = self._cells.setdefault(across, Cells(across))
        rows, columns = max(1, min(ROWS, (box.height - covered) // cells.height)), max(1, box.width // across)
        self._rows = rows
        self.scroll(0)
        end = len(self.screen.lines) - self._back
        first = max(0, end - rows)
        # A window too narrow for a line shows that part of it where the next character goes.
        left = max(0, min(self.screen.column, COLUMNS - 1) - columns + 1)
        for number, line in enumerate(self.screen.lines[first:end]):
            y = box.y + number * cells.height
            for column, character in enumerate(line[left : left + columns]):
                if character != " ":
                    surface.blit(cells.image(character, INK), (box.x + column * across, y))
        if not self._back:
            column = min(self.screen.column, COLUMNS - 1) - left
            here = pygame.Rect(box.x + column * across, box.y + (end - 1 - first) * cells.height, across, cells.height)
            pygame.draw.rect(surface, INK, here, 0 if self.has_keys else 1)
            line = self.screen.lines[-1]
            if self.has_keys and column + left < len(line):
                surface.blit(cells.image(line[column + left], PAPER), here.topleft)
