"""What was read out of a file that an assembler or linker wrote: labels, source lines, and lines that were none."""

from __future__ import annotations

from copy import copy
from pathlib import Path
from typing import TYPE_CHECKING

import attrs

if TYPE_CHECKING:
    from simkit.rom.listing import Row

FORMS = (
    "NAME = $1234",
    "NAME,$1234",
    "the map of ophis",
    "ld65 --dbgfile, -Ln and -m",
    "64tass --labels and --list",
    "the listing of vasm",
    "ELF with DWARF",
)
"""What is read, for messages."""


MOST_DIGITS = 18
"""Of a decimal number that counts: Python reads none of thousands, and no file has a line or a byte of that number."""


def decimal(digits: str) -> int:
    """The number that decimal digits say; of more than MOST_DIGITS the first that has too many.

    Raises:
        ValueError: they say none.
    """
    return int(digits) if len(digits) <= MOST_DIGITS else 10**MOST_DIGITS


@attrs.define
class Contents:
    """What a file holds.

    Attributes:
        form: which tool's form it has, e.g. "debug file of ld65".
        labels: (name, address) in the file's order; a name may come again with another address.
        placed: the first name at (image, offset in it), where the file says that.
        rows: source lines by address.
        files: paths of the sources that it names, as far as they are there; also those of which no bytes came.
        unread: numbers of lines that none of the forms fits.
        remarks: what else is to be told of the file, whole sentences.
    """

    form: str
    labels: list[tuple[str, int]] = attrs.field(factory=list)
    placed: dict[tuple[str, int], str] = attrs.field(factory=dict)
    rows: list[Row] = attrs.field(factory=list)
    files: list[str] = attrs.field(factory=list)
    unread: list[int] = attrs.field(factory=list)
    remarks: list[str] = attrs.field(factory=list)

    def copy(self) -> Contents:
        """The same, with lists and tables of its own."""
        return attrs.evolve(self, **{field.name: copy(getattr(self, field.name)) for field in attrs.fields(Contents)})

    def notes(self, path: Path) -> list[str]:
        """Sentences about what could not be read, and the remarks."""
        told = list(self.remarks)
        if self.unread:
            several = len(self.unread) > 1
            what = f"{len(self.unread)} lines of this {self.form}" if several else f"One line of this {self.form}"
            first = ", the first of them here" if several else ""
            told.insert(
                0,
                f"{path}:{self.unread[0]}: {what} could not be read and {'are' if several else 'is'} left out{first}. "
                f"Read are: {'; '.join(FORMS)}.",
            )
        return told
