"""Labels: names of addresses, read from what assemblers and linkers write (`simkit.rom.toolfile` tells which it is)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from simkit.contract.errors import SimkitError, near
from simkit.rom.contents import FORMS
from simkit.rom.plain import NAME
from simkit.rom.toolfile import read_tool_file

__all__ = ["MAX_LABELS", "NAME", "Labels", "read_labels"]

MAX_LABELS = 65_536


class Labels(Mapping[str, int]):
    """Addresses by name; `name_at` goes the other way."""

    def __init__(self, names: Mapping[str, int] | None = None) -> None:
        self._addresses: dict[str, int] = {}
        self._names: dict[int, str] = {}
        for name, address in (names or {}).items():
            self.add(name, address)

    def add(self, name: str, address: int) -> None:
        """Add a label; the first name of an address stays the one that is shown."""
        self._addresses[name] = address
        self._names.setdefault(address, name)

    def __getitem__(self, name: str) -> int:
        try:
            return self._addresses[name]
        except KeyError:
            raise SimkitError(f"There is no label {name!r}.", remedy=near(name, self._addresses)) from None

    def __contains__(self, name: object) -> bool:
        return name in self._addresses

    def __iter__(self) -> Iterator[str]:
        return iter(self._addresses)

    def __len__(self) -> int:
        return len(self._addresses)

    def name_at(self, address: int) -> str | None:
        """Label of exactly this address."""
        return self._names.get(address)

    def names(self) -> dict[int, str]:
        """Names by address, for disassembly."""
        return self._names


def read_labels(path: Path, notes: list[str] | None = None, folders: Sequence[Path] = ()) -> dict[str, int]:
    """Addresses by name from a file of any of the forms; the order of the file is kept.

    A name that comes again with another address is called NAME.2 there, NAME.3 and so on.

    Args:
        path: of the file.
        notes: is given a sentence about lines that could not be read, and what else is to be told of the file.
        folders: below which sources may be read besides the file's own.

    Raises:
        FileError: the system does not let it be read.
        SimkitError: no such file, too large, no text and no ELF file, more labels than there are addresses.
    """
    try:
        contents = read_tool_file(path, "label list", folders)
    except FileNotFoundError as error:
        raise SimkitError(f"There is no label list {path}.", remedy="Correct the path or build the ROM.") from error
    found: dict[str, int] = {}
    again: dict[tuple[str, int], str] = {}
    times: dict[str, int] = {}
    for name, address in contents.labels:
        if found.get(name, address) == address:
            found[name] = address
        elif (name, address) not in again:
            again[name, address] = other = _another(name, found, times)
            found[other] = address
        if len(found) > MAX_LABELS:
            message = f"The file holds more than {MAX_LABELS} labels."
            raise SimkitError(message, file=str(path), remedy="Leave some out.")
    if notes is not None:
        notes += contents.notes(path)
        if times:
            several = f"{len(times)} names stand" if len(times) > 1 else "one name stands"
            notes.append(f"{path}: {several} for several places; the later ones end in .2, .3 and so on.")
        if not found and not contents.unread and not contents.rows:
            notes.append(f"{path} holds no labels. Read are: {'; '.join(FORMS)}.")
    return found


def _another(name: str, found: dict[str, int], times: dict[str, int]) -> str:
    """What a name is called that stands for another address already."""
    while True:
        number = times[name] = times.get(name, 1) + 1
        if f"{name}.{number}" not in found:
            return f"{name}.{number}"
