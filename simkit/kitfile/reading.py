"""Reads a kit: everything is bounded before it is unpacked, and every byte is accounted for.

A kit is a zip file as `simkit pack` writes them and no other: its entries lie one behind the other from the first byte
on, in the order of the central directory, the manifest first, without gaps, comments or extra fields. So nothing can
hide in it, no two entries can share bytes, and what one program would read every other one reads.

Source: PKWARE, .ZIP File Format Specification (APPNOTE.TXT) 6.3.10, 2022: 4.3.6 to 4.3.16, 4.4 (from memory).
"""

from __future__ import annotations

import hashlib
import io
import stat
import struct
import zipfile
import zlib
from collections.abc import Mapping
from pathlib import Path

import attrs

from simkit.contract.shapes import StateError
from simkit.files.bounded import read_bounded
from simkit.kitfile.errors import KitError, damaged
from simkit.kitfile.manifest import FOLDER, MAX_BYTES, MAX_FILES, NAME, Manifest, UnknownVersionError, read_manifest

MAX_KIT_BYTES = 100_000_000
"""Of the file."""
MAX_TOTAL_BYTES = 200_000_000
"""Of all that it holds. Reading one takes memory for this, for the file, and for little more."""
SUFFIX = ".kit"
REMEDY = "`simkit pack MACHINE --out FILE.kit` writes kits."

_LOCAL = struct.Struct("<4s5H3L2H")
_END = struct.Struct("<4s4H2LH")
_END_MARK = b"PK\5\6"
_CENTRAL_BYTES = 46
_MAX_DIRECTORY = (MAX_FILES + 1) * (_CENTRAL_BYTES + 4 * 260)
_UTF_8 = 0x800
_METHODS = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)


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
    number = _check_end(data, file)
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            entries = _checked(archive, data, number, file)
            manifest = _manifest(archive.read(NAME), file)
            _check_names(entries, manifest, file)
            contents = {name: archive.read(FOLDER + name) for name in manifest.files}
    except (zipfile.BadZipFile, zlib.error, struct.error, EOFError, OSError, RuntimeError, ValueError) as error:
        raise damaged(file, "it is not a whole zip file") from error
    for name, content in contents.items():
        if hashlib.sha256(content).hexdigest() != manifest.files[name].sha256:
            raise damaged(file, f"{name} does not have the content that the manifest says")
    return Kit(path, manifest, contents)


def _check_end(data: bytes, file: str) -> int:
    """The last record says how much there is, before anything is made of it: the number of entries."""
    if not data.startswith(b"PK"):
        raise KitError("The file is no kit.", file=file, remedy=REMEDY)
    end = data[-_END.size :]
    if len(end) < _END.size or not end.startswith(_END_MARK):
        raise damaged(file, "its end is missing, or something stands behind it")
    _, disk, first_disk, here, entries, size, start, comment = _END.unpack(end)
    if (disk, first_disk, comment) != (0, 0, 0) or here != entries:
        raise damaged(file, "its last record is none of a kit's")
    if entries > MAX_FILES + 1 or size > _MAX_DIRECTORY:
        raise KitError(f"The kit holds {entries} entries; {MAX_FILES + 1} are allowed.", file=file)
    if start + size + _END.size != len(data):
        raise damaged(file, "its directory does not lie where it says")
    return int(entries)


def _checked(archive: zipfile.ZipFile, data: bytes, number: int, file: str) -> list[str]:
    """Names of the entries, whose sizes are allowed and which lie one behind the other."""
    at = total = 0
    names: list[str] = []
    if len(archive.infolist()) != number:
        raise damaged(file, "its directory does not hold as many entries as it says")
    for number, info in enumerate(archive.infolist()):
        name = info.filename
        kind = info.external_attr >> 16
        if info.flag_bits & ~_UTF_8 or info.compress_type not in _METHODS or info.extra or info.comment:
            raise damaged(file, f"entry {number + 1} is stored in a way that no kit's is")
        if kind and not stat.S_ISREG(kind):
            raise damaged(file, f"entry {number + 1} is no file")
        raw = info.orig_filename.encode("utf-8" if info.flag_bits & _UTF_8 else "cp437")
        if info.header_offset != at or not _local_agrees(data, info, raw):
            raise damaged(file, f"entry {number + 1} does not lie where it says")
        at += _LOCAL.size + len(raw) + info.compress_size
        total += info.file_size
        if (number == 0 and info.file_size > MAX_BYTES) or total > MAX_TOTAL_BYTES:
            raise KitError(f"The kit unpacks to more than {MAX_TOTAL_BYTES} bytes, which are the most.", file=file)
        names.append(name)
    if archive.start_dir != at or not names or names[0] != NAME:
        raise KitError("The file is a zip file and no kit.", file=file, remedy=REMEDY)
    return names


def _local_agrees(data: bytes, info: zipfile.ZipInfo, raw: bytes) -> bool:
    """Whether an entry says of itself what the directory says of it."""
    header = data[info.header_offset : info.header_offset + _LOCAL.size]
    if len(header) < _LOCAL.size:
        return False
    mark, _, flags, method, _, _, crc, packed, size, name_length, extra_length = _LOCAL.unpack(header)
    begin = info.header_offset + _LOCAL.size
    return (
        mark == b"PK\3\4"
        and (flags, method) == (info.flag_bits, info.compress_type)
        and (crc, packed, size) == (info.CRC, info.compress_size, info.file_size)
        and extra_length == 0
        and data[begin : begin + name_length] == raw
    )


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


def _check_names(entries: list[str], manifest: Manifest, file: str) -> None:
    wanted = [NAME, *(FOLDER + name for name in sorted(manifest.files))]
    if entries != wanted:
        more = sorted({*entries} - {*wanted}) or sorted({*wanted} - {*entries}) or ["the order of its files"]
        raise damaged(file, f"its files are not those of the manifest ({more[0][:80]!r})")
