"""What stands on a terminal, kept up to date byte by byte."""

from __future__ import annotations


class Teletype:
    """Carriage return goes to the beginning of the line, line feed straight down, backspace one to the left.

    What is written over is gone (common practice). Other control characters show nothing; a line has no right end.

    Args:
        cr_adds_lf: the terminal's own setting: each carriage return goes down a line too.
    """

    def __init__(self, *, cr_adds_lf: bool = False) -> None:
        self._cr_adds_lf = cr_adds_lf
        self._rows: list[list[str]] = [[]]
        self._row = self._column = 0

    def feed(self, data: bytes) -> None:
        """Show more bytes."""
        rows, row, column = self._rows, self._row, self._column
        for byte in data:
            if byte == 0x0D:
                column = 0
                row += self._cr_adds_lf
            elif byte == 0x0A:
                row += 1
            elif byte == 0x08:
                column = max(0, column - 1)
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
