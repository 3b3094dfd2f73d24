"""Golden pictures: a screen compared with a picture file kept beside the test, with a picture of the difference.

Colour numbers are compared, never colours: which red a number stands for is the palette's business. The files are PNG
with a palette, as the kit writes them and as tools leave them that make them smaller without sorting the palette: any
depth, any filter, not interlaced (W3C, Portable Network Graphics Specification, second edition, 10 November 2003).
"""

from __future__ import annotations

import re
import struct
import zlib
from pathlib import Path
from typing import TYPE_CHECKING

from simkit.contract.errors import SimkitError
from simkit.files.bounded import read_bounded
from simkit.looks.colours import BLACK, INK, PAPER, ROOM, WHITE

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Numbers = NDArray[np.uint8]
    Rgb = NDArray[np.uint8]

MAX_FILE_BYTES = 4_000_000
MAX_PIXELS = 500_000
"""Six times the largest screen of a card of the kit with its border."""
MAX_SIDE_PX = 4096
GAP_PX = 8
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,79}")

_SIGNATURE = b"\x89PNG\r\n\x1a\n"
_WITH_PALETTE = 3
_DEPTHS = (1, 2, 4, 8)


class PictureError(SimkitError):
    """The file is not a picture that can be compared."""


def read_numbers(path: Path) -> Numbers:
    """Colour numbers of a picture file with a palette, shape (height, width).

    Raises:
        PictureError: damaged, too large, or of another form.
    """
    import numpy as np

    try:
        data = read_bounded(path, MAX_FILE_BYTES, "picture")
    except FileNotFoundError as error:
        raise PictureError(f"There is no picture {path}.", remedy="Correct the path.") from error
    try:
        chunks = _chunks(data)
        width, height, depth, kind, _, _, interlaced = struct.unpack(">IIBBBBB", chunks[b"IHDR"])
        if kind != _WITH_PALETTE:
            raise ValueError("it holds colours, and colour numbers are compared")
        if depth not in _DEPTHS or interlaced:
            raise ValueError("a kind of PNG that is not read")
        if not 0 < width * height <= MAX_PIXELS or max(width, height) > MAX_SIDE_PX:
            raise ValueError(f"it has {width} by {height} pixels")
        row_bytes = (width * depth + 7) // 8
        size = height * (row_bytes + 1)
        raw = zlib.decompressobj().decompress(chunks[b"IDAT"], size)
        if len(raw) != size:
            raise ValueError("pixels are missing")
        rows = _unfiltered(np.frombuffer(raw, np.uint8).reshape(height, row_bytes + 1))
        bits = np.unpackbits(rows, axis=1).reshape(height, -1, depth)
        weights = (1 << np.arange(depth - 1, -1, -1)).astype(np.uint8)
        return (bits[:, :width] @ weights).astype(np.uint8)
    except (ValueError, KeyError, IndexError, struct.error, zlib.error) as error:
        raise PictureError(
            f"Not a picture that can be compared: {error}.",
            file=str(path),
            remedy="Look at the picture the screen gives, then write the file anew with pytest --simkit-accept.",
        ) from error


def _chunks(data: bytes) -> dict[bytes, bytes]:
    if not data.startswith(_SIGNATURE):
        raise ValueError("no PNG file")
    found: dict[bytes, list[bytes]] = {}
    at = len(_SIGNATURE)
    while at + 12 <= len(data):
        length, name = struct.unpack_from(">I4s", data, at)
        body = data[at + 8 : at + 8 + length]
        if len(body) != length or struct.unpack_from(">I", data, at + 8 + length)[0] != zlib.crc32(name + body):
            raise ValueError("a chunk is damaged")
        found.setdefault(name, []).append(body)
        at += 12 + length
        if name == b"IEND":
            return {name: b"".join(bodies) for name, bodies in found.items()}
    raise ValueError("the end is missing")


def _unfiltered(rows: Numbers) -> Numbers:
    """Rows without their filters (section 9: none, sub, up, average, Paeth); bytes hold one pixel or more."""
    import numpy as np

    done = np.zeros((rows.shape[0], rows.shape[1] - 1), np.uint8)
    above = np.zeros(rows.shape[1] - 1, np.uint8)
    for number, row in enumerate(rows):
        kind, line = int(row[0]), row[1:]
        if kind == 0:
            done[number] = line
        elif kind == 2:
            done[number] = line + above
        elif kind in {1, 3, 4}:
            done[number] = _sequential(kind, line.tolist(), above.tolist())
        else:
            raise ValueError(f"unknown filter {kind}")
        above = done[number]
    return done


def _sequential(kind: int, line: list[int], above: list[int]) -> list[int]:
    out: list[int] = []
    left = corner = 0
    for byte, up in zip(line, above, strict=True):
        if kind == 1:
            guess = left
        elif kind == 3:
            guess = (left + up) // 2
        else:  # whichever of the three is nearest to left + up - corner, the first of equals
            to_left, to_up, to_corner = abs(up - corner), abs(left - corner), abs(left + up - 2 * corner)
            up_or_corner = up if to_up <= to_corner else corner
            guess = left if to_left <= min(to_up, to_corner) else up_or_corner
        left, corner = byte + guess & 0xFF, up
        out.append(left)
    return out


def difference(golden: Numbers, shown: Numbers, palette: Rgb) -> Rgb | None:
    """Three pictures side by side: golden, shown, and black where they are equal, white where not; None when equal.

    Numbers that the palette does not have are chequered in ink and paper; where a picture ends the ground is plain.
    """
    import numpy as np

    if np.array_equal(golden, shown):
        return None
    colours = np.full((256, 3), INK, np.uint8)
    colours[: len(palette)] = palette
    height, width = max(golden.shape[0], shown.shape[0]), max(golden.shape[1], shown.shape[1])
    unequal = np.ones((height, width), bool)
    rows, columns = min(golden.shape[0], shown.shape[0]), min(golden.shape[1], shown.shape[1])
    unequal[:rows, :columns] = golden[:rows, :columns] != shown[:rows, :columns]
    panes = []
    for picture in (golden, shown):
        pane = np.full((height, width, 3), ROOM, np.uint8)
        drawn = colours[picture]
        drawn[(picture >= len(palette)) & (np.indices(picture.shape).sum(axis=0) % 2 == 0)] = PAPER
        pane[: picture.shape[0], : picture.shape[1]] = drawn
        panes.append(pane)
    marks = np.array((BLACK, WHITE), np.uint8)[unequal.astype(int)]
    gap = np.full((height, GAP_PX, 3), PAPER, np.uint8)
    return np.concatenate([panes[0], gap, panes[1], gap, marks], axis=1)


def unequal_pixels(golden: Numbers, shown: Numbers) -> int | None:
    """Number of pixels that differ; None when the sizes do."""
    if golden.shape != shown.shape:
        return None
    return int((golden != shown).sum())
