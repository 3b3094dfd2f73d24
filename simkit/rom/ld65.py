"""What ld65 writes: its debug file (--dbgfile), label list (-Ln) and map (-m).

Source: cc65 project, src/ld65 (dbgfile.c, dbgsyms.c, lineinfo.c, span.c, segments.c, scopes.c, exports.c) and
src/dbginfo/dbginfo.h at commit 547d923; seen: Debian cc65 2.19-1.

A byte may have several lines. The line where a macro is called stands before those of the macro's body, a line of C
before the assembler lines that came of it: that is where people look. Where one instruction ends and the next begins is
known from the finest lines.
"""

from __future__ import annotations

import contextlib
import re
from bisect import bisect_right
from collections.abc import Iterable
from heapq import heappop, heappush
from itertools import pairwise

import attrs

from simkit.rom.contents import Contents, decimal
from simkit.rom.listing import Row, is_code
from simkit.rom.sources import Sources

MAX_DEPTH = 64
"""Scopes within scopes; deeper ones, and circles, are cut off."""
MAX_LINE = 10_000_000
MAX_PIECES = 200_000
"""Of segments that lines stand for; a program of 64 KiB has some 50,000."""
MAX_NAME = 400
"""Characters of a label with the scopes round it; longer ones are left out."""

_HIGH_LEVEL, _MACRO = 1, 2
"""Types of lines; 0 is the assembler's own."""

_FIELD = re.compile(r'([a-z]+)=("[^"]*"|[^,"]*)(?:,|$)')
_KEYWORD = re.compile(r"([a-z]+)\t(.*)")
_LN = re.compile(r"al\s+(?:C:)?([0-9A-Fa-f]{1,8})\s+\.?(\S{1,200})")
_EXPORTED = re.compile(r"[0-9A-F]{6} R?L[A-Z]{0,2}")
"""Value and kind of a label in a map; E instead of L: an equate."""
_MEMBERS = ("struct", "enum", "union")

_Fields = dict[str, str]


def read_label_list(lines: list[str]) -> Contents:
    """Labels of `al 008000 .start` lines. A cheap local (@loop) belongs to the label before it in memory."""
    found = Contents("label list")
    entries: list[tuple[str, int]] = []
    for number, line in enumerate(lines, start=1):
        match = _LN.fullmatch(line.strip())
        if match is not None:
            entries.append((match[2].replace(":", "."), int(match[1], 16)))
        elif line.strip():
            found.unread.append(number)
    owners = sorted((address, name) for name, address in entries if not name.startswith("@"))
    starts = [address for address, _ in owners]
    for name, address in entries:
        at = bisect_right(starts, address) - 1 if name.startswith("@") else -1
        found.labels.append((f"{owners[at][1]}{name}" if at >= 0 else name, address))
    _drop_far(found)
    return found


def read_map(lines: list[str]) -> Contents:
    """Exported labels of a map; it has neither source lines nor labels that are not exported."""
    found = Contents("map of ld65")
    reading = False
    for line in lines:
        if line.startswith("Exports list"):
            reading = line.startswith("Exports list by name")
        elif line.startswith("Imports list"):
            reading = False
        elif reading:
            words = line.split()
            entries = zip(words, words[1:], words[2:], strict=False)
            found.labels += [
                (name, int(value, 16))
                for name, value, kind in entries
                if len(name) <= MAX_NAME and _EXPORTED.fullmatch(f"{value} {kind}")
            ]
    _drop_far(found)
    found.remarks.append(
        "A map of ld65 holds exported labels only; `ca65 -g` and `ld65 --dbgfile FILE` give all, and source lines."
    )
    return found


def _drop_far(found: Contents) -> None:
    found.labels = [(name, address) for name, address in found.labels if address <= 0xFFFF]


@attrs.frozen(slots=True)
class _Segment:
    """A segment: its first address, its name in the output file and where it begins there."""

    start: int
    size: int
    output: str
    offset: int | None


@attrs.frozen(slots=True)
class _Line:
    """A source line: file, number, type, how many macros deep."""

    file: str
    number: int
    kind: int
    depth: int

    @property
    def rank(self) -> tuple[bool, bool, int]:
        """Least first: C before the assembler's own lines, those before lines of macros."""
        return self.kind != _HIGH_LEVEL, self.kind == _MACRO, self.depth


