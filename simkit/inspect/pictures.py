"""Pictures as arrays: palette numbers of a screen port, its colours, and arrays of colours as PNG files."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simkit.contract.ports import ScreenPort
from simkit.files.png import encode

_WEIGHTS = np.array([0x10000, 0x100, 1], np.uint32)
"""Of red, green and blue in the number that stands for a colour."""


def palette_array(port: ScreenPort) -> NDArray[np.uint8]:
    """Colours by palette number, shape (numbers, 3), red, green, blue 0 to 255."""
    return np.array(port.palette, np.uint8)


def png(picture: NDArray[np.uint8]) -> bytes:
    """An array of shape (rows, columns, 3) as the content of a PNG file, with a palette if 256 colours do."""
    words = picture.astype(np.uint32) @ _WEIGHTS
    colours = np.unique(words)
    if colours.size > 256:
        return encode([row.tobytes() for row in picture], picture.shape[1], None)
    numbers = np.searchsorted(colours, words).astype(np.uint8)
    palette = b"".join(int(colour).to_bytes(3) for colour in colours)
    return encode([row.tobytes() for row in numbers], picture.shape[1], palette)
