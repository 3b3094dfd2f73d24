"""Listings: which line of which source file stands behind an address, whichever tool wrote it down."""

from __future__ import annotations

import os
import re
from bisect import bisect_right
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

import attrs

from simkit.contract.errors import SimkitError
from simkit.cpu.isa.opcodes import OPCODES

MNEMONICS = frozenset(opcode.mnemonic.lower() for part in OPCODES.values() for opcode in part) | {"rmb", "smb"}
MAX_BANKS = 256
"""Programs at one address that are told apart; what goes beyond lies with the last."""

_WORD = re.compile(r"[A-Za-z]+[0-7]?")


@attrs.frozen(slots=True)
class Row:
    """One row of a listing.

    Attributes:
        address: of its first byte.
        length: bytes.
        data: the bytes; of filler only the first; none where they are not known.
        file: path of the source file, or of the listing when it names no source.
        line: line in that file, from 1.
        text: source text, or the assembler's own.
        code: whether it is one instruction; False: data.
        image: name of the output file that the bytes went to; "" when that is not known.
        offset: where in it they are, or None.
        slot: slot of the card whose program it is, or None.
        label: label of its first byte in that program; "" where none is known.
        program: number of the program that it is of, where files or addresses that come again tell several apart.
    """

    address: int
    length: int
    data: bytes
    file: str
    line: int
    text: str
    code: bool
    image: str = ""
    offset: int | None = None
    slot: int | None = None
    label: str = ""
    program: int = 0

    def in_slot(self, slot: int | None) -> Row:
        """The same of the card in a slot; made for all rows of a program, where `attrs.evolve` takes far longer."""
        return Row(
            self.address,
            self.length,
            self.data,
            self.file,
            self.line,
            self.text,
            self.code,
            self.image,
            self.offset,
            slot,
            self.label,
            self.program,
        )

    @property
    def place(self) -> str:
        """`file:line`, as editors jump to it."""
        return f"{self.file}:{self.line}"


FURTHEST_FROM_LABEL = 0xFF
"""Bytes behind a label up to which an address is named after it."""

Seen = tuple[int, int]
"""Byte that the CPU saw at an address: slot of the card that gave it, offset in the card."""

Visible = Callable[[Row, int, Seen | None], bool]
"""Whether the byte of a row at an address is the one that the CPU saw there; None: that it sees now."""


class Listing:
    """Rows by address.

    Where programs share addresses (banks), the row of the one that the CPU sees is given.

    Attributes:
        rows: all of them, by address.
        shared: whether several programs share addresses.

    Args:
        rows: in any order.
        visible: tells which of several rows it is; None: the first.
    """

    def __init__(self, rows: Iterable[Row], visible: Visible | None = None) -> None:
        self.rows = sorted(rows, key=lambda row: row.address)
        self._visible = visible
        banks: dict[object, list[Row]] = {}
        for row in self.rows:
            key = row.slot, row.program, row.image, None if row.offset is None else row.offset - row.address
            if key not in banks and len(banks) >= MAX_BANKS:
                key = next(reversed(banks))  # type: ignore[assignment]
            banks.setdefault(key, []).append(row)
        self._banks = [([row.address for row in of_bank], of_bank) for of_bank in banks.values()]
        self.shared = len(self._banks) > 1 and _overlap(self.rows)

    def row(self, address: int, seen: Seen | None = None) -> Row | None:
        """The row whose bytes hold the address.

        Args:
            address: of a byte.
            seen: which byte the CPU saw there, where programs share addresses; None: the one that it sees now.
        """
        found = self._find(address, seen)
        return None if found is None else found[0][found[1]]

    def label(self, address: int, seen: Seen | None = None) -> tuple[str | None, int] | None:
        """Nearest label in the program of which the address is, and the distance; None where only one program is.

        Which other labels have addresses near it does not count then: they may be those of another bank.
        """
        if not self.shared or sum(starts[0] <= address <= starts[-1] for starts, _ in self._banks) < 2:
            return None
        found = self._find(address, seen)
        if found is None:
            return None
        return _nearest_label(*found, address)

    def candidates(self, address: int) -> list[tuple[Row, str | None, int]]:
        """What the banks that share an address have there: row, nearest label, distance; none where only one is."""
        if not self.shared:
            return []
        found = [
            (rows[number], *_nearest_label(rows, number, address))
            for starts, rows in self._banks
            if (number := bisect_right(starts, address) - 1) >= 0
            and address < rows[number].address + rows[number].length
        ]
        return found if len(found) > 1 else []

    def _find(self, address: int, seen: Seen | None) -> tuple[list[Row], int] | None:
        for starts, rows in self._banks:
            number = bisect_right(starts, address) - 1
            if number < 0 or address >= rows[number].address + rows[number].length:
                continue
            if not self.shared or self._visible is None or self._visible(rows[number], address, seen):
                return rows, number
        return None

    def instructions(self) -> list[Row]:
        """The rows that are instructions, by address; of banks those that the CPU sees."""
        if not self.shared or self._visible is None:
            return [row for row in self.rows if row.code]
        return [row for row in self.rows if row.code and self._visible(row, row.address, None)]


