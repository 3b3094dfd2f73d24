"""Where an address is in the program, in words: the nearest label with the distance, source file and line.

Everything that tells people of a place in the program goes through `Places.at`, so that one place has one name.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable
from pathlib import Path

import attrs

from simkit.kitfile.unpacking import kit_around
from simkit.rom.labels import Labels
from simkit.rom.listing import FURTHEST_FROM_LABEL, Listing, Row, Seen

ZERO_PAGE_END = 0xFF


@attrs.frozen
class Place:
    """One address of the program.

    Attributes:
        address: the address.
        label: nearest label at or before it, or None.
        offset: bytes from the label to it.
        file: source file, or None.
        line: line in it.
        source: text of that line without its comment.
    """

    address: int
    label: str | None = None
    offset: int = 0
    file: str | None = None
    line: int | None = None
    source: str = ""

    @property
    def name(self) -> str | None:
        """Label with the distance, "start" or "start+3"; None without a label."""
        if self.label is None:
            return None
        return f"{self.label}+{self.offset}" if self.offset else self.label

    @property
    def source_line(self) -> str | None:
        """`file:line`, as editors jump to it; None when the source is not known."""
        return None if self.file is None else f"{self.file}:{self.line}"

    def words(self) -> str:
        """All of it: "$8003 (start+3, main.asm:12)"."""
        known = ", ".join(part for part in (self.name, self.source_line) if part is not None)
        return f"${self.address:04X}{f' ({known})' if known else ''}"


class Places:
    """Finds the places of addresses.

    Args:
        labels: names of addresses; more may come.
        listing: source lines by address, or None.
        holds: whether memory holds the bytes of a row now; rows of another bank or program are left out. None: all do.
    """

    def __init__(
        self, labels: Labels, listing: Listing | None = None, holds: Callable[[Row], bool] | None = None
    ) -> None:
        self._labels = labels
        self.listing = listing
        self._holds = holds
        self._starts: list[int] = []

    def at(self, address: int, seen: Seen | None = None) -> Place:
        """The place of an address.

        Args:
            address: of it.
            seen: which byte the CPU saw there, where programs share addresses; None: the one that it sees now.
        """
        in_bank = self.listing.label(address, seen) if self.listing is not None else None
        label, offset = in_bank if in_bank is not None else self._label(address)
        row = self.listing.row(address, seen) if self.listing is not None else None
        if row is None or (seen is None and self._holds is not None and not self._holds(row)):
            return Place(address, label, offset)
        text = " ".join(row.text.split(";")[0].split())
        return Place(address, label, offset, _shown(row.file), row.line, text)

    def _label(self, address: int) -> tuple[str | None, int]:
        names = self._labels.names()
        if len(self._starts) != len(names):
            self._starts = sorted(names)
        number = bisect_right(self._starts, address) - 1
        if number < 0 or address - self._starts[number] > FURTHEST_FROM_LABEL:
            return None, 0
        if address > ZERO_PAGE_END >= self._starts[number]:
            return None, 0  # the stack is no part of what lies in the zero page
        return names[self._starts[number]], address - self._starts[number]


def _shown(file: str) -> str:
    """Path as people want to see it: from the working folder where it lies below it; of a kit as it is in the kit."""
    path = Path(file)
    try:
        return str(path.resolve().relative_to(Path.cwd()))
    except (ValueError, OSError):
        kit = kit_around(path)
        return file if kit is None else path.resolve().relative_to(kit).as_posix()
