"""ROM images: read from files in the formats programmers write, written in the same, checked against their part."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from simkit.contract.errors import SimkitError
from simkit.files.bounded import lines_of, read_bounded, text_of
from simkit.files.formats import Format
from simkit.rom.records import NoEndError, RecordError, segments, start_of

MAX_FILE_BYTES = 4_000_000
MAX_HEX_BYTES = 1 << 20
MAX_PART_BYTES = 1 << 24
PART_SIZES = tuple(1 << n for n in range(10, 21))
"""Bytes of the parts that ROMs are burnt into: a 2708 has 1 KiB, an 8-megabit part 1 MiB."""
INTEL_SUFFIXES = (".hex", ".ihx", ".ihex")
SRECORD_SUFFIXES = (".s19", ".s28", ".s37", ".srec", ".mot")
HEX_SUFFIXES = INTEL_SUFFIXES + SRECORD_SUFFIXES
RECORD_BYTES = 16
"""Data bytes a record, the number that programmers' own software writes (common practice)."""

_NO_TEXT = "Copy it again; a raw binary needs another ending, e.g. .bin."
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0e-\x1f\x7f]")
_OTHERS = (
    b"\x89PNG\r\n\x1a\n",
    b"\xff\xd8\xff",  # JPEG
    b"GIF8",
    b"%PDF-",
    b"PK\3\4",  # zip
    b"\x1f\x8b\x08",  # gzip
    b"BZh",
    b"\xfd7zXZ\0",
    b"\x7fELF",
    b"SQLite format 3\0",  # its files have the sizes of parts
    b"RIFF",
    b"OggS",
    b"ID3",
)
"""How files of other programs begin (common practice: each of these formats says so itself)."""
_END_RECORD = re.compile(r"\s*(?::00[0-9A-F]{4}01[0-9A-F]{2}|S[789][0-9A-F]{8,12})\s*", re.IGNORECASE)


def read_image(path: Path, part_bytes: int, *, what: str = "image") -> bytes:
    """Content of an image file as it lies in the part, from offset 0.

    Raw binaries are taken as they are. In Intel HEX and S-record files the addresses count modulo the size of the
    part, so that code placed at its CPU addresses lands where the part shows it; gaps are filled with $FF (erased).

    Args:
        path: of the file.
        part_bytes: size of the part.
        what: the file in words, for messages.

    Raises:
        FileError: the system does not let it be read.
        SimkitError: no such file, empty, larger than the part, or a damaged hex record; a part without a byte.
    """
    if not 1 <= part_bytes <= MAX_PART_BYTES:
        raise SimkitError(
            f"The part for the {what} {path} has {part_bytes} bytes; it has 1 to {MAX_PART_BYTES}.",
            remedy="Correct the size.",
        )
    hexadecimal = path.suffix.lower() in HEX_SUFFIXES
    data = _placed(path, read_segments(path, what=what), part_bytes) if hexadecimal else _bytes(path, what)
    if not data:
        raise SimkitError(f"The {what} {path} is empty.", remedy="Build the ROM again.")
    if len(data) > part_bytes:
        raise SimkitError(
            f"The {what} {path} has {len(data)} bytes, the part {part_bytes}.",
            remedy="Fit a larger part (setting size) or build a smaller image.",
        )
    return data


def read_segments(path: Path, *, what: str = "image") -> list[tuple[int, bytes]]:
    """Runs of bytes of an Intel HEX or S-record file with the addresses they are written for, lowest first.

    Raises:
        FileError: the system does not let it be read.
        SimkitError: no such file, no hex file, a damaged record, two records for one address, records missing at the
            end; names the line.
    """
    text = text_of(_bytes(path, what), str(path), "hex file", remedy=_NO_TEXT)
    try:
        return segments(lines_of(text), MAX_HEX_BYTES)
    except NoEndError as error:
        message = f"{error.reason[0].upper()}{error.reason[1:]}."
        raise SimkitError(message, file=str(path), line=error.line or None, remedy="Copy or build it again.") from error
    except RecordError as error:
        raise SimkitError(
            f"Not a sound hex file: {error.reason}.",
            file=str(path),
            line=error.line,
            remedy="Copy or build it again; do not edit it.",
        ) from error


def start_said(path: Path) -> int | None:
    """Address at which a hex file that was read without an error says that its program begins, or None."""
    return start_of(lines_of(text_of(_bytes(path, "hex file"), str(path), "hex file", remedy=_NO_TEXT)))


def image_format(suffix: str) -> Format:
    """By what an image file of this ending is known: hex files are read, raw ones have the size of a part and no text.

    A raw image bears no mark of its own. What begins as files of other programs do is none either.
    """
    if suffix.lower() in HEX_SUFFIXES:
        return Format("a hex file", is_hex)
    return Format("an image of the size of a part", _is_raw)


def is_hex(content: bytes) -> bool:
    """Whether all of it is sound Intel HEX or S-records."""
    try:
        segments(lines_of(text_of(content, "", "hex file")), MAX_HEX_BYTES)
    except (SimkitError, RecordError):
        return False
    return True


def _is_raw(content: bytes) -> bool:
    return len(content) in PART_SIZES and not content.startswith(_OTHERS) and not is_text(content)


def is_text(content: bytes) -> bool:
    """Whether all of it could stand in an editor: UTF-8 without control characters but tabs and ends of lines."""
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return not _CONTROL.search(text)


def write_image(data: bytes, suffix: str, *, address: int = 0) -> bytes:
    """File content for a programmer.

    Args:
        data: content of the part, from offset 0.
        suffix: ending of the file's name; says the format: Intel HEX, S-record, else raw binary.
        address: address of the first byte in the hex formats; 0 is what programmers expect.
    """
    suffix = suffix.lower()
    if suffix not in HEX_SUFFIXES:
        return data
    import bincopy

    content: Any = bincopy.BinFile()
    content.add_binary(data, address=address)
    content.execution_start_address = None
    wide = address + len(data) > 0x10000
    if suffix in INTEL_SUFFIXES:
        text = str(content.as_ihex(RECORD_BYTES, 32 if wide else 16))
    else:
        text = str(content.as_srec(RECORD_BYTES, 24 if wide else 16))
        if not any(_END_RECORD.fullmatch(line) for line in text.splitlines()):
            text += "S804000000FB\n" if wide else "S9030000FC\n"
    return text.encode("ascii")


def _bytes(path: Path, what: str) -> bytes:
    try:
        return read_bounded(path, MAX_FILE_BYTES, what)
    except FileNotFoundError as error:
        raise SimkitError(
            f"There is no {what} {path}.", remedy="Correct the path (it counts from the machine file) or build the ROM."
        ) from error


def _placed(path: Path, runs: list[tuple[int, bytes]], part_bytes: int) -> bytes:
    """The runs in the part, up to the last byte that one gives."""
    image, taken = bytearray(b"\xff" * part_bytes), bytearray(part_bytes)
    end = 0
    for address, data in runs:
        done = 0
        while done < len(data):
            offset = (address + done) % part_bytes
            piece = data[done : done + part_bytes - offset]
            at = taken.find(1, offset, offset + len(piece))
            if at >= 0:
                raise SimkitError(
                    f"Two bytes fall on offset ${at:04X} of the part: the file spans more than {part_bytes} bytes.",
                    file=str(path),
                    remedy="Fit a larger part (setting size) or link for this one.",
                )
            taken[offset : offset + len(piece)] = b"\1" * len(piece)
            image[offset : offset + len(piece)] = piece
            end = max(end, offset + len(piece))
            done += len(piece)
    return bytes(image[:end])
