"""Golden pictures: a screen compared with a picture file kept beside the test, with a picture of the difference.

The kit writes PNG in RGB without filters; read back is also what tools make of it when they shrink it: 8 bits a
channel, grey, RGB, palette or with alpha, any filter, not interlaced (W3C, Portable Network Graphics Specification,
second edition, 10 November 2003).
"""

from __future__ import annotations

import re
import struct
import zlib
from pathlib import Path
from typing import TYPE_CHECKING

from simkit.errors import SimkitError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Rgb = NDArray[np.uint8]

MAX_FILE_BYTES = 8_000_000
MAX_PIXELS = 4_000_000
GAP_PX = 8
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,79}")

_SIGNATURE = b"\x89PNG\r\n\x1a\n"
_CHANNELS = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}


class PictureError(SimkitError):
    """The file is not a picture that can be compared."""


def read_png(path: Path) -> Rgb:
    """Colours of a picture file, shape (height, width, 3).

    Raises:
        PictureError: damaged, too large, or of another form.
    """
    import numpy as np

    try:
        if path.stat().st_size > MAX_FILE_BYTES:
            raise PictureError(f"The picture is larger than {MAX_FILE_BYTES} bytes.", file=str(path))
        data = path.read_bytes()
    except OSError as error:
        raise PictureError(f"Cannot be read: {error.strerror or error}.", file=str(path)) from error
    try:
        chunks = _chunks(data)
        width, height, depth, kind, _, _, interlaced = struct.unpack(">IIBBBBB", chunks[b"IHDR"])
        if depth != 8 or interlaced or kind not in _CHANNELS or not 0 < width * height <= MAX_PIXELS:
            raise ValueError("a kind of PNG that is not read")
        channels = _CHANNELS[kind]
        size = height * (width * channels + 1)
        raw = zlib.decompressobj().decompress(chunks[b"IDAT"], size)
        if len(raw) != size:
            raise ValueError("pixels are missing")
        rows = _unfiltered(np.frombuffer(raw, np.uint8).reshape(height, width * channels + 1), channels)
        pixels = rows.reshape(height, width, channels)
        if kind == 3:
            palette = np.frombuffer(chunks[b"PLTE"], np.uint8).reshape(-1, 3)
            return palette[pixels[:, :, 0]]
        if kind in (0, 4):
            return np.repeat(pixels[:, :, :1], 3, axis=2)
        return np.ascontiguousarray(pixels[:, :, :3])
    except (ValueError, KeyError, IndexError, struct.error, zlib.error) as error:
        raise PictureError(f"Not a picture that can be compared: {error}.", file=str(path)) from error


def _chunks(data: bytes) -> dict[bytes, bytes]:
    if not data.startswith(_SIGNATURE):
        raise ValueError("no PNG file")
    found: dict[bytes, bytes] = {}
    at = len(_SIGNATURE)
    while at + 12 <= len(data):
        length, name = struct.unpack_from(">I4s", data, at)
        body = data[at + 8 : at + 8 + length]
        if len(body) != length or struct.unpack_from(">I", data, at + 8 + length)[0] != zlib.crc32(name + body):
            raise ValueError("a chunk is damaged")
        found[name] = found.get(name, b"") + body
        at += 12 + length
        if name == b"IEND":
            return found
    raise ValueError("the end is missing")


def _unfiltered(rows: NDArray[np.uint8], channels: int) -> NDArray[np.uint8]:
    """Rows without their filters (section 9: none, sub, up, average, Paeth)."""
    import numpy as np

    done = np.zeros((rows.shape[0], rows.shape[1] - 1), np.uint8)
    above = np.zeros(rows.shape[1] - 1, np.uint8)
    for number, row in enumerate(rows):
        kind, line = int(row[0]), row[1:]
        if kind == 0:
            done[number] = line
        elif kind == 2:
            done[number] = line + above
        elif kind in (1, 3, 4):
            done[number] = _sequential(kind, line.tolist(), above.tolist(), channels)
        else:
            raise ValueError(f"unknown filter {kind}")
        above = done[number]
    return done


def _sequential(kind: int, line: list[int], above: list[int], channels: int) -> list[int]:
    out: list[int] = []
    for x, byte in enumerate(line):
        left = out[x - channels] if x >= channels else 0
        up = above[x]
        corner = above[x - channels] if x >= channels else 0
        if kind == 1:
            guess = left
        elif kind == 3:
            guess = (left + up) // 2
        else:
            estimate = left + up - corner
            guess = min((left, up, corner), key=lambda value: abs(estimate - value))
        out.append(byte + guess & 0xFF)
    return out


def difference(golden: Rgb, shown: Rgb) -> Rgb | None:
    """Three pictures side by side: golden, shown, and black where they are equal, white where not; None when equal."""
    import numpy as np

    if golden.shape == shown.shape and np.array_equal(golden, shown):
        return None
    height, width = max(golden.shape[0], shown.shape[0]), max(golden.shape[1], shown.shape[1])
    panes = []
    for picture in (golden, shown):
        pane = np.full((height, width, 3), 128, np.uint8)
        pane[: picture.shape[0], : picture.shape[1]] = picture
        panes.append(pane)
    unequal = (panes[0] != panes[1]).any(axis=2)
    if golden.shape != shown.shape:
        unequal[min(golden.shape[0], shown.shape[0]) :] = True
        unequal[:, min(golden.shape[1], shown.shape[1]) :] = True
    marks = np.repeat(unequal[:, :, None] * np.uint8(255), 3, axis=2).astype(np.uint8)
    gap = np.full((height, GAP_PX, 3), 255, np.uint8)
    return np.concatenate([panes[0], gap, panes[1], gap, marks], axis=1)


def unequal_pixels(golden: Rgb, shown: Rgb) -> int | None:
    """Number of pixels that differ; None when the sizes do."""
    if golden.shape != shown.shape:
        return None
    return int((golden != shown).any(axis=2).sum())
