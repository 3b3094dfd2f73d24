"""The front: what a file is that an assembler or linker wrote, by its content and never by its name."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from simkit.contract.errors import SimkitError
from simkit.contract.plain import plain
from simkit.files.bounded import lines_of, read_bounded, text_of
from simkit.rom.contents import Contents
from simkit.rom.sources import Sources

MAX_FILE_BYTES = 6_000_000
"""A debug file of a large program in C has some millions."""
MAX_NAME = 400
"""Characters of a label with the scopes round it; longer ones are left out."""
HEAD_LINES = 40
"""Lines in which a form shows itself."""
MOST_KEPT, MOST_KEPT_BYTES = 32, 200_000
"""Files that are read again only when their bytes are others, for who loads a machine often; and bytes of one."""
_KEPT: dict[tuple[Path, str], tuple[bytes, Contents]] = {}
"""By path and word for it: those for which no other file was looked at."""

_LN = re.compile(r"al\s+(?:C:)?[0-9A-Fa-f]{1,8}\s+\S+")
_VASM = re.compile(r'Sections:|Source: "|[0-9A-F]{2}:[0-9A-F]{4,8} |F[0-9]{2}:[0-9]{4} ')
_CA65 = re.compile(r"ca65 V[0-9]")
_TASS_LIST = re.compile(r"; 64tass .*listing file")


def read_tool_file(path: Path, what: str, folders: Sequence[Path] = ()) -> Contents:
    """What a file holds, whichever tool wrote it.

    Args:
        path: of the file.
        what: what it was named as, for messages: "label list" or "listing".
        folders: below which sources may be read besides the file's own: that of the machine file.

    Raises:
        FileNotFoundError: there is no such file; the caller knows the remedy.
        FileError: the system does not let it be read.
        SimkitError: too large, not text and no ELF file, or a form of which nothing can be had.
    """
    content = read_bounded(path, MAX_FILE_BYTES, what)
    known = _KEPT.get((path, what))
    if known is None or known[0] != content:
        sources = Sources(path, folders)
        found = _read(content, path, what, sources)
        if sources.asked or len(content) > MOST_KEPT_BYTES:
            return found
        _KEPT.pop((path, what), None)
        _KEPT[path, what] = known = content, found
        while len(_KEPT) > MOST_KEPT:
            _KEPT.pop(next(iter(_KEPT)), None)
    return known[1].copy()


def _read(content: bytes, path: Path, what: str, sources: Sources) -> Contents:
    found = _any_form(content, path, what, sources)
    found.remarks += sources.remarks()
    found.labels = [(plain(name), address) for name, address in found.labels if len(name) <= MAX_NAME]
    found.placed = {place: plain(name) for place, name in found.placed.items() if len(name) <= MAX_NAME}
    there = {*sources.found, str(path)}
    found.files = [file for file in dict.fromkeys([*found.files, *(row.file for row in found.rows)]) if file in there]
    return found


def _any_form(content: bytes, path: Path, what: str, sources: Sources) -> Contents:
    if content.startswith(b"\x7fELF"):
        from simkit.rom.dwarf import read_elf

        return read_elf(content, path, sources)
    remedy = f"Name the {what} that the assembler writes, not the image; save it as UTF-8."
    lines = lines_of(text_of(content, str(path), what, remedy=remedy))
    return _text(lines, path, sources)


def _text(lines: list[str], path: Path, sources: Sources) -> Contents:
    head = [line for line in lines[:HEAD_LINES] if line.strip()]
    first = head[0] if head else ""
    if first.startswith("version\t"):
        from simkit.rom.ld65 import read_debug_file

        return read_debug_file(lines, sources)
    if first.startswith("Modules list:"):
        from simkit.rom.ld65 import read_map

        return read_map(lines)
    if _LN.fullmatch(first.strip()):
        from simkit.rom.ld65 import read_label_list

        return read_label_list(lines)
    if any(_TASS_LIST.match(line) for line in head):
        from simkit.rom.tass import read_list

        return read_list(lines, path, sources)
    if _CA65.match(first):
        raise SimkitError(
            "This is a listing of ca65, whose addresses are not final: they count within segments.",
            file=str(path),
            remedy="Assemble with -g, link with --dbgfile FILE and name that file.",
        )
    if any(_VASM.match(line) for line in head):
        from simkit.rom.vasm import read_vasm

        return read_vasm(lines, path, sources)
    from simkit.rom.plain import read_plain

    return read_plain(lines, path, sources)