class _Records:
    """Records of a debug file by keyword and id; unknown keywords and keys are left alone."""

    def __init__(self, lines: list[str], found: Contents) -> None:
        self.by_kind: dict[str, dict[int, _Fields]] = {}
        for number, line in enumerate(lines, start=1):
            match = _KEYWORD.fullmatch(line.rstrip())
            if match is None:
                if line.strip():
                    found.unread.append(number)
                continue
            fields = {key: value.strip('"') for key, value in _FIELD.findall(match[2])}
            if "id" in fields:
                try:
                    self.by_kind.setdefault(match[1], {})[decimal(fields["id"])] = fields
                except ValueError:
                    found.unread.append(number)
            elif match[1] not in ("version", "info"):
                found.unread.append(number)

    def all(self, kind: str) -> Iterable[tuple[int, _Fields]]:
        """All records of a kind, by id."""
        return sorted(self.by_kind.get(kind, {}).items())

    def one(self, kind: str, number: str | int | None) -> _Fields | None:
        """A record, if the id is one."""
        try:
            return self.by_kind.get(kind, {}).get(decimal(str(number))) if number is not None else None
        except ValueError:
            return None


def read_debug_file(lines: list[str], sources: Sources) -> Contents:
    """Labels and source lines of a debug file."""
    found = Contents("debug file of ld65")
    records = _Records(lines, found)
    _labels(records, found, sources)
    _rows(records, found, sources)
    _changed(records, found, sources)
    if not found.rows:
        found.remarks.append("The debug file of ld65 holds no source lines: assemble with `ca65 -g`.")
    return found


def _number(fields: _Fields, key: str) -> int | None:
    text = fields.get(key, "")
    with contextlib.suppress(ValueError):
        return int(text, 16) if text.lower().startswith("0x") else decimal(text)
    return None


# labels ---------------------------------------------------------------------------------------------------------------


def _labels(records: _Records, found: Contents, sources: Sources) -> None:
    for _, symbol in records.all("sym"):
        value = _number(symbol, "val")
        name = _full_name(records, symbol)
        if value is None or not 0 <= value <= 0xFFFF or not name:
            continue
        if symbol.get("type") == "lab" or (symbol.get("type") == "equ" and _is_address(records, symbol, sources)):
            found.labels.append((name, value))
            segment = records.one("seg", symbol.get("seg"))
            if segment is None:
                continue
            start, offset = (_number(segment, key) for key in ("start", "ooffs"))
            if start is not None and offset is not None:
                found.placed.setdefault((segment.get("oname", ""), offset + value - start), name)


def _is_address(records: _Records, symbol: _Fields, sources: Sources) -> bool:
    """Whether an equate is written as an address; what has no source to look at, above page 0."""
    line = records.one("line", symbol.get("def", "").split("+")[0])
    file = records.one("file", line.get("file")) if line is not None else None
    number = _number(line, "line") if line is not None else None
    if file is None or number is None or not sources.line(file.get("name", ""), number):
        return (_number(symbol, "val") or 0) > 0xFF
    return not sources.is_number_only(file.get("name", ""), number)


def _full_name(records: _Records, symbol: _Fields) -> str:
    """`start@loop` of a cheap local, `delay::x` of a symbol in a scope; nothing for members of structures."""
    name = symbol.get("name", "")
    for _ in range(MAX_DEPTH):
        owner = records.one("sym", symbol.get("parent"))
        if owner is None:
            break
        name = owner.get("name", "") + name
        symbol = owner
        if len(name) > MAX_NAME:
            return ""
    scope = records.one("scope", symbol.get("scope"))
    for _ in range(MAX_DEPTH):
        if scope is None:
            break
        if scope.get("type") in _MEMBERS:
            return ""
        if scope.get("name"):
            name = f"{scope['name']}::{name}"
        if len(name) > MAX_NAME:
            return ""
        scope = records.one("scope", scope.get("parent"))
    return name if len(name) <= MAX_NAME else ""


# source lines ---------------------------------------------------------------------------------------------------------


