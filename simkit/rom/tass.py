"""What 64tass writes with --list: addresses, bytes and source lines.

Seen: 64tass 1.58.2974 (Debian), plain and with --line-numbers and --verbose-list. Its options --labels and
--dump-labels write `NAME = $1234` and `file:line:column: NAME = $1234`; those are read by `simkit.rom.plain`.

    ;Offset ;PC     ;Hex            ;Monitor        ;Source          which columns there are; PC with .logical alone
    .8003           e6 10           inc $10         _loop   inc cnt  `.` an instruction, `>` data, `=` a value
    ;******  Processing file: inc.asm                                and Return to file:

Source lines have no numbers in it (with --line-numbers only those of files after the first, in this version), so they
are found again in the source files: `simkit.rom.alignment`. A listing whose sources are not there points into itself.
"""

from __future__ import annotations

import re
from pathlib import Path

import attrs

from simkit.rom.alignment import Macro, SourceText, lines_of_rows, macros_of
from simkit.rom.contents import Contents, decimal
from simkit.rom.listing import Row
from simkit.rom.sources import Sources

MAX_NESTED = 200

_ROW = re.compile(r"[.>]([0-9a-f]{4,8})")
_VALUE = re.compile(r"=\$([0-9a-f]{1,8})")
_HEX = re.compile(r"[0-9a-f]{2}(?: [0-9a-f]{2})*")
_PROCESSING = re.compile(r";\*{6}  (Processing (?:input )?file|Return to file): +(.{1,300})")
_LABEL = re.compile(r"([A-Za-z_][A-Za-z0-9_.]{0,127})(?=[\s:=;]|$)")


@attrs.define(slots=True)
class _Listed:
    """One row of the listing.

    Attributes:
        line: its line in the listing.
        kind: `.` or `>`.
        offset: address where its bytes lie.
        pc: address at which they run.
        data: bytes.
        text: source text, nothing in rows that go on.
        number: line in the source, as far as the listing says it.
    """

    line: int
    kind: str
    offset: int
    pc: int
    data: bytes
    text: str
    number: int


@attrs.define
class _Part:
    """Rows of one pass through a file: it may be included again, with other rows."""

    file: str
    rows: list[_Listed] = attrs.field(factory=list)


def read_list(lines: list[str], path: Path, sources: Sources) -> Contents:
    """Source lines and labels of a listing."""
    found = Contents("listing of 64tass")
    part = _Part("")
    parts, stack = [part], [part]
    columns: list[str] = []
    scope = ""
    for at, line in enumerate(lines, start=1):
        text = line.removeprefix(":") if line.startswith(":") else line
        match = _PROCESSING.search(text)
        if match is not None:
            part = _moved(match[1], match[2], stack, parts)
        elif ";Offset" in line and ";Hex" in line:
            columns = [word for word in line.split("\t") if word]
        elif line.lstrip("0123456789\t")[:1] in (".", ">", "="):
            fields = line.split("\t")
            number = fields.pop(0) if ";Line" in columns else ""
            value = _VALUE.fullmatch(fields[0]) if fields else None
            listed = _listed(at, number, fields, columns)
            if value is not None:
                scope = _value(found, value[1], fields[-1] if fields else "", scope)
            elif listed is not None:
                part.rows.append(listed)
                scope = _label(found, listed, scope)
            elif fields and not fields[0].startswith("="):
                found.unread.append(at)
    found.files = [sources.path(one.file) for one in parts if one.file]
    files = dict.fromkeys(one.file for one in parts if one.file)
    macros: dict[str, Macro] = {}
    for file in files:
        macros |= macros_of(sources.lines(file))[0]
    texts = {file: SourceText.of(sources.lines(file), macros) for file in files} | {"": SourceText()}
    for one in parts:
        _place(one, found, sources, path, texts[one.file])
    return found


def _moved(word: str, name: str, stack: list[_Part], parts: list[_Part]) -> _Part:
    """The part that a heading begins, or goes back to."""
    if word.startswith("Return"):
        while len(stack) > 1:
            stack.pop()
            if stack[-1].file == name:
                break
        return stack[-1]
    part = _Part(name)
    parts.append(part)
    stack.append(part)
    del stack[1:-MAX_NESTED]
    return part


def _listed(at: int, number: str, fields: list[str], columns: list[str]) -> _Listed | None:
    match = _ROW.fullmatch(fields.pop(0)) if fields else None
    if match is None:
        return None
    offset = pc = int(match[1], 16) & 0xFFFF
    kind = match.string[0]
    if ";PC" in columns and fields:
        with_pc = fields.pop(0)
        if re.fullmatch(r"[0-9a-f]{4,8}", with_pc):
            pc = int(with_pc, 16) & 0xFFFF
    data = b""
    if fields and _HEX.fullmatch(fields[0].strip()):
        data = bytes.fromhex(fields.pop(0))
    rest = [field for field in fields if field]
    if kind == "." and data and ";Monitor" in columns and rest:
        rest.pop(0)
    return _Listed(at, kind, offset, pc, data, "\t".join(rest).strip(), decimal(number) if number.isdecimal() else 0)


def _value(found: Contents, digits: str, text: str, scope: str) -> str:
    """A name that is given a value: an address when it is written as one."""
    match = _LABEL.match(text)
    written = re.search(r"=\s*\$(?:[0-9A-Fa-f]{2}|[0-9A-Fa-f]{4})\b", text)
    if match is not None and written is not None and int(digits, 16) <= 0xFFFF:
        found.labels.append((f"{scope}.{match[1]}" if match[1].startswith("_") else match[1], int(digits, 16)))
    return scope


def _label(found: Contents, row: _Listed, scope: str) -> str:
    """The label in front of a row; a local one (_loop) belongs to the last that is none. Gives that one."""
    match = _LABEL.match(row.text)
    first = match[1] if match is not None else ""
    if not first or row.text[len(first) :].lstrip(":").lstrip().startswith("=") or _is_word(first, row):
        return scope
    name = f"{scope}{'.' if scope else ''}{first}" if first.startswith("_") else first
    found.labels.append((name, row.pc))
    return scope if first.startswith("_") else first


def _is_word(first: str, row: _Listed) -> bool:
    """Whether the first word is an instruction, and no label; labels may stand in any column."""
    from simkit.rom.listing import MNEMONICS

    return first.lower() in MNEMONICS and not row.text[len(first) :].startswith(":")


def _place(part: _Part, found: Contents, sources: Sources, path: Path, source: SourceText) -> None:
    """Rows of one part, each with its line."""
    lines = sources.lines(part.file) if part.file else []
    numbers = lines_of_rows([(row.text, row.number) for row in part.rows], source) if lines else []
    for at, row in enumerate(part.rows):
        if not row.data:
            continue
        file, number = (sources.path(part.file), numbers[at]) if numbers and numbers[at] else (str(path), row.line)
        text = lines[number - 1].strip() if numbers and numbers[at] else row.text
        for address in {row.offset, row.pc}:
            if address + len(row.data) <= 0x10000:
                code = row.kind == "." and address == row.pc
                found.rows.append(Row(address, len(row.data), row.data, file, number, text, code))
