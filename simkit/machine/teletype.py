"""What stands on a terminal, kept up to date byte by byte.

Source: Ecma, ECMA-48, Control Functions for Coded Character Sets, 5th edition, 1991: 5.3, 5.4 and 8.3 (from memory).
"""

from __future__ import annotations

TAB = 8
"""Columns between two tab stops (common practice)."""
_ESCAPE, _BRACKET = 0x1B, 0x5B


class Sequences:
    """Leaves escape and control sequences out of what comes, also where one comes in pieces."""

    def __init__(self) -> None:
        self._within = ""

    def left_out(self, data: bytes) -> bytes:
        """The bytes that belong to none."""
        if not self._within and _ESCAPE not in data:
            return data
        rest = bytearray()
        for byte in data:
            if byte == _ESCAPE:
                self._within = "escape"
            elif not self._within:
                rest.append(byte)
            elif self._within == "escape" and byte == _BRACKET:
                self._within = "control"
            elif not 0x20 <= byte <= (0x3F if self._within == "control" else 0x2F):
                self._within = ""
                if byte < 0x20:  # breaks it off, and is none of it
                    rest.append(byte)
        return bytes(rest)


class Teletype:
    """Text on a terminal.

    Carriage return goes to the beginning of the line, line feed straight down, backspace one to the left, tab to the
    next stop. What is written over is gone (common practice). Escape and control sequences are left out, other control
    characters show nothing; a line has no right end.

    Args:
        cr_adds_lf: the terminal's own setting: each carriage return goes down a line too.
    """

    def __init__(self, *, cr_adds_lf: bool = False) -> None:
        self._cr_adds_lf = cr_adds_lf
        self._rows: list[list[str]] = [[]]
        self._row = self._column = 0
        self._sequences = Sequences()

    def feed(self, data: bytes) -> None:
        """Show more bytes."""
        rows, row, column = self._rows, self._row, self._column
        for byte in self._sequences.left_out(data):
            if byte == 0x0D:
                column = 0
                row += self._cr_adds_lf
            elif byte == 0x0A:
                row += 1
            elif byte == 0x08:
                column = max(0, column - 1)
            elif byte == 0x09:
                column = (column // TAB + 1) * TAB
            elif chr(byte).isprintable():
                line = rows[row]
                line += " " * (column + 1 - len(line))
                line[column] = chr(byte)
                column += 1
            rows += [[] for _ in range(row + 1 - len(rows))]
        self._row, self._column = row, column

    def text(self) -> str:
        """Lines joined by newlines, blanks at their ends left out."""
        return "\n".join("".join(line).rstrip() for line in self._rows)
