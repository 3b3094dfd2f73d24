"""Texts that say themselves what they are, line by line: label lists, map and listing of ophis, our own listing.

Line forms of labels, mixed as they come; `;` begins a comment:

    NAME = $1234          also := and a colon after the name; the number also as 0x1234 or 1234h
    file:line:column: NAME = $1234     as `64tass --dump-labels` writes
    NAME EQU $1234        also .equ
    $1234 | NAME | file:line   the map that ophis-asm writes; anonymous and local labels (_name) are skipped. The map
                          has all names in small letters and holds plain numbers, too: where the source lies beside it,
                          names are spelled as there, and an .alias counts as an address only when it is written as one
                          (two or four hexadecimal digits)
    NAME,$1234            CSV, with or without a heading line `name,address`; digits that could be an address in
                          hexadecimal as well as in decimal are not read

Rows of listings:

    $8000  A2 FF    slug-watch.asm:12    ldx #$FF      with the place in the source
     8000  A2 FF    LDX #$FF       as ophis-asm writes; the place is that in the listing itself

Reading takes time in proportion to the size of the list: no pattern has two ways to pass over the same blanks. Messages
name a line and never say what stands in it: the file may be another one than was meant.
"""

from __future__ import annotations

import re
from functools import lru_cache
from pathlib import Path

from simkit.rom.contents import Contents, decimal
from simkit.rom.listing import Row, is_code
from simkit.rom.sources import Sources

MOST_KEPT_LINES, MOST_KEPT_LINE = 8_192, 300
"""Lines of listings that are not read anew, and characters of one: of a program built again most are as they were."""

NAME = re.compile(r"[A-Za-z_@][A-Za-z0-9_.@:?]{0,127}(?<!:)")

_NAME = r"([A-Za-z_@][A-Za-z0-9_.@]{0,127}(?:::[A-Za-z0-9_.@]{1,127}){0,8})"
_NUMBER = r"(?:\$|0[xX])?([0-9A-Fa-f]{1,8})[hH]?"
_EQUALS = re.compile(rf"{_NAME}\s*(?::\s*)?(?::?=|\.?[Ee][Qq][Uu]\s)\s*({_NUMBER})\s*(?:;.*)?")
_TOLD_AT = re.compile(r"(?:[A-Za-z]:)?([^:|=]{1,200}):(\d{1,7}):\d{1,7}: +(\S{1,200}) :?= (.*)")
_TASS = re.compile(r"\S{1,200}\t+= ")
_MAP = re.compile(r"(\$([0-9A-Fa-f]{1,8}))\s*\|\s*(\S{1,80})\s*\|\s*(?:([^|>]{1,200}):(\d{1,7}))?.*")
_MAP_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_.]{0,63}")
_ADDRESS = re.compile(r"\$(?:[0-9A-Fa-f]{2}|[0-9A-Fa-f]{4})")
_CSV = re.compile(rf"\"?{_NAME}\"?([\s,;]+)\"?({_NUMBER})\"?\s*(?:[,;\t].*)?")
_CSV_HEADING = re.compile(r"\"?(?:name|label|symbol)\"?[\s,;]+\"?(?:address|addr|value)\"?.*", re.IGNORECASE)
_SEPARATOR = re.compile(r" *[,;] *|\s*\t\s*")
_WORD = re.compile(r"[\w.]+")

_PLACED = re.compile(
    r"\$([0-9A-Fa-f]{4})  ([0-9A-F]{2} (\d{1,5}) times|(?:[0-9A-F]{2} ){0,15}[0-9A-F]{2})\s+"
    r"([\w.\-][\w.\- ]{0,99}):(\d{1,7})(?:\s+(.*))?"
)
_MUST_BE_ROW = re.compile(r"\$[0-9A-Fa-f]{4}  [0-9A-F]{2}\b")
_BARE = re.compile(r"([0-9A-Fa-f]{4})\s\s((?:\s?[0-9A-Fa-f]{2}){1,16})(?:\s+(.*))?")


def read_plain(lines: list[str], path: Path, sources: Sources) -> Contents:
    """Labels or rows, or both; which it is, its lines say."""
    found = Contents("list")
    _rows(lines, found, sources, path)
    if found.rows:
        found.form = "listing"
        return found
    found.form = "label list"
    found.unread.clear()
    spelling = _Spelling(sources)
    for number, line in enumerate(lines, start=1):
        bare = line.strip()
        if not bare or bare[0] in ";#" or (not found.labels and _CSV_HEADING.fullmatch(bare)):
            continue
        entry: tuple[str, int] | None
        in_map = _MAP.fullmatch(bare)
        if in_map is not None:
            name = spelling.spelled(in_map[3], in_map[4], in_map[5])
            entry = (name, int(in_map[2], 16)) if name else _NO_PLACE
        else:
            entry = _entry(bare, sources)
        if entry is None or (entry is not _NO_PLACE and entry[1] > 0xFFFF):
            found.unread.append(number)
        elif entry is not _NO_PLACE:
            found.labels.append(entry)
    return found


