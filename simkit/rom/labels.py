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

Reading takes time in proportion to the size of the list: no pattern has two ways to pass over the same blanks. Messages
name a line and never say what stands in it: the file may be another one than was meant.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterator, Mapping
from pathlib import Path

from simkit.contract.errors import SimkitError, near
from simkit.files.bounded import lines_of, read_text

MAX_FILE_BYTES = 2_000_000
MAX_LABELS = 65_536
MAX_SOURCES = 100
MAX_SOURCE_BYTES = 8_000_000
"""Of all sources that a map names; beyond it names stay as the map spells them."""
NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_.]{0,63}")

_NAME = r"([A-Za-z_][A-Za-z0-9_.]{0,63})"
_NUMBER = r"(?:\$|0[xX])?([0-9A-Fa-f]{1,8})[hH]?"
_EQUALS = re.compile(rf"{_NAME}\s*(?::\s*)?(?::?=|\.?[Ee][Qq][Uu]\s)\s*({_NUMBER})\s*(?:;.*)?")
_MAP = re.compile(r"(\$([0-9A-Fa-f]{1,8}))\s*\|\s*(\S{1,80})\s*\|\s*(?:([^|>]{1,200}):(\d{1,7}))?.*")
_ADDRESS = re.compile(r"\$(?:[0-9A-Fa-f]{2}|[0-9A-Fa-f]{4})")
_CSV = re.compile(rf"\"?{_NAME}\"?([\s,;]+)\"?({_NUMBER})\"?\s*(?:[,;\t].*)?")
_CSV_HEADING = re.compile(r"\"?(?:name|label|symbol)\"?[\s,;]+\"?(?:address|addr|value)\"?.*", re.IGNORECASE)
_SEPARATOR = re.compile(r" *[,;] *|\s*\t\s*")
_WORD = re.compile(r"[\w.]+")


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
    for number, line in enumerate(_lines(path), start=1):
        bare = line.strip()
        if not bare or bare[0] in ";#" or (not found and _CSV_HEADING.fullmatch(bare)):
            continue
        in_map = _MAP.fullmatch(bare)
        entry = (in_map[3], int(in_map[2], 16)) if in_map is not None else _entry(bare)
        if entry is None:
            raise _wrong(path, number, "This is not a label.", "Write NAME = $1234.")
        name, address = entry
        if address is None:
            remedy = "Write $ before hexadecimal digits, and decimal numbers in hexadecimal."
            raise _wrong(path, number, "Is the number hexadecimal or decimal?", remedy)
        if in_map is not None:
            name = sources.spelled(name, in_map[4], in_map[5])
            if not name:
                continue
        if address > 0xFFFF:
            remedy = "Write $0000 to $FFFF; the bus has 16 address lines."
            raise _wrong(path, number, "The number is no address.", remedy)
        if found.get(name, address) != address:
            message = "The label stands in an earlier line as well, with another address."
            raise _wrong(path, number, message, "Keep one of the two lines.")
        found[name] = address
        if len(found) > MAX_LABELS:
            raise _wrong(path, number, f"The list holds more than {MAX_LABELS} labels.", "Leave some out.")
    return found


def _wrong(path: Path, line: int, message: str, remedy: str) -> SimkitError:
    return SimkitError(message, file=str(path), line=line, remedy=remedy)


class _Sources:
    """How source files that a map names spell its names, as far as the files lie beside it."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._lines: dict[str, list[str]] = {}
        self._words: dict[tuple[str, str], tuple[str, dict[str, str]]] = {}
        self._left_bytes = MAX_SOURCE_BYTES

    def spelled(self, name: str, file: str | None, line: str | None) -> str:
        """The name as its source line spells it; nothing for entries that name no place.

        These are anonymous and macro-local ones, labels local to a scope, which may repeat, and plain numbers.
        """
        if not NAME.fullmatch(name) or name.startswith("_"):
            return ""
        if file is None or line is None:
            return name
        text = self._line(file, int(line))
        if not text:
            return name
        key = (file, line)
        if key not in self._words:
            self._words[key] = _alias(text), {word.lower(): word for word in reversed(_WORD.findall(text))}
        alias, words = self._words[key]
        return "" if alias and not _ADDRESS.fullmatch(alias) else words.get(name.lower(), name)

    def _line(self, file: str, number: int) -> str:
        """The line, or nothing where it is not there."""
        lines = self._lines.get(file)
        if lines is None:
            lines = []
            with contextlib.suppress(FileNotFoundError, SimkitError):
                if len(self._lines) < MAX_SOURCES:
                    text = read_text(self._folder / file, self._left_bytes, "source")
                    self._left_bytes -= len(text)
                    lines = lines_of(text)
            self._lines[file] = lines
        return lines[number - 1] if 0 < number <= len(lines) else ""


def _alias(line: str) -> str:
    """The value that a source line gives a name with `.alias`; nothing if it is another line."""
    words = line.split(";")[0].split(maxsplit=2)
    return words[2].strip() if len(words) == 3 and words[0].lower() == ".alias" else ""


def _entry(line: str) -> tuple[str, int | None] | None:
    """Name and number of a line; None when it has none of the forms, no number when its base is not clear."""
    match = _EQUALS.fullmatch(line)
    if match is not None:
        value = _number(match[2], match[3])
        return None if value is None else (match[1], value)
    match = _CSV.fullmatch(line)
    if match is None or not _SEPARATOR.fullmatch(match[2]):
        return None
    digits = match[4]
    if match[3] == digits and 1 < len(digits) < 5:
        return match[1], None  # a list that says 8000 is as likely to mean $8000
    return match[1], _number(match[3], digits)


def _number(written: str, digits: str) -> int | None:
    """Value of a number that says its base: $, 0x and h are hexadecimal, plain digits are decimal."""
    if written[0] == "$" or written[:2] in ("0x", "0X") or written[-1] in "hH":
        return int(digits, 16)
    return int(digits) if digits.isdecimal() else None


def _lines(path: Path) -> list[str]:
    remedy = "Name the list that the assembler writes, not the image; save it as UTF-8."
    try:
        return lines_of(read_text(path, MAX_FILE_BYTES, "label list", remedy=remedy))
    except FileNotFoundError as error:
        raise SimkitError(f"There is no label list {path}.", remedy="Correct the path or build the ROM.") from error
