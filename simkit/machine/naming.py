"""Names and source lines of a machine: label lists and listings that its cards name, and those given besides."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING

import attrs

from simkit.contract.errors import FileError, SimkitError
from simkit.files.bounded import is_file
from simkit.rom.banks import found_in, in_banks
from simkit.rom.labels import Labels, read_labels
from simkit.rom.listing import Listing, Row, Seen, completed, listing_beside, read_rows

if TYPE_CHECKING:
    from simkit.backplane.bus import Bus
    from simkit.backplane.seat import Seat
    from simkit.machine.machine import Machine


_NO_LINES = "no line of {path} begins with an address and bytes."


@attrs.frozen
class SourceLines:
    """Source lines of a machine, as far as they are of the programs that are in it.

    Attributes:
        listing: the lines; None when there are none.
        stale: (slot or None, in which way a listing disagrees with the memory) of each that is not used for that.
        remarks: why there are no lines, and what could not be read.
        files: sources that the files name, as far as they are there.
        used: number of lines taken from each file.
        unused: why none is, of files that were named as listings.
    """

    listing: Listing | None
    stale: Sequence[tuple[int | None, str]] = ()
    remarks: Sequence[str] = ()
    files: Sequence[Path] = ()
    used: Mapping[Path, int] = attrs.field(factory=dict)
    unused: Mapping[Path, str] = attrs.field(factory=dict)


@attrs.define
class Naming:
    """What names the addresses of a machine.

    Attributes:
        labels: names of addresses.
        notes: what could not be read of label lists.
        lists: label lists that were read, each with the slot of the card that names it.
        listings: listings that are named, likewise; read when somebody wants source lines.
        folders: below which sources may be read that such a file names, besides the file's own.
    """

    labels: Labels = attrs.field(factory=Labels)
    notes: list[str] = attrs.field(factory=list)
    lists: list[tuple[Path, int | None]] = attrs.field(factory=list)
    listings: list[tuple[Path, int | None]] = attrs.field(factory=list)
    folders: tuple[Path, ...] = ()

    def read(self, path: Path, slot: int | None = None) -> None:
        """Add the labels of a list, once however many name it; what cannot be read of it becomes a note.

        Raises:
            FileError: the system does not let it be read.
            SimkitError: there is no such file.
        """
        if any(path == other for other, _ in self.lists):
            return
        self.lists.append((path, slot))
        try:
            for name, address in read_labels(path, self.notes, self.folders).items():
                self.labels.add(name, address)
        except FileError:
            raise
        except SimkitError as error:
            if not os.path.lexists(path):
                raise
            said = str(error).replace("\n", " ")
            self.notes.append(f"No labels from {said if said.startswith(str(path)) else f'{path}. {said}'}")

    def source_lines(self, machine: Machine) -> SourceLines:
        """Source lines out of all files named; one that is not of the program in the machine is left out and told."""
        rows: list[Row] = []
        stale: list[tuple[int | None, str]] = []
        remarks: list[str] = []
        files: list[str] = []
        used: dict[Path, int] = {}
        unused: dict[Path, str] = {}
        for path, slot in self._files():
            told: list[str] = []
            try:
                found = read_rows(path, told, files, self.folders)
            except SimkitError as error:
                remarks.append(f"The listing is not used: {error.message}")
                unused[path] = error.message
                continue
            remarks += [note for note in told if note not in self.notes]
            if not found:
                remarks += self._beside(path)
                unused[path] = _NO_LINES.format(path=path)
                continue
            its = _of_slots(completed(found, machine.description.cpu, machine.memory), slot, machine)
            its = _in_chips(in_banks(its, rows[-1].program + 1 if rows else 0), machine)
            problem = _disagreement(machine, its)
            if problem is None:
                rows += its
                used[path] = len(its)
            else:
                stale.append((slot, problem))
                unused[path] = problem
        listing = Listing(rows, _Visible(machine.bus)) if rows else None
        sources = [path for path in map(Path, dict.fromkeys(files)) if is_file(path)]
        named = {path: why for path, why in unused.items() if any(path == other for other, _ in self.listings)}
        return SourceLines(listing, stale, list(dict.fromkeys(remarks)), sources, used, named)

    def _files(self) -> list[tuple[Path, int | None]]:
        """Files that may hold source lines, each once: those named as listings, label lists, and what lies beside."""
        beside = [(found, slot) for path, slot in self.lists if (found := listing_beside(path)) is not None]
        files: dict[Path, int | None] = {}
        for path, slot in [*self.listings, *self.lists, *beside]:
            files.setdefault(path, slot)
        return list(files.items())

    def _beside(self, path: Path) -> list[str]:
        """What is to be said of a file without source lines."""
        if any(path == other for other, _ in self.listings):
            return [f"The listing is not used: {_NO_LINES.format(path=path)}"]
        if self.listings or listing_beside(path) is not None:
            return []
        return [f"No listing beside {path}: findings carry labels, but no source lines."]


def _of_slots(rows: Sequence[Row], slot: int | None, machine: Machine) -> list[Row]:
    """Rows with the slot of the card that holds their image, else the one that names the list."""
    images = {card.image.name: card.slot for card in reversed(machine.description.cards) if card.image is not None}
    slots = {
        image: images.get(image.replace("\\", "/").rpartition("/")[2], slot) if image else slot
        for image in {row.image for row in rows}
    }
    return [row if row.slot == slots[row.image] else row.in_slot(slots[row.image]) for row in rows]


def _in_chips(rows: list[Row], machine: Machine) -> list[Row]:
    """Rows with the offsets that no file says, in chips of which the CPU sees a part at a time."""
    parts: dict[int | None, bytes] = {}
    for seat, read, _ in machine.bus.drive_tables():
        content = bytes(seat.rom() or seat.image) if seat.image_size is not None else b""
        if len(content) > read.bit_count():
            parts[seat.slot] = content
    found: list[Row] = []
    for (_, slot, known), group in groupby(rows, key=lambda row: (row.program, row.slot, row.offset is not None)):
        of_one = list(group)
        found += of_one if known or slot not in parts else found_in(parts[slot], of_one)
    return found


class _Visible:
    """Whether a row is of the program that the CPU saw at an address, or sees now."""

    def __init__(self, bus: Bus) -> None:
        self._bus = bus

    def __call__(self, row: Row, address: int, seen: Seen | None = None) -> bool:
        seen = seen or self._bus.seen_at(address)
        seat = next((seat for seat in self._bus.seats if seen is not None and seat.slot == seen[0]), None)
        if seen is None or seat is None or seat.image_size is None:
            return True
        if row.slot is not None and row.slot != seat.slot:
            return False
        first = seen[1] - (address - row.address)
        if row.offset is not None:
            return row.offset == first
        return first >= 0 and (seat.rom() or seat.image)[first : first + len(row.data)] == row.data


class _Reached:
    """Cards that a read reaches, as `Bus.where` gives them; of a page that is one card's memory it is asked once."""

    def __init__(self, bus: Bus) -> None:
        self._bus = bus
        self._pages: dict[int, tuple[Seat, int]] = {}

    def __call__(self, address: int) -> list[tuple[Seat, int]]:
        page = address >> 8
        if not self._bus.is_plain_page(page):
            return self._bus.where(address)
        if page not in self._pages:
            self._pages[page] = self._bus.where(page << 8)[0]
        seat, first = self._pages[page]
        return [(seat, first + (address & 0xFF))]


