"""Pictures: palette numbers of a screen port as arrays, colours, and PNG files.

PNG is written here in a few lines rather than through a further dependency. Source of the format: W3C/ISO 15948, PNG
Specification (Second Edition), 10 November 2003: chunks IHDR, PLTE, IDAT, IEND; colour types 2 and 3, filter 0. A
screen keeps its colour numbers in the file: type 3, palette beside them.
"""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from simkit.errors import SimkitError
from simkit.ports import ScreenPort

MAX_SCALE = 8
_SIGNATURE = b"\x89PNG\r\n\x1a\n"


def index_array(port: ScreenPort, cycle: int) -> NDArray[np.uint8]:
    """Palette numbers of the last whole frame, shape (height, width), rows from the top."""
    return np.frombuffer(port.pixels(cycle), np.uint8).reshape(port.height, port.width)


def palette_array(port: ScreenPort) -> NDArray[np.uint8]:
    """Colours by palette number, shape (numbers, 3), red, green, blue 0 to 255."""
    return np.array(port.palette, np.uint8)


def screen_numbers(port: ScreenPort, cycle: int, *, border: bool = True) -> NDArray[np.uint8]:
    """Palette numbers of the picture, shape (rows, columns), with or without the border round it."""
    numbers = index_array(port, cycle)
    if border:
        left, right, top, bottom = port.margins
        numbers = np.pad(numbers, ((top, bottom), (left, right)), constant_values=port.border(cycle))
    return numbers


def save_screen(port: ScreenPort, cycle: int, path: Path, *, scale: int = 1, border: bool = True) -> Path:
    """Write the picture as PNG, each pixel repeated `scale` times across and down.

    Raises:
        SimkitError: scale out of 1 to MAX_SCALE, or the file cannot be written.
    """
    if not 1 <= scale <= MAX_SCALE:
        raise SimkitError(f"A scale of {scale} is not possible.", remedy=f"Give 1 to {MAX_SCALE}.")
    numbers = screen_numbers(port, cycle, border=border).repeat(scale, axis=0).repeat(scale, axis=1)
    _write(path, _png(numbers, palette_array(port)))
    return path


def _png(picture: NDArray[np.uint8], palette: NDArray[np.uint8] | None) -> bytes:
    """A PNG file: (rows, columns) numbers into a palette, or (rows, columns, 3) red, green, blue."""
    rows, columns = picture.shape[:2]
    row_bytes = picture.reshape(rows, -1)
    lines = np.zeros((rows, 1 + row_bytes.shape[1]), np.uint8)  # filter byte 0, then the pixels
    lines[:, 1:] = row_bytes
    header = struct.pack(">IIBBBBB", columns, rows, 8, 2 if palette is None else 3, 0, 0, 0)
    colours = () if palette is None else ((b"PLTE", palette.tobytes()),)
    chunks = ((b"IHDR", header), *colours, (b"IDAT", zlib.compress(lines.tobytes(), 9)), (b"IEND", b""))
    return _SIGNATURE + b"".join(
        struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data)) for kind, data in chunks
    )


def write_png(path: Path, picture: NDArray[np.uint8]) -> None:
    """Write an array of shape (rows, columns, 3) as PNG.

    Raises:
        SimkitError: the file cannot be written.
    """
    _write(path, _png(picture, None))


def _write(path: Path, data: bytes) -> None:
    try:
        path.write_bytes(data)
    except OSError as error:
        raise SimkitError(
            f"The picture {path} cannot be written: {error.strerror or error}.",
            remedy="Name a file in a folder that is there and may be written to.",
        ) from error
