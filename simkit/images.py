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
        SimkitError: no such file, no hex file, a damaged record, two records for one address, records missing at the
            end; names the line.

    Source:
        Intel, Hexadecimal Object File Format Specification, revision A, 6 January 1988; Motorola, M68000 family
        reference, S-record appendix (from memory).
    """
    try:
        lines = _bytes(path).decode("ascii").splitlines()
    except UnicodeDecodeError as error:
        remedy = "Copy it again; a raw binary needs another ending, e.g. .bin."
        raise SimkitError("The file is not text, so it is no hex file.", file=str(path), remedy=remedy) from error
    records: list[tuple[int, int, bytes]] = []  # address, line, data
    base = number = 0
    mark = ""
    ended = False
    for number, text in enumerate((line.strip() for line in lines), start=1):
        if not text:
            continue
        if ended:
            raise _damaged(path, number, "a record stands behind the end record")
        mark = mark or text[0].upper()
        try:
            body = _record(text, mark)
            if mark == ":":
                base, ended = _take_intel(body, base, number, records)
            else:
                ended = _take_srecord(int(text[1]), body, number, records)
        except ValueError as error:
            raise _damaged(path, number, str(error)) from error
    if not ended:
        raise SimkitError(
            "The hex file has no end record, so its end may be missing.",
            file=str(path),
            line=number or None,
            remedy="Copy or build it again.",
        )
    return _joined(path, records)


def _damaged(path: Path, line: int, reason: str) -> SimkitError:
    return SimkitError(
        f"Not a sound hex file: {reason}.", file=str(path), line=line, remedy="Copy or build it again; do not edit it."
    )


def _record(text: str, mark: str) -> bytes:
    """Bytes of a record without its mark and its checksum, which is right.

    Raises:
        ValueError: it is none; says why.
    """
    if mark not in (":", "S") or text[0].upper() != mark or (mark == "S" and not text[1:2].isdecimal()):
        wanted = {":": "a colon", "S": "S and its type"}.get(mark, "a colon (Intel HEX) or S and its type (S-record)")
        raise ValueError(f"{text[:20]!r} does not begin with {wanted}")
    digits = text[1:] if mark == ":" else text[2:]
    wrong = re.search(r"[^0-9A-Fa-f]", digits)
    if wrong:
        raise ValueError(f"{wrong[0]!r} is no hexadecimal digit")
    if len(digits) % 2 or len(digits) < 4:
        raise ValueError("half a byte or more is missing at the end of the record")
    record = bytes.fromhex(digits)
    here, said = len(record), record[0] + (5 if mark == ":" else 1)
    if here != said:
        raise ValueError(f"the record has {here} bytes and says {said}")
    right = (-sum(record[:-1]) if mark == ":" else ~sum(record[:-1])) & 0xFF
    if record[-1] != right:
        raise ValueError(f"the checksum is ${record[-1]:02X} and should be ${right:02X}")
    return record[1:-1]


_INTEL_DATA_BYTES = {1: 0, 2: 2, 3: 4, 4: 2, 5: 4}
"""Data bytes by type of record: end, segment and its start, upper half of the address and the start."""


def _take_intel(body: bytes, base: int, line: int, records: list[tuple[int, int, bytes]]) -> tuple[int, bool]:
    """Add a record of data; gives the base address for the next ones, and whether this was the end."""
    address, kind, data = int.from_bytes(body[:2], "big"), body[2], body[3:]
    if kind == 0:
        records.append((base + address, line, data))
        return base, False
    if kind not in _INTEL_DATA_BYTES:
        raise ValueError(f"there is no type of record ${kind:02X}")
    if len(data) != _INTEL_DATA_BYTES[kind]:
        raise ValueError(f"a record of type {kind} holds {_INTEL_DATA_BYTES[kind]} bytes, not {len(data)}")
    if kind in (2, 4):
        base = int.from_bytes(data, "big") << (4 if kind == 2 else 16)
    return base, kind == 1


_S_ADDRESS_BYTES = {0: 2, 1: 2, 2: 3, 3: 4, 5: 2, 6: 3, 7: 4, 8: 3, 9: 2}
"""Bytes of the address by type of record."""


def _take_srecord(kind: int, body: bytes, line: int, records: list[tuple[int, int, bytes]]) -> bool:
    """Add a record of data; gives whether this was the end."""
    width = _S_ADDRESS_BYTES.get(kind)
    if width is None:
        raise ValueError(f"there is no type of record S{kind}")
    if len(body) < width:
        raise ValueError(f"a record S{kind} has {width} address bytes, this one {len(body)}")
    address = int.from_bytes(body[:width], "big")
    if kind in (1, 2, 3):
        records.append((address, line, body[width:]))
    elif kind in (5, 6) and address != len(records) & (1 << 8 * width) - 1:
        raise ValueError(f"{address} records of data should stand before this one, and {len(records)} do")
    return kind in (7, 8, 9)


def _joined(path: Path, records: list[tuple[int, int, bytes]]) -> list[tuple[int, bytes]]:
    """Runs of bytes, lowest first."""
    if sum(len(data) for _, _, data in records) > MAX_HEX_BYTES:
        raise SimkitError(
            f"The hex file holds more than {MAX_HEX_BYTES} bytes.", file=str(path), remedy="It is for no 8-bit machine."
        )
    runs: list[tuple[int, bytearray]] = []
    for address, line, data in sorted(record for record in records if record[2]):
        end = runs[-1][0] + len(runs[-1][1]) if runs else -1
        if address < end:
            raise _damaged(path, line, f"another record is for the address ${address:04X}, too")
        if address == end:
            runs[-1][1].extend(data)
        else:
            runs.append((address, bytearray(data)))
    return [(address, bytes(data)) for address, data in runs]


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
