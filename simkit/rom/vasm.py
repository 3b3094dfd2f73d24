"""What vasm writes: its listing in both forms, with the symbols at its end.

Source: vasm 2.0c, doc/vasm_main.texi, options -L and -Lfmt, and listings it wrote (6502, oldstyle syntax).

    00:8003 E610                 6: .loop:  inc cnt      -Lfmt=wide, the default; `Source: "file"` heads each file
    delay                           A:800F               its symbols; A is an address, E an expression

    F00:0006  .loop: inc cnt                             -Lfmt=old; the bytes stand in the line below
    S01:00008003:  E6 10
     start .loop EXPR(32771=0x8003) ABS                  its symbols
"""

from __future__ import annotations

import re
from pathlib import Path

from simkit.rom.contents import Contents, decimal
from simkit.rom.listing import Row, is_code
from simkit.rom.sources import Sources

_HEADING = re.compile(r'Source: "([^"]{1,300})"')
_WIDE = re.compile(r"[0-9A-F]{2}:([0-9A-F]{4,8}) ((?:[0-9A-F]{2})+)(?:\s+(\d{1,7}): ?(.*))?")
_WIDE_TEXT = re.compile(r"\s+(\d{1,7}): ?(.*)")
_MUST_BE_ROW = re.compile(r"[0-9A-F]{2}:[0-9A-F]{4}|S[0-9]{2}:[0-9A-F]{8}")
_OLD_TEXT = re.compile(r"F([0-9]{2}):([0-9]{4,7}) ?(.*)")
_OLD_FILE = re.compile(r"F([0-9]{2})\s+(\S.{0,300})")
_OLD_BYTES = re.compile(r"\s*S[0-9]{2}:([0-9A-F]{8}):\s+([0-9A-F]{2}(?: [0-9A-F]{2})*)\s*")
_SYMBOL = re.compile(r"(\S{1,200})\s+([AE]):([0-9A-F]{1,8})(?=\s|$)")
_OLD_SYMBOL = re.compile(r"\s*(\S{1,200}(?: \S{1,200})?)\s+(?:EXPR|LAB)\s*\((?:-?\d{1,20}=)?0x([0-9a-fA-F]{1,8})\).*")


def read_vasm(lines: list[str], path: Path, sources: Sources) -> Contents:
    """Labels and source lines of a listing."""
    found = Contents("listing of vasm")
    old_files = {match[1]: match[2].strip() for line in lines if (match := _OLD_FILE.fullmatch(line)) is not None}
    file, number, text, symbols = "", 0, "", ""
    for at, line in enumerate(lines, start=1):
        if line.startswith("Symbols"):
            symbols = "value" if "by value" in line else "name"
        elif symbols:
            found.labels += _symbols(line) if symbols == "name" else []
        elif (match := _HEADING.match(line)) is not None:
            file = match[1]
        elif (match := _WIDE.fullmatch(line.rstrip())) is not None:
            if match[3] is not None:
                number, text = decimal(match[3]), match[4]
            source = (file, number, text) if file and number else (str(path), at, text)
            _add(found, sources, match[1], match[2], source, continued=match[3] is None)
        elif (match := _OLD_TEXT.match(line)) is not None and not _OLD_FILE.fullmatch(line):
            file, number, text = old_files.get(match[1], file), decimal(match[2]), match[3]
        elif (match := _OLD_BYTES.fullmatch(line)) is not None:
            source = (file, number, text) if file and number else (str(path), at, text)
            _add(found, sources, match[1], match[2], source)
        elif (match := _WIDE_TEXT.fullmatch(line)) is not None:
            number, text = decimal(match[1]), match[2]
        elif _MUST_BE_ROW.match(line):
            found.unread.append(at)
    return found


def _add(
    found: Contents,
    sources: Sources,
    address: str,
    digits: str,
    source: tuple[str, int, str],
    *,
    continued: bool = False,
) -> None:
    file, number, text = source
    data, start = bytes.fromhex(digits), int(address, 16) & 0xFFFF
    if start + len(data) > 0x10000:
        return
    code = is_code(text) and not continued and len(data) <= 3
    found.rows.append(Row(start, len(data), data, sources.path(file), number, text.strip(), code))


def _symbols(line: str) -> list[tuple[str, int]]:
    """Labels in a line of the symbol table; expressions are numbers, or addresses above page 0."""
    old = _OLD_SYMBOL.fullmatch(line)
    if old is not None:
        entries = [("".join(old[1].split()), "A", old[2])]
    else:
        entries = [(match[1], match[2], match[3]) for match in _SYMBOL.finditer(line)]
    found = [(name, kind, int(value, 16)) for name, kind, value in entries]
    return [(name, value) for name, kind, value in found if value <= 0xFFFF and (kind == "A" or value > 0xFF)]
