"""Labels: names of addresses, read from the lists that assemblers write."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from pathlib import Path

from simkit.errors import SimkitError, near

MAX_FILE_BYTES = 4_000_000
NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_.]{0,63}")
_LINE = re.compile(r"\s*([A-Za-z_][A-Za-z0-9_.]{0,63})\s*(?:=|:?\s*[Ee][Qq][Uu]\s)\s*\$([0-9A-Fa-f]{1,4})\s*(?:;.*)?")


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


def read_labels(path: Path) -> dict[str, int]:
    """Labels of a list with lines `NAME = $1234` or `NAME EQU $1234`; empty lines and `;` comments are skipped.

    Raises:
        SimkitError: no such file, or a line that is none of these, with its number.
    """
    try:
        if path.stat().st_size > MAX_FILE_BYTES:
            raise SimkitError(f"The label list is larger than {MAX_FILE_BYTES} bytes.", file=str(path))
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError as error:
        raise SimkitError(f"There is no label list {path}.", remedy="Correct the path or build the ROM.") from error
    except (OSError, UnicodeDecodeError) as error:
        raise SimkitError(f"The label list {path} cannot be read: {error}.") from error
    found: dict[str, int] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        if not line.strip() or line.lstrip().startswith(";"):
            continue
        match = _LINE.fullmatch(line)
        if match is None:
            raise SimkitError(
                f"{line.strip()[:60]!r} is not a label.", file=str(path), line=number, remedy="Write NAME = $1234."
            )
        found[match[1]] = int(match[2], 16)
    return found
