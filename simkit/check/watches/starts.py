"""Where an instruction may begin, by the listing: at an instruction of the source, or in bytes that are instructions.

Instructions that an assembler lacks are written as bytes. Such a row begins where an instruction is to begin and holds
whole instructions; text and tables seldom do, and other instructions read them.
"""

from __future__ import annotations

import re
from collections.abc import Callable

from simkit.cpu.isa.opcodes import OPCODES, Opcode
from simkit.machine.machine import Machine
from simkit.rom.listing import Listing, Row, Seen

_NO_INSTRUCTIONS = re.compile(
    r"""["']|\.(?:d?word|addr|text|asc\w*|space)\b|(?:byte?|\bdf?b|\bdc\.b|\bfcb)\s+\d+\s*(?:[,;]|$)""", re.IGNORECASE
)
"""Source text of data: a text, words, or bytes of which the first is a decimal number. People write opcodes in hex."""

_INCLUDED = re.compile(r"\.(?:incbin|binary|insert)\b", re.IGNORECASE)
"""Source text of a file that goes in as it is: a program or not, the listing cannot tell."""

_LONGEST_BARE = 16
"""Bytes of a full row in a listing without source text."""

_STANDS_ALONE = frozenset(("BRK", "JAM", "STP"))


Near = Callable[[int], Row | None]
"""The row at an address of the program that is looked at."""


class Starts:
    """Looks addresses up; what data rows hold is worked out once."""

    def __init__(self, machine: Machine, listing: Listing) -> None:
        self._machine = machine
        self._listing = listing
        self._table = OPCODES[machine.description.cpu]
        self._starts: dict[Row, frozenset[int]] = {}  # by the first row of the bytes
        self._read: set[int] | None = None

    def problem(self, address: int, seen: Seen | None) -> str | None:
        """Why no instruction begins at the address, or None; `seen`: which byte the CPU sees there."""
        row = self._listing.row(address, seen)
        if row is None or (row.code and row.address == address) or _INCLUDED.search(_source(row)):
            return None
        if row.code:
            return f"The CPU lands inside the instruction at ${row.address:04X} ({row.place})"
        if address in self._coded(row, None if seen is None else (seen[0], seen[1] - (address - row.address))):
            return None
        return f"The CPU runs into data at ${address:04X} ({row.place})"

    def _coded(self, row: Row, seen: Seen | None) -> frozenset[int]:
        """Addresses of the instructions in the bytes that the row belongs to; none if they are no instructions.

        Args:
            row: one of its rows.
            seen: byte that the CPU sees at its address.
        """

        def near(address: int) -> Row | None:
            return self._listing.row(address, None if seen is None else (seen[0], seen[1] + address - middle))

        middle = row.address
        while (before := near(row.address - 1)) is not None and _belong_together(before, row):
            row = before
        if row not in self._starts:
            self._starts[row] = frozenset(self._decoded(row.address, self._content(row, near), near))
        return self._starts[row]

    def _content(self, row: Row, near: Near) -> bytes:
        """The bytes from the row on that belong together; none if they surely are data."""
        content = b""
        while len(row.data) == row.length and not _NO_INSTRUCTIONS.search(_source(row)):
            content += row.data
            after = near(row.address + row.length)
            if after is None or not _belong_together(row, after):
                return content
            row = after
        return b""

    def _decoded(self, start: int, content: bytes, near: Near) -> list[int]:
        end = len(content)
        if end > 2 and self._is_read(start, end):
            return []
        starts = []
        at = 0
        while at < end:
            opcode = self._table[content[at]]
            starts.append(start + at)
            if not self._reaches(opcode, content, at):
                return []
            if len(starts) == 1 and (opcode.length >= end or (end == 2 and opcode.mnemonic == "BRK")):
                at = max(end, opcode.length)  # one instruction; BRK with the byte that its handler looks at
                break
            if not opcode.documented or opcode.mnemonic in _STANDS_ALONE:
                return []
            at += opcode.length
        if at > end:  # its operand is the next instruction, which is hidden so
            following = near(start + end)
            if following is None or not following.code or (len(starts) > 1 and opcode.mnemonic != "BIT"):
                return []
        return starts

    def _reaches(self, opcode: Opcode, content: bytes, at: int) -> bool:
        """Whether an address in an instruction, if it has one, is that of a card."""
        if opcode.mode != "abs" or at + 3 > len(content):
            return True
        address = content[at + 1] | content[at + 2] << 8
        bus = self._machine.bus
        return bool(bus.where(address) or bus.where(address, is_write=True))

    def _is_read(self, start: int, length: int) -> bool:
        """Whether an instruction of the source reads the bytes, or the byte before them as the base of a table."""
        if self._read is None:
            self._read = set()
            for row in self._listing.instructions():
                opcode = self._table[row.data[0]]
                if opcode.mode in ("abs", "absx", "absy") and opcode.mnemonic not in ("JMP", "JSR"):
                    self._read.add(row.data[1] | row.data[2] << 8)
        return any(address in self._read for address in range(start - 1, start + length))


def _source(row: Row) -> str:
    """Source text of a row without its remark; assemblers that list no source text show the bytes as characters."""
    return "" if row.text.startswith("|") else row.text.split(";")[0]


def _belong_together(row: Row, after: Row) -> bool:
    """Whether two neighbouring rows are of one source line, as far as the listing tells."""
    if row.code or after.code:
        return False
    return row.place == after.place or (row.text.startswith("|") and row.length == _LONGEST_BARE)
