"""PNG files, and the picture of a screen as one, on plain Python: a run that writes a picture need not wait for numpy.

PNG is written here in a few lines rather than through a further dependency. Source of the format: W3C/ISO 15948, PNG
Specification (Second Edition), 10 November 2003: chunks IHDR, tEXt, PLTE, IDAT, IEND; colour types 2 and 3, filter 0. A
screen keeps its colour numbers in the file: type 3, palette beside them. The keyword Software (11.3.4.2) says who wrote
it: by that a picture of the kit is told from a photograph.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Sequence

from simkit.contract.errors import SimkitError
from simkit.contract.ports import ScreenPort
from simkit.files.formats import Format

MAX_SCALE = 8
_SIGNATURE = b"\x89PNG\r\n\x1a\n"
_SOFTWARE = b"Software\0simkit"
_LEVEL = 6
"""Of zlib: the highest, 9, takes thirty times as long for a map of memory, and saves a tenth of the file."""
_HEAD = 100
"""Bytes in which the signature, IHDR and the mark stand."""

PICTURE = Format(
    "a picture written by simkit",
    lambda content: content.startswith(_SIGNATURE) and b"tEXt" + _SOFTWARE in content[:_HEAD],
)


def screen_png(port: ScreenPort, cycle: int, *, scale: int = 1, border: bool = True) -> bytes:
    """The picture as a PNG file, each pixel repeated `scale` times across and down.

    Args:
        port: the screen.
        cycle: the present one; the last whole frame is taken.
        scale: 1 to MAX_SCALE.
        border: with the border round the picture.

    Raises:
        SimkitError: scale out of 1 to MAX_SCALE.
    """
    if not 1 <= scale <= MAX_SCALE:
        raise SimkitError(f"A scale of {scale} is not possible.", remedy=f"Give 1 to {MAX_SCALE}.")
    rows = [_wider(row, scale) for row in screen_rows(port, cycle, border=border) for _ in range(scale)]
    return encode(rows, len(rows[0]), bytes(level for colour in port.palette for level in colour))


def screen_rows(port: ScreenPort, cycle: int, *, border: bool) -> list[bytes]:
    """Palette numbers of the last whole frame, row by row; arguments as of `screen_png`."""
    pixels, width = port.pixels(cycle), port.width
    rows = [pixels[start : start + width] for start in range(0, width * port.height, width)]
    if not border:
        return rows
    left, _, top, _ = port.margins
    across, down = port.size_with_border
    border_pixels = port.border_pixels(port.border(cycle))
    whole = [border_pixels[start : start + across] for start in range(0, across * down, across)]
    framed = [edge[:left] + row + edge[left + width :] for edge, row in zip(whole[top:], rows, strict=False)]
    return whole[:top] + framed + whole[top + port.height :]


def _wider(row: bytes, scale: int) -> bytes:
    """Each byte `scale` times."""
    wide = bytearray(len(row) * scale)
    for number in range(scale):
        wide[number::scale] = row
    return bytes(wide)


def encode(rows: Sequence[bytes], columns: int, palette: bytes | None) -> bytes:
    """A PNG file.

    Args:
        rows: from the top; a byte a pixel into the palette, or three for red, green and blue without one.
        columns: pixels across.
        palette: red, green, blue of each number, or None.
    """
    header = struct.pack(">IIBBBBB", columns, len(rows), 8, 2 if palette is None else 3, 0, 0, 0)
    lines = b"".join(b"\0" + row for row in rows)  # filter 0 before each row
    colours = () if palette is None else ((b"PLTE", palette),)
    chunks = (
        (b"IHDR", header),
        (b"tEXt", _SOFTWARE),
        *colours,
        (b"IDAT", zlib.compress(lines, _LEVEL)),
        (b"IEND", b""),
    )
    return _SIGNATURE + b"".join(
        struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data)) for kind, data in chunks
    )
