"""Listings: which line of which source file stands behind an address.

Two forms are read:

    $8000  A2 FF    slug-watch.asm:12    ldx #$FF      with the place in the source
     8000  A2 FF    LDX #$FF       as ophis-asm writes; the place is that in the listing itself

Reading takes time in proportion to the size. Messages name a line and never say what stands in it: the file may be
another one than was meant.
"""

from __future__ import annotations

import contextlib
import os
import re
from bisect import bisect_right
from collections.abc import Iterator
from functools import cached_property
from pathlib import Path

import attrs

from simkit.contract.errors import SimkitError
from simkit.cpu.isa.opcodes import OPCODES
from simkit.files.bounded import is_file, is_folder, lines_of, read_text

MAX_FILE_BYTES = 4_000_000
MAX_SOURCES = 500
"""Source files, and folders they may lie in, that are looked for."""

_PLACED = re.compile(
    r"\$([0-9A-Fa-f]{4})  ([0-9A-F]{2} (\d{1,5}) times|(?:[0-9A-F]{2} ){0,15}[0-9A-F]{2})\s+"
    r"([\w.\-][\w.\- ]{0,99}):(\d{1,7})(?:\s+(.*))?"
)
_MUST_BE_ROW = re.compile(r"\$[0-9A-Fa-f]{4}  [0-9A-F]{2}\b")
_BARE = re.compile(r"([0-9A-Fa-f]{4})\s\s((?:\s?[0-9A-Fa-f]{2}){1,16})(?:\s+(.*))?")
_MNEMONICS = frozenset(opcode.mnemonic.lower() for part in OPCODES.values() for opcode in part) | {"rmb", "smb"}
_WORD = re.compile(r"[A-Za-z]+[0-7]?")


@attrs.frozen(slots=True)
class Row:
    """One row of a listing.

    Attributes:
        address: of its first byte.
        length: bytes.
        data: the bytes; of filler only the first.
        file: path of the source file, or of the listing when it names no source.
        line: line in that file, from 1.
        text: source text, or the assembler's own.
        code: whether it is one instruction; False: data.
    """

    address: int
    length: int
    data: bytes
    file: str
    line: int
    text: str
    code: bool

    @property
    def place(self) -> str:
        """`file:line`, as editors jump to it."""
        return f"{self.file}:{self.line}"


class Listing:
    """Rows by address."""

    def __init__(self, rows: list[Row]) -> None:
        self.rows = sorted(rows, key=lambda row: row.address)
        self._starts = [row.address for row in self.rows]

    def row(self, address: int) -> Row | None:
        """The row whose bytes hold the address."""
        number = bisect_right(self._starts, address) - 1
        if number < 0:
            return None
        row = self.rows[number]
        return row if address < row.address + row.length else None

    def instructions(self) -> list[Row]:
        """The rows that are instructions, by address."""
        return [row for row in self.rows if row.code]


def listing_beside(labels: Path) -> Path | None:
    """The listing that belongs to a label list: same name, ending `.lst`; None when there is none."""
    path = labels.with_suffix(".lst")
    return path if os.path.lexists(path) else None


def read_listing(path: Path) -> Listing:
    """Rows of a listing in one of the forms of this module; lines of other forms (headings) are skipped.

    Raises:
        FileError: the system does not let it be read.
        SimkitError: no such file, too large, not text, a row without its place or beyond $FFFF, or not one row in it.
    """
    try:
        lines = lines_of(read_text(path, MAX_FILE_BYTES, "listing"))
    except FileNotFoundError as error:
        raise SimkitError(f"There is no listing {path}.", remedy="Correct the path or build the ROM.") from error
    rows = []
    sources = _Sources(path)
    for number, line in enumerate(lines, start=1):
        row = _placed(line, sources) or _bare(line.strip(), number, path)
        if row is not None:
            if row.address + row.length > 0x10000:
                message = f"The row goes on beyond $FFFF: {row.length} bytes from ${row.address:04X} on."
                raise SimkitError(message, file=str(path), line=number, remedy="Build the ROM again.")
            rows.append(row)
        elif _MUST_BE_ROW.match(line):
            raise SimkitError(
                "The row has an address and bytes, but no place in the source.",
                file=str(path),
                line=number,
                remedy="Rows look like `$8000  A2 FF   main.asm:12   ldx #$FF`.",
            )
    if not rows:
        raise SimkitError(
            "No line of the listing begins with an address and bytes.",
            file=str(path),
            remedy="Rows look like `$8000  A2 FF   main.asm:12   ldx #$FF`.",
        )
    return Listing(rows)


def _placed(line: str, sources: _Sources) -> Row | None:
    match = _PLACED.fullmatch(line)
    if match is None:
        return None
    data = bytes.fromhex(match[2][:2] if match[3] else match[2])
    length = int(match[3]) if match[3] else len(data)
    text = match[6] or ""
    return Row(int(match[1], 16), length, data, sources.path(match[4]), int(match[5]), text, _is_code(text))


def _bare(line: str, number: int, path: Path) -> Row | None:
    match = _BARE.fullmatch(line)
    if match is None:
        return None
    text = match[3] or ""
    data = bytes.fromhex(match[2])
    return Row(int(match[1], 16), len(data), data, str(path), number, text, _is_code(text))


class _Sources:
    """Where the source files lie that a listing names: beside it or one folder down."""

    def __init__(self, listing: Path) -> None:
        self._folder = listing.parent
        self._paths: dict[str, str] = {}

    def path(self, name: str) -> str:
        """Path of a source file; its bare name where it is not found, or when there are too many to look for."""
        if name not in self._paths:
            if len(self._paths) >= MAX_SOURCES:
                return name
            found = next((path for path in self._candidates(name) if is_file(path)), None)
            self._paths[name] = name if found is None else os.path.normpath(found)
        return self._paths[name]

    def _candidates(self, name: str) -> Iterator[Path]:
        yield self._folder / name
        yield from (folder / name for folder in self._folders)

    @cached_property
    def _folders(self) -> list[Path]:
        with contextlib.suppress(OSError):
            return sorted(path for path in self._folder.iterdir() if is_folder(path))[:MAX_SOURCES]
        return []


def _is_code(text: str) -> bool:
    """Whether the text, with or without a label before it, begins with a mnemonic."""
    words = [word for word in text.split(";")[0].replace(":", ": ").split() if not word.endswith(":")][:2]
    return any(_WORD.fullmatch(word) is not None and word.lower() in _MNEMONICS for word in words)
