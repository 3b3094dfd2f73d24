"""Reads a kit: everything is bounded before it is unpacked, and every byte is accounted for.

A kit is a zip file as `simkit pack` writes them and no other: its entries lie one behind the other from the first byte
on, in the order of the central directory, the manifest first, each deflated, without gaps, comments or extra fields,
and each says of itself what the directory says of it. So nothing can hide in it, no two entries can share bytes, and
what one program would read every other one reads. It is taken apart here and not by Python's module, which takes much
that kits are not: names cut off at a NUL, a second directory beside the first, content longer than it is said to be.

Memory that reading takes: the file (MAX_KIT_BYTES), all that it holds (MAX_TOTAL_BYTES), and while one of its files is
unpacked that one again (MAX_FILE_BYTES).

Sources: PKWARE, .ZIP File Format Specification (APPNOTE.TXT) 6.3.10, 2022: 4.3.6 to 4.3.16, 4.4 (from memory);
P. Deutsch, DEFLATE Compressed Data Format Specification, RFC 1951, 1996.
"""

from __future__ import annotations

import hashlib
import stat
import struct
import zlib
from collections.abc import Mapping
from pathlib import Path

import attrs

from simkit.contract.shapes import StateError
from simkit.files.bounded import read_bounded
from simkit.kitfile.errors import KitError, damaged
from simkit.kitfile.manifest import (
    FOLDER,
    MAX_BYTES,
    MAX_FILE_BYTES,
    MAX_FILES,
    NAME,
    Manifest,
    UnknownVersionError,
    read_manifest,
)

MAX_KIT_BYTES = 100_000_000
"""Of the file."""
MAX_TOTAL_BYTES = 200_000_000
"""Of all that it holds."""
SUFFIX = ".kit"
REMEDY = "`simkit pack MACHINE --out FILE.kit` writes kits."

_LOCAL_MARK, _DIRECTORY_MARK, _END_MARK = b"PK\3\4", b"PK\1\2", b"PK\5\6"
_END = struct.Struct("<4s4H2LH")
_DIRECTORY = struct.Struct("<4s6H3L5H2L")
_ALIKE = slice(6, 32)
"""What an entry of the directory says, and the header before the content says again, from version to extra fields."""
_LOCAL_BYTES = 30
_UTF_8 = 0x800
_DEFLATED = 8


@attrs.frozen
class Kit:
    """A kit.

    Attributes:
        path: of the file.
        manifest: what it says of itself.
        contents: content of each file by name.
    """

    path: Path
    manifest: Manifest
    contents: Mapping[str, bytes] = attrs.field(repr=False)


@attrs.frozen
class _Entry:
    """One entry.

    Attributes:
        name: of it.
        size: bytes of its content, as it says.
        crc: checksum of it, as it says.
        begin, end: where it lies in the file, deflated.
    """

    name: str
    size: int
    crc: int
    begin: int
    end: int


def is_kit(path: Path) -> bool:
    """Whether a file is named as kits are."""
    return path.suffix.lower() == SUFFIX


def read_kit(path: Path) -> Kit:
    """Read a kit and check all of it.

    Raises:
        FileError: the file cannot be read.
        KitError: there is none, it is no kit, too large, damaged, of another version, or made to do harm.
    """
    try:
        data = read_bounded(path, MAX_KIT_BYTES, "kit")
    except FileNotFoundError as error:
        raise KitError(f"There is no kit {path}.", remedy="Correct the path.") from error
    return kit_of(data, path)


def kit_of(data: bytes, path: Path) -> Kit:
    """A kit from the content of its file; `path` is for messages.

    Raises:
        KitError: as `read_kit`.
    """
    file = str(path)
    if not data.startswith(_LOCAL_MARK):
        raise KitError("The file is no kit.", file=file, remedy=REMEDY)
    if data[_LOCAL_BYTES : _LOCAL_BYTES + len(NAME)] != NAME.encode():
        raise KitError("The file is a zip file and no kit.", file=file, remedy=REMEDY)
    entries = _entries(data, file)
    if entries[0].name != NAME:
        raise damaged(file, "its first entry is not the manifest")
    if entries[0].size > MAX_BYTES:
        raise KitError(f"The kit's manifest has {entries[0].size} bytes; {MAX_BYTES} are allowed.", file=file)
    manifest = _manifest(_content(data, entries[0], file), file)
    _check_entries(entries[1:], manifest, file)
    contents = {entry.name.removeprefix(FOLDER): _content(data, entry, file) for entry in entries[1:]}
    for name, content in contents.items():
        if hashlib.sha256(content).hexdigest() != manifest.files[name].sha256:
            raise damaged(file, f"{name} does not have the content that the manifest says")
    return Kit(path, manifest, contents)


