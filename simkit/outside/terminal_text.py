"""What a terminal would show of the bytes that a machine sent: lines as they stand at the end, without a terminal.

Carriage return, line feed, backspace, tab and form feed do what they do on terminals; escape and control sequences are
left out, any other byte that is no printable ASCII is shown as a dot.

Source: Ecma, ECMA-48, Control Functions for Coded Character Sets, 5th edition, 1991: 5.3, 5.4 and 8.3 (from memory).
"""

from __future__ import annotations

from simkit.machine.teletype import TAB, Sequences


def terminal_lines(sent: bytes) -> list[str]:
    """Lines from the first to the last that holds something; blanks at their ends are left out."""
    lines: list[list[str]] = [[]]
    column = 0
    for byte in Sequences().left_out(sent):
        if byte == 0x0D:
            column = 0
        elif byte in (0x0A, 0x0C):
            lines.append([])
            column = 0  # programs that send no carriage return mean a new line all the same
        elif byte == 0x08:
            column = max(0, column - 1)
        elif byte == 0x09:
            column = (column // TAB + 1) * TAB
        elif byte >= 0x20 and byte != 0x7F:
            line = lines[-1]
            line.extend(" " * (column + 1 - len(line)))
            line[column] = chr(byte) if byte < 0x7F else "."
            column += 1
    return "\n".join("".join(line).rstrip() for line in lines).strip("\n").splitlines()