def _rows(records: _Records, found: Contents, sources: Sources) -> None:
    segments = {number: segment for number, fields in records.all("seg") if (segment := _segment(fields)) is not None}
    spans: dict[int, tuple[int, int, int, bool]] = {}
    for number, fields in records.all("span"):
        of, start, size = (_number(fields, key) for key in ("seg", "start", "size"))
        if of is not None and of in segments and start is not None and size is not None and start >= 0 < size:
            spans[number] = of, start, min(size, 0x10000), "type" in fields
    pieces: dict[int, list[tuple[int, int, bool, _Line]]] = {}
    count = 0
    for _, fields in records.all("line"):
        file, place = records.one("file", fields.get("file")), _number(fields, "line")
        if file is None or place is None or not 1 <= place <= MAX_LINE:
            continue
        line = _Line(file.get("name", ""), place, _number(fields, "type") or 0, _number(fields, "count") or 0)
        for text in filter(str.isdecimal, fields.get("span", "").split("+")):
            if decimal(text) in spans and count < MAX_PIECES:
                count += 1
                segment_id, start, size, is_data = spans[decimal(text)]
                pieces.setdefault(segment_id, []).append((start, size, is_data, line))
    if count == MAX_PIECES:
        found.remarks.append(
            f"The debug file says more than {MAX_PIECES} times where a line stands; the rest is left out."
        )
    images = _Images(sources)
    for segment_id, of_segment in sorted(pieces.items()):
        found.rows += _segment_rows(segments[segment_id], of_segment, sources, images)


def _segment(fields: _Fields) -> _Segment | None:
    start, size = _number(fields, "start"), _number(fields, "size")
    if start is None or size is None:
        return None
    offset = _number(fields, "ooffs")
    return _Segment(start & 0xFFFF, size, fields.get("oname", ""), offset if offset is None or offset >= 0 else None)


def _segment_rows(
    segment: _Segment, pieces: list[tuple[int, int, bool, _Line]], sources: Sources, images: _Images
) -> Iterable[Row]:
    """Rows of one segment: from each place where a line begins or ends to the next such place.

    Lines are swept from the left, in time that grows with their number however many cover one stretch.
    """
    edges = sorted({edge for start, size, _, _ in pieces for edge in (start, start + size)})
    starting: dict[int, list[tuple[int, int, bool, _Line]]] = {}
    for piece in pieces:
        starting.setdefault(piece[0], []).append(piece)
    shown_first: list[tuple[tuple[int, ...], int, int, _Line]] = []  # heaps: what has ended comes off at the top alone
    finest_first: list[tuple[tuple[int, ...], int, int, int, bool, _Line]] = []
    order = 0
    for left, right in pairwise(edges):
        for start, size, is_data, line in starting.get(left, ()):
            order += 1
            heappush(shown_first, (line.rank, order, start + size, line))
            heappush(finest_first, (tuple(-part for part in line.rank), size, order, start + size, is_data, line))
        while shown_first and shown_first[0][2] <= left:
            heappop(shown_first)
        while finest_first and finest_first[0][3] <= left:
            heappop(finest_first)
        if not shown_first or segment.start + right > 0x10000:
            continue
        shown, (*_, is_data, finest) = shown_first[0][3], finest_first[0]
        texts = sources.line(shown.file, shown.number), sources.line(finest.file, finest.number)
        yield Row(
            address=segment.start + left,
            length=right - left,
            data=images.piece(segment, left, right),
            file=sources.path(shown.file),
            line=shown.number,
            text=texts[0].strip(),
            code=bool(segment.output) and not is_data and (not texts[1] or is_code(texts[1]) or finest != shown),
            image=segment.output,
            offset=None if segment.offset is None else segment.offset + left,
        )


class _Images:
    """Output files of the linker, where they lie beside the debug file; each is read once."""

    def __init__(self, sources: Sources) -> None:
        self._sources = sources
        self._read: dict[str, bytes] = {}

    def piece(self, segment: _Segment, left: int, right: int) -> bytes:
        """Bytes of a segment; none where the output file is not to be had or is not of this link."""
        if not segment.output or segment.offset is None:
            return b""
        if segment.output not in self._read:
            self._read[segment.output] = self._sources.content(segment.output, "image")
        content = self._read[segment.output][segment.offset + left : segment.offset + right]
        return content if len(content) == right - left else b""


def _changed(records: _Records, found: Contents, sources: Sources) -> None:
    """Tell of sources that have another size than when they were assembled: their lines may have moved."""
    changed = []
    for _, fields in records.all("file"):
        name, size = fields.get("name", ""), _number(fields, "size")
        if not name:
            continue
        path = sources.path(name)
        found.files.append(path)
        if size is not None and sources.size(name) not in (size, None):
            changed.append(path)
    if changed:
        others = f" and {len(changed) - 1} more" if len(changed) > 1 else ""
        found.remarks.append(f"{changed[0]}{others} changed after it was assembled: lines may have moved. Build again.")
