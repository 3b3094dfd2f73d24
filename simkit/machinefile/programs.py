"""Programs that are put into RAM when the power comes on, as a loader would, and where the CPU begins."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path
from typing import Any

import attrs

from simkit.contract.errors import SimkitError
from simkit.machinefile.tomlplaces import Place

_ADDRESS = re.compile(r"(?:\$|0[xX])?([0-9A-Fa-f]{1,4})")
_SIGNED = re.compile(r"(?:\$|0[xX])[0-9A-Fa-f]{1,4}|[0-9][0-9A-Fa-f]{0,3}")


def is_address(text: str) -> bool:
    """Whether a text is an address and no label: $0200, 0x0200, or digits that begin with one of 0 to 9."""
    return _SIGNED.fullmatch(text.strip()) is not None


def parse_address(text: str) -> int:
    """Address written as $0200, 0x0200 or 0200; always hexadecimal, as a shell takes away what begins with $.

    Raises:
        SimkitError: none of these.
    """
    match = _ADDRESS.fullmatch(text.strip())
    if match is None:
        raise SimkitError(f"{text!r} is not an address.", remedy="Write $0000 to $FFFF, in quotes: '$0200' (or 0200).")
    return int(match[1], 16)


@attrs.frozen
class Program:
    """A program for RAM.

    Attributes:
        path: its file.
        at: address of its first byte; None: a hex file says its addresses, others lie at the start of the card.
        slot: slot of the card that it must lie in; None: of whichever cards answer.
        place: where it is asked for.
        pieces: (address, or offset in the card, and bytes), once it is read; None before.
        starts: where a hex file says that it begins, once it is read.
    """

    path: Path
    at: int | None
    slot: int | None
    place: Place
    pieces: tuple[tuple[int, bytes], ...] | None = attrs.field(default=None, repr=False)
    starts: int | None = None

    @property
    def by_offset(self) -> bool:
        """Whether its pieces lie at offsets in the card."""
        return self.at is None and self.slot is not None and not self.is_hex

    @property
    def is_hex(self) -> bool:
        """Whether the file says its addresses itself."""
        from simkit.rom.images import HEX_SUFFIXES

        return self.path.suffix.lower() in HEX_SUFFIXES

    def identity(self) -> dict[str, Any]:
        """What it adds to the machine's identity."""
        pieces = [[address, hashlib.sha256(data).hexdigest()] for address, data in self.pieces or ()]
        return {"slot": self.slot, "by_offset": self.by_offset, "pieces": pieces}


def parse_load(text: str | Path) -> Program:
    """The program that FILE@ADDRESS asks for, parted at the last @; a hex file stands alone.

    Raises:
        SimkitError: not of that form.
    """
    if not isinstance(text, str | Path):
        raise SimkitError(f"{text!r} is no program.", remedy="Write 'FILE@$0200', or the name of a hex file.")
    text = str(text)
    alone = Program(Path(text), None, None, Place(f"--load {text}"))
    if text and alone.is_hex:
        return alone
    file, at, address = text.rpartition("@")
    if not at or not file:
        raise SimkitError(
            f"--load {text!r} does not say where.",
            remedy="Write --load 'FILE@$0200'; hex files (.hex, .s19) say their addresses themselves.",
        )
    try:
        at_address = parse_address(address)
    except SimkitError as error:
        raise SimkitError(f"--load {text!r}: {error.message}", remedy=f"{error.remedy} A label is none.") from None
    program = Program(Path(file), at_address, None, Place(f"--load {text}"))
    if program.is_hex:
        raise SimkitError(
            f"--load {text!r}: a hex file says its addresses itself.", remedy=f"Write --load {file}, without @."
        )
    return program