_NO_PLACE = ("", -1)
"""A line that was understood and names no address: a plain number, a text, a label without a name."""


class _Spelling:
    """How source files that a map names spell its names, as far as the files lie beside it."""

    def __init__(self, sources: Sources) -> None:
        self._sources = sources
        self._words: dict[tuple[str, str], tuple[str, dict[str, str]]] = {}

    def spelled(self, name: str, file: str | None, line: str | None) -> str:
        """The name as its source line spells it; nothing for entries that name no place.

        These are anonymous and macro-local ones, labels local to a scope, which may repeat, and plain numbers.
        """
        if not _MAP_NAME.fullmatch(name) or name.startswith("_"):
            return ""
        if file is None or line is None:
            return name
        text = self._sources.line(file, decimal(line))
        if not text:
            return name
        key = (file, line)
        if key not in self._words:
            self._words[key] = _alias(text), {word.lower(): word for word in reversed(_WORD.findall(text))}
        alias, words = self._words[key]
        return "" if alias and not _ADDRESS.fullmatch(alias) else words.get(name.lower(), name)


def _alias(line: str) -> str:
    """The value that a source line gives a name with `.alias`; nothing if it is another line."""
    words = line.split(";")[0].split(maxsplit=2)
    return words[2].strip() if len(words) == 3 and words[0].lower() == ".alias" else ""


def _entry(line: str, sources: Sources) -> tuple[str, int] | None:
    """Name and number of a line; None when it has none of the forms or does not say the base of its number."""
    told = _TOLD_AT.fullmatch(line)
    if told is not None:
        value = re.fullmatch(_NUMBER, told[4])
        if value is None or sources.is_number_only(told[1], decimal(told[2])):
            return _NO_PLACE
        number = _number(told[4], value[1])
        return _NO_PLACE if number is None or number > 0xFFFF else (told[3], number)
    match = _EQUALS.fullmatch(line)
    if match is not None:
        number = _number(match[2], match[3])
        if number is not None and number > 0xFFFF and _TASS.match(line):
            return _NO_PLACE
        return None if number is None else (match[1], number)
    if _TASS.match(line):
        return _NO_PLACE  # a text or another value that a name was given
    match = _CSV.fullmatch(line)
    if match is None or not _SEPARATOR.fullmatch(match[2]):
        return None
    digits = match[4]
    if match[3] == digits and 1 < len(digits) < 5:
        return None  # a list that says 8000 is as likely to mean $8000
    number = _number(match[3], digits)
    return None if number is None else (match[1], number)


def _number(written: str, digits: str) -> int | None:
    """Value of a number that says its base: $, 0x and h are hexadecimal, plain digits are decimal."""
    if written[0] == "$" or written[:2] in ("0x", "0X") or written[-1] in "hH":
        return int(digits, 16)
    return decimal(digits) if digits.isdecimal() else None


# rows -----------------------------------------------------------------------------------------------------------------


def _rows(lines: list[str], found: Contents, sources: Sources, path: Path) -> None:
    for number, line in enumerate(lines, start=1):
        row = _placed(line, sources) or _bare(line.strip(), number, path)
        if row is not None and row.address + row.length <= 0x10000:
            found.rows.append(row)
        elif row is not None or _MUST_BE_ROW.match(line):
            found.unread.append(number)


def _placed(line: str, sources: Sources) -> Row | None:
    said = _said(line) if len(line) <= MOST_KEPT_LINE else _said.__wrapped__(line)
    if said is None:
        return None
    address, length, data, name, number, text, code = said
    return Row(address, length, data, sources.path(name), number, text, code)


@lru_cache(maxsize=MOST_KEPT_LINES)
def _said(line: str) -> tuple[int, int, bytes, str, int, str, bool] | None:
    """What a row with its place says; where that source lies is another matter."""
    match = _PLACED.fullmatch(line)
    if match is None:
        return None
    data = bytes.fromhex(match[2][:2] if match[3] else match[2])
    length = decimal(match[3]) if match[3] else len(data)
    text = match[6] or ""
    return int(match[1], 16), length, data, match[4], decimal(match[5]), text, is_code(text)


def _bare(line: str, number: int, path: Path) -> Row | None:
    match = _BARE.fullmatch(line)
    if match is None:
        return None
    text = match[3] or ""
    data = bytes.fromhex(match[2])
    return Row(int(match[1], 16), len(data), data, str(path), number, text, is_code(text))
