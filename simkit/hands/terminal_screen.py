"""The text of a terminal of 80 columns and 24 lines, and what has gone up out of it; knows no pygame.

Carriage return goes to the beginning of the line, line feed straight down, backspace one to the left,
tab to the next stop, and bell rings.
Escape and control sequences are left out, other control characters show nothing, and what
is no ASCII is a dot.

Source: Ecma, ECMA-48, Control Functions for Coded Character Sets, 5th edition, 1991: 5.4 and 8.3 (from memory).
"""

from __future__ import annotations

from simkit.machine.teletype import TAB, Sequences

COLUMNS = 80
ROWS = 24
SCROLL_BACK = 2000
"""Lines that are kept above the 24."""


class TerminalScreen:
    """Lines and where the next character goes: always in the last line.

    Attributes:
        lines: all that are kept, the newest last.
        column: of the next character.
        rings: how often the bell rang.
        begun: how many lines were begun, with those that are not kept any more.
    """

    def __init__(self) -> None:
        self.lines: list[str] = [""]
        self.column = self.rings = 0
        self.begun = 1
        self._sequences = Sequences()

    def feed(self, data: bytes) -> None:
        """Show what came."""
        for byte in self._sequences.left_out(data):
            if byte == 0x0D:
                self.column = 0
            elif byte == 0x0A:
                self._down()
            elif byte == 0x08:
                self.column = max(0, min(self.column, COLUMNS) - 1)
            elif byte == 0x09:
                self.column = min((self.column // TAB + 1) * TAB, COLUMNS - 1)
            elif byte == 0x07:
                self.rings += 1
            elif byte >= 0x20 and byte != 0x7F:
                self._put(chr(byte) if byte < 0x7F else ".")

    def _put(self, character: str) -> None:
        if self.column >= COLUMNS:
            self.column = 0
            self._down()
        line = self.lines[-1].ljust(self.column)
        self.lines[-1] = line[: self.column] + character + line[self.column + 1 :]
        self.column += 1

    def _down(self) -> None:
        self.lines.append("")
        self.begun += 1
        del self.lines[: max(0, len(self.lines) - SCROLL_BACK - ROWS)]