def _entries(data: bytes, file: str) -> list[_Entry]:
    """The entries, of allowed sizes and one behind the other from the first byte to the directory."""
    number, directory = _end(data, file)
    at, place, total = directory, 0, 0
    entries: list[_Entry] = []
    for count in range(1, number + 1):
        entry, at = _entry(data, at, place, f"entry {count}", file)
        place = entry.end
        total += entry.size
        if entry.size > MAX_FILE_BYTES or total > MAX_TOTAL_BYTES:
            raise KitError(
                f"The kit unpacks to more than is allowed: {MAX_FILE_BYTES} bytes a file, {MAX_TOTAL_BYTES} in all.",
                file=file,
            )
        entries.append(entry)
    if place != directory or at != len(data) - _END.size:
        raise damaged(file, "something lies between its entries, its directory and its end")
    return entries


def _end(data: bytes, file: str) -> tuple[int, int]:
    """What the last record says before anything is made of it: number of entries, and where the directory begins."""
    end = data[-_END.size :]
    if not end.startswith(_END_MARK):  # it is there: what the file begins with is longer
        raise damaged(file, "its end is missing, or something stands behind it")
    _, disk, first_disk, here, entries, size, start, comment = _END.unpack(end)
    if (disk, first_disk, comment) != (0, 0, 0) or here != entries:
        raise damaged(file, "its last record is none of a kit's")
    if entries > MAX_FILES + 1:
        raise KitError(f"The kit holds {entries} entries; {MAX_FILES + 1} are allowed.", file=file)
    if start + size + _END.size != len(data):
        raise damaged(file, "its directory does not lie where it says")
    return int(entries), int(start)


def _entry(data: bytes, at: int, place: int, which: str, file: str) -> tuple[_Entry, int]:
    """The entry that stands at a place of the directory, and must lie at another one; and where the next one stands."""
    record = data[at : at + _DIRECTORY.size]
    if len(record) < _DIRECTORY.size or not record.startswith(_DIRECTORY_MARK):
        raise damaged(file, "its directory does not hold as many entries as it says")
    (_, _, _, flags, method, _, _, crc, packed, size, name_length, extra, comment, disk, _, rights, offset) = (
        _DIRECTORY.unpack(record)
    )
    raw = data[at + _DIRECTORY.size : at + _DIRECTORY.size + name_length]
    if flags & ~_UTF_8 or method != _DEFLATED or extra or comment or disk:
        raise damaged(file, f"{which} is stored in a way that no kit's is")
    if not stat.S_ISREG(rights >> 16):
        raise damaged(file, f"{which} is no file")
    begin = place + _LOCAL_BYTES + name_length
    if offset != place or data[place:begin] != _LOCAL_MARK + record[_ALIKE] + raw:
        raise damaged(file, f"{which} does not lie where it says")
    try:
        name = raw.decode("utf-8" if flags & _UTF_8 else "ascii")
    except UnicodeDecodeError as error:
        raise damaged(file, f"{which} has no name that can be read") from error
    return _Entry(name, size, crc, begin, begin + packed), at + _DIRECTORY.size + name_length


def _content(data: bytes, entry: _Entry, file: str) -> bytes:
    """Content of an entry, held to the size that it says."""
    inflating = zlib.decompressobj(-zlib.MAX_WBITS)
    try:
        content = inflating.decompress(memoryview(data)[entry.begin : entry.end], entry.size + 1)
    except zlib.error as error:
        raise damaged(file, f"what is packed as {entry.name[:80]!r} cannot be unpacked") from error
    whole = inflating.eof and not inflating.unused_data
    if not whole or len(content) != entry.size or zlib.crc32(content) != entry.crc:
        raise damaged(file, f"{entry.name[:80]!r} does not unpack to what it says")
    return content


def _manifest(content: bytes, file: str) -> Manifest:
    try:
        return read_manifest(content)
    except UnknownVersionError as error:
        raise KitError(
            f"The kit has format version {error}; this simkit reads version 1.",
            file=file,
            remedy="Take the simkit that packed it, or a later one.",
        ) from error
    except StateError as error:
        raise damaged(file, str(error)) from error


def _check_entries(entries: list[_Entry], manifest: Manifest, file: str) -> None:
    """The entries are the files of the manifest, in the order of their names and as large as it says."""
    found = [entry.name for entry in entries]
    wanted = [FOLDER + name for name in sorted(manifest.files)]
    if found != wanted:
        more = sorted({*found} - {*wanted}) or sorted({*wanted} - {*found}) or ["the order of its files"]
        raise damaged(file, f"its files are not those of the manifest ({more[0][:80]!r})")
    for entry in entries:
        name = entry.name.removeprefix(FOLDER)
        if entry.size != manifest.files[name].size:
            raise damaged(file, f"{name} is not as large as the manifest says")