def _nearest_label(rows: Sequence[Row], number: int, address: int) -> tuple[str | None, int]:
    """Of the rows of one bank, up to the one with that number: nearest label, and the distance."""
    for row in reversed(rows[max(number - FURTHEST_FROM_LABEL, 0) : number + 1]):
        if address - row.address > FURTHEST_FROM_LABEL:
            break
        if row.label:
            return row.label, address - row.address
    return None, 0


def _overlap(rows: Sequence[Row]) -> bool:
    end = 0
    for row in rows:
        if row.address < end:
            return True
        end = max(end, row.address + row.length)
    return False


def listing_beside(labels: Path) -> Path | None:
    """The listing that belongs to a label list: same name, ending `.lst`; None when there is none."""
    if not labels.name:
        return None  # "." or the like: it is told when it is read
    path = labels.with_suffix(".lst")
    return path if os.path.lexists(path) else None


def read_rows(
    path: Path, notes: list[str] | None = None, files: list[str] | None = None, folders: Sequence[Path] = ()
) -> list[Row]:
    """Rows of a listing, a debug file or an ELF file; none where it holds no source lines.

    Args:
        path: of the file.
        notes: is given a sentence about rows that could not be read, and what else is to be told of the file.
        files: is given the paths of the sources that it names.
        folders: below which sources may be read besides the file's own.

    Raises:
        FileError: the system does not let it be read.
        SimkitError: no such file, too large, no text and no ELF file.
    """
    from simkit.rom.toolfile import read_tool_file

    try:
        contents = read_tool_file(path, "listing", folders)
    except FileNotFoundError as error:
        raise SimkitError(f"There is no listing {path}.", remedy="Correct the path or build the ROM.") from error
    if notes is not None and contents.rows:
        notes += contents.notes(path)
    if files is not None and contents.rows:
        files += contents.files
    from simkit.rom.banks import labelled

    return labelled(contents.rows, contents.labels, contents.placed)


def read_listing(path: Path, notes: list[str] | None = None) -> Listing:
    """The listing in a file, see `read_rows`.

    Raises:
        FileError: the system does not let it be read.
        SimkitError: what `read_rows` raises, or not one source line in it.
    """
    rows = read_rows(path, notes)
    if not rows:
        raise SimkitError(
            "No line of the listing begins with an address and bytes.",
            file=str(path),
            remedy="Rows look like `$8000  A2 FF   main.asm:12   ldx #$FF`; listings of 64tass and vasm, debug files "
            "of ld65 and ELF files with DWARF are read as well.",
        )
    return Listing(rows)


def completed(rows: Iterable[Row], part: str, peek: Callable[[int, int], bytes]) -> list[Row]:
    """Rows as they are, those without bytes with what the memory holds; code is split into single instructions.

    Args:
        rows: as read.
        part: "65C02" or "6502".
        peek: (address, length) -> bytes that the CPU would read there.
    """
    table = OPCODES[part]
    found = []
    for row in rows:
        if row.data and (not row.code or row.length <= 3):
            found.append(row)
            continue
        data = row.data if len(row.data) == row.length else peek(row.address, row.length)
        at = 0
        while row.code and at < row.length and at + table[data[at]].length <= row.length:
            length = table[data[at]].length
            found.append(_part(row, data, at, length, code=True))
            at += length
        if at < row.length:
            found.append(_part(row, data, at, row.length - at, code=False))
    return found


def _part(row: Row, data: bytes, at: int, length: int, *, code: bool) -> Row:
    offset = None if row.offset is None else row.offset + at
    piece = data[at : at + length]
    label = "" if at else row.label
    return attrs.evolve(row, address=row.address + at, length=length, data=piece, offset=offset, code=code, label=label)


def is_code(text: str) -> bool:
    """Whether the text, with or without a label before it, begins with a mnemonic."""
    words = [word for word in text.split(";")[0].replace(":", ": ").split() if not word.endswith(":")][:2]
    return any(_WORD.fullmatch(word) is not None and word.lower() in MNEMONICS for word in words)
