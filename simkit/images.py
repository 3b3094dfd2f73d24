"""ROM images: read from files in the formats programmers write, written in the same, checked against their part."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from simkit.boundedfile import read_bounded
from simkit.errors import SimkitError

MAX_FILE_BYTES = 4_000_000
MAX_HEX_BYTES = 1 << 20
INTEL_SUFFIXES = (".hex", ".ihx", ".ihex")
SRECORD_SUFFIXES = (".s19", ".s28", ".s37", ".srec", ".mot")
HEX_SUFFIXES = INTEL_SUFFIXES + SRECORD_SUFFIXES
RECORD_BYTES = 16
"""Data bytes a record, the number that programmers' own software writes (common practice)."""

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
        SimkitError: no such file, no hex file, a damaged record, two records for one address, no end record.
    """
    import bincopy

    try:
        text = _bytes(path).decode("ascii")
        content = bincopy.BinFile()
        content.add(text)
    except UnicodeDecodeError as error:
        raise SimkitError("The file is not text, so it is no hex file.", file=str(path)) from error
    except bincopy.Error as error:
        reason = str(error).rstrip(".")
        raise SimkitError(
            f"Not a sound hex file: {reason}.", file=str(path), remedy="Copy or build it again; do not edit it."
        ) from error
    if not any(_END_RECORD.fullmatch(line) for line in text.splitlines()):
        raise SimkitError(
            "The hex file has no end record, so its end may be missing.",
            file=str(path),
            remedy="Copy or build it again.",
        )
    segments = [(segment.address, bytes(segment.data)) for segment in content.segments]
    if sum(len(data) for _, data in segments) > MAX_HEX_BYTES:
        raise SimkitError(f"The hex file holds more than {MAX_HEX_BYTES} bytes.", file=str(path))
    return segments


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