def _disagreement(machine: Machine, rows: Sequence[Row]) -> str | None:
    """How rows disagree with the ROM that the CPU sees, or None."""
    visible = _Visible(machine.bus)
    banked = Listing(rows).shared
    contents: dict[int, bytes] = {}
    reached = _Reached(machine.bus)
    for row in rows:
        seats = reached(row.address)
        if not seats or seats[0][0].image_size is None or (banked and not visible(row, row.address)):
            continue
        seat, offset = seats[0]
        if seat.slot not in contents:
            contents[seat.slot] = bytes(seat.rom() or seat.image)
        content = contents[seat.slot]
        if content.startswith(row.data, offset) or _is_elsewhere(content, offset, row):
            continue
        held = machine.memory(row.address, len(row.data))
        if held != row.data:
            return (
                f"The machine holds {held.hex(' ').upper()} at ${row.address:04X}, the listing ({row.place}) "
                f"{row.data.hex(' ').upper()}: it is not of this image and is not used."
            )
    return None


def _is_elsewhere(content: bytes, offset: int, row: Row) -> bool:
    """Whether a card of which the CPU sees a part at a time holds a row at the same place of another part."""
    page = offset & 0xFF
    at = content.find(row.data, page)
    while at >= 0 and at & 0xFF != page:
        at = content.find(row.data, at + 1)
    return at >= 0
