"""Pictures as arrays: palette numbers of a screen port, its colours, and arrays of colours as PNG files."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simkit.contract.ports import ScreenPort
from simkit.files.png import encode


def palette_array(port: ScreenPort) -> NDArray[np.uint8]:
    """Colours by palette number, shape (numbers, 3), red, green, blue 0 to 255."""
    return np.array(port.palette, np.uint8)


def png(picture: NDArray[np.uint8]) -> bytes:
    """An array of shape (rows, columns, 3) as the content of a PNG file."""
    return encode([row.tobytes() for row in picture], picture.shape[1], None)
