"""Labels: names of addresses, read from the lists that assemblers write.

Line forms that are read, mixed as they come; `;` begins a comment:

    NAME = $1234          also := and a colon after the name; the number also as 0x1234 or 1234h
    NAME EQU $1234        also .equ
    $1234 | NAME | file:line   the map that ophis-asm writes; anonymous and local labels (_name) are skipped. The map
                          has all names in small letters and holds plain numbers, too: where the source lies beside it,
                          names are spelled as there, and an .alias counts as an address only when it is written as one
                          (two or four hexadecimal digits)
    NAME,$1234            CSV, with or without a heading line `name,address`; digits that could be an address in
                          hexadecimal as well as in decimal are refused
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from pathlib import Path

from simkit.contract.errors import SimkitError, near
from simkit.files.bounded import read_bounded

MAX_FILE_BYTES = 4_000_000
MAX_LABELS = 65_536
NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_.]{0,63}")

_NAME = r"([A-Za-z_][A-Za-z0-9_.]{0,63})"
_NUMBER = r"(?:\$|0[xX])?([0-9A-Fa-f]{1,8})[hH]?"
_END = r"\s*(?:;.*)?"
_EQUALS = re.compile(rf"\s*{_NAME}\s*:?\s*(?::?=|\.?[Ee][Qq][Uu]\s)\s*({_NUMBER}){_END}")
_MAP = re.compile(r"\s*(\$([0-9A-Fa-f]{1,8}))\s*\|\s*(\S{1,80})\s*\|\s*(?:([^|>]{1,200}):(\d{1,7}))?.*")
_ALIAS = re.compile(r"\s*\.alias\s+\S+\s+(.*?)\s*(?:;.*)?", re.IGNORECASE)
_ADDRESS = re.compile(r"\$(?:[0-9A-Fa-f]{2}|[0-9A-Fa-f]{4})")
_CSV = re.compile(rf"\s*\"?{_NAME}\"?\s*[,;\t]\s*\"?({_NUMBER})\"?\s*(?:[,;\t].*)?")
_CSV_HEADING = re.compile(r"\s*\"?(?:name|label|symbol)\"?\s*[,;\t]\s*\"?(?:address|addr|value)\"?.*", re.IGNORECASE)


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
    """Addresses by name from a label list in one of the forms of this module; the order of the file is kept.

    Raises:
        SimkitError: no such file, a line that is none of the forms, a number above $FFFF, or a name with two
            addresses; with the line.
    """
    found: dict[str, int] = {}
    sources = _Sources(path.parent)
    for number, line in enumerate(_text(path).splitlines(), start=1):
        bare = line.strip()
        if not bare or bare[0] in ";#" or (not found and _CSV_HEADING.fullmatch(line)):
            continue
        entry = _entry(line)
        if entry is None and (match := _CSV.fullmatch(line)) is not None:
            raise SimkitError(
                f"{bare[:60]!r}: is {match[2]} hexadecimal or decimal?",
                file=str(path),
                line=number,
                remedy=f"Write ${match[3]}"
                + (f", or {int(match[3])} as ${int(match[3]):X}." if match[3].isdecimal() else "."),
            )
        if entry is None:
            raise SimkitError(
                f"{bare[:60]!r} is not a label.", file=str(path), line=number, remedy="Write NAME = $1234."
            )
        name, address = entry
        in_map = _MAP.fullmatch(line)
        if in_map is not None:
            name = _name_in_map(name, sources.line(in_map[4], in_map[5]))
            if not name:
                continue
        if address > 0xFFFF:
            raise SimkitError(
                f"{name} = ${address:X} is no address: the bus has 16 address lines.", file=str(path), line=number
            )
        if found.get(name, address) != address:
            raise SimkitError(
                f"{name} stands twice: ${found[name]:04X} and ${address:04X}.",
                file=str(path),
                line=number,
                remedy="Keep one of the two lines.",
            )
        found[name] = address
        if len(found) > MAX_LABELS:
            raise SimkitError(f"The list holds more than {MAX_LABELS} labels.", file=str(path), line=number)
    return found


def _name_in_map(name: str, source: str) -> str:
    """How the source line spells a name of a map; nothing for entries that name no place.

    These are anonymous and macro-local ones, labels local to a scope, which may repeat, and plain numbers.
    """
    if not NAME.fullmatch(name) or name.startswith("_"):
        return ""
    alias = _ALIAS.fullmatch(source)
    if alias is not None and not _ADDRESS.fullmatch(alias[1]):
        return ""
    spelled = re.search(rf"(?<![\w.]){re.escape(name)}(?![\w.])", source, re.IGNORECASE)
    return spelled[0] if spelled is not None else name


class _Sources:
    """Lines of the source files that a map names, as far as they lie beside it."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._files: dict[str, list[str]] = {}

    def line(self, name: str | None, number: str | None) -> str:
        """The line, or nothing where it is not there."""
        if name is None or number is None:
            return ""
        lines = self._files.get(name)
        if lines is None:
            try:
                lines = read_bounded(self._folder / name, MAX_FILE_BYTES, "source").decode("utf-8-sig").splitlines()
            except (OSError, UnicodeDecodeError, SimkitError):
                lines = []
            self._files[name] = lines
        at = int(number)
        return lines[at - 1] if 0 < at <= len(lines) else ""


def _entry(line: str) -> tuple[str, int] | None:
    """Name and number of a line, or None when it has none of the forms."""
    match = _MAP.fullmatch(line)
    if match is not None:
        return match[3], int(match[2], 16)
    match = _EQUALS.fullmatch(line)
    if match is None:
        match = _CSV.fullmatch(line)
        if match is not None and match[2] == match[3] and 1 < len(match[3]) < 5:
            return None  # a list that says 8000 is as likely to mean $8000
    value = _number(match[2], match[3]) if match is not None else None
    return None if match is None or value is None else (match[1], value)


def _number(written: str, digits: str) -> int | None:
    """Value of a number that says its base: $, 0x and h are hexadecimal, plain digits are decimal."""
    if written[0] == "$" or written[:2] in ("0x", "0X") or written[-1] in "hH":
        return int(digits, 16)
    return int(digits) if digits.isdecimal() else None


def _text(path: Path) -> str:
    try:
        return read_bounded(path, MAX_FILE_BYTES, "label list").decode("utf-8-sig")
    except FileNotFoundError as error:
        raise SimkitError(f"There is no label list {path}.", remedy="Correct the path or build the ROM.") from error
    except UnicodeDecodeError as error:
        raise SimkitError(
            f"The label list {path} is not text.", remedy="Name the list that the assembler writes, not the image."
        ) from error
