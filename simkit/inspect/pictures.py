"""Pictures as arrays: palette numbers of a screen port, its colours, and arrays of colours as PNG files."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from simkit.contract.ports import ScreenPort
from simkit.files.png import encode
from simkit.files.whole import write_whole


def palette_array(port: ScreenPort) -> NDArray[np.uint8]:
    """Colours by palette number, shape (numbers, 3), red, green, blue 0 to 255."""
    return np.array(port.palette, np.uint8)


def write_png(path: Path, picture: NDArray[np.uint8]) -> None:
    """Write an array of shape (rows, columns, 3) as PNG.

    Raises:
        SimkitError: the file cannot be written.
    """
    write_whole(path, encode([row.tobytes() for row in picture], picture.shape[1], None), what="picture")
