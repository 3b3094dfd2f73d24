"""ROM images: read from files in the formats programmers write, written in the same, checked against their part."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from simkit.contract.errors import SimkitError
from simkit.files.bounded import read_bounded

MAX_FILE_BYTES = 4_000_000
MAX_HEX_BYTES = 1 << 20
INTEL_SUFFIXES = (".hex", ".ihx", ".ihex")
SRECORD_SUFFIXES = (".s19", ".s28", ".s37", ".srec", ".mot")
HEX_SUFFIXES = INTEL_SUFFIXES + SRECORD_SUFFIXES
RECORD_BYTES = 16
"""Data bytes a record, the number that programmers' own software writes (common practice)."""

_RECORD = re.compile(r"(?::|S\d)(?:[0-9A-F]{2}){3,}")
_BASES = (2, 4)
"""Types of Intel HEX records that say where the next ones begin."""
_END_RECORD = re.compile(r"\s*(?::00[0-9A-F]{4}01[0-9A-F]{2}|S[789][0-9A-F]{8,12})\s*", re.IGNORECASE)


def read_image(path: Path, part_bytes: int) -> bytes:
    """Content of an image file as it lies in the part, from offset 0.

    Raw binaries are taken as they are. In Intel HEX and S-record files the addresses count modulo the size of the
    part, so that code placed at its CPU addresses lands where the part shows it; gaps are filled with $FF (erased).

    Raises:
        SimkitError: no such file, empty, larger than the part, or a damaged hex record.
    """
    data = _placed(path, read_segments(path), part_bytes) if path.suffix.lower() in HEX_SUFFIXES else _bytes(path)
    if not data:
        raise SimkitError(f"The image {path} is empty.", remedy="Build the ROM again.")
    if len(data) > part_bytes:
        raise SimkitError(
            f"The image {path} has {len(data)} bytes, the part {part_bytes}.",
            remedy="Fit a larger part (setting size) or build a smaller image.",
        )
    return data


def read_segments(path: Path) -> list[tuple[int, bytes]]:
    """Runs of bytes of an Intel HEX or S-record file with the addresses they are written for, lowest first.

    Raises:
        SimkitError: no such file, no hex file, a damaged record, two records for one address, records missing at the
            end; names the line.
    """
    import bincopy

    try:
        lines = _bytes(path).decode("ascii").splitlines()
    except UnicodeDecodeError as error:
        remedy = "Copy it again; a raw binary needs another ending, e.g. .bin."
        raise SimkitError("The file is not text, so it is no hex file.", file=str(path), remedy=remedy) from error
    content = bincopy.BinFile()
    mark = base = ""
    number = 0
    ended = False
    for number, record in enumerate((line.strip().upper() for line in lines), start=1):
        if not record:
            continue
        mark = mark or record[0]
        if ended:
            raise _damaged(path, number, "a record stands behind the end record")
        if not _RECORD.fullmatch(record) or record[0] != mark:
            raise _damaged(path, number, f"{record[:20]!r} is no whole record of the format the file begins with")
        try:
            if mark == "S":
                content.add_srec(record)
            else:
                content.add_ihex(f"{base}\n{record}")
                base = record if bincopy.unpack_ihex(record)[0] in _BASES else base
        except bincopy.AddDataError as error:
            raise _damaged(path, number, "another record has data for the same address") from error
        except bincopy.Error as error:
            raise _damaged(path, number, str(error).rstrip(".")) from error
        ended = _END_RECORD.fullmatch(record) is not None
    if not ended:
        raise SimkitError(
            "The hex file has no end record, so its end may be missing.",
            file=str(path),
            line=number or None,
            remedy="Copy or build it again.",
        )
    segments = [(segment.address, bytes(segment.data)) for segment in content.segments]
    if sum(len(data) for _, data in segments) > MAX_HEX_BYTES:
        raise SimkitError(
            f"The hex file holds more than {MAX_HEX_BYTES} bytes.", file=str(path), remedy="It is for no 8-bit machine."
        )
    return segments


def _damaged(path: Path, line: int, reason: str) -> SimkitError:
    return SimkitError(
        f"Not a sound hex file: {reason}.", file=str(path), line=line, remedy="Copy or build it again; do not edit it."
    )


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


def _bytes(path: Path) -> bytes:
    try:
        return read_bounded(path, MAX_FILE_BYTES, "image")
    except FileNotFoundError as error:
        raise SimkitError(
            f"There is no image {path}.", remedy="Correct the path (it counts from the machine file) or build the ROM."
        ) from error


def _placed(path: Path, segments: list[tuple[int, bytes]], part_bytes: int) -> bytes:
    image = bytearray()
    taken = bytearray(part_bytes)
    for address, data in segments:
        for number, byte in enumerate(data):
            offset = (address + number) % part_bytes
            if taken[offset]:
                raise SimkitError(
                    f"Two bytes fall on offset ${offset:04X} of the part: the file spans more than {part_bytes} bytes.",
                    file=str(path),
                    remedy="Fit a larger part (setting size) or link for this one.",
                )
            taken[offset] = 1
            if offset >= len(image):
                image.extend(b"\xff" * (offset + 1 - len(image)))
            image[offset] = byte
    return bytes(image)
