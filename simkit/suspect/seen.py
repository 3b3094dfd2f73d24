"""What a builder saw of the real machine: each kind of symptom, with what it is worth against a run."""

from __future__ import annotations

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.capture.captured import Captured


@attrs.frozen(eq=False)
class SeenCapture:
    """A capture of the bus.

    Attributes:
        captured: its bus cycles.
    """

    captured: Captured


@attrs.frozen(eq=False)
class SeenText:
    """What could be read on the screen, or stood on the terminal, late in the run.

    Attributes:
        text: lines joined by newlines; blanks at their ends do not count.
        slot: of the screen or the serial card; None: the only one.
        early: it was seen before the last input had come, or nobody knows when.
    """

    text: str
    slot: int | None = None
    early: bool = False


@attrs.frozen(eq=False)
class SeenPicture:
    """What was on the screen.

    Attributes:
        pixels: palette numbers, (rows, columns) uint8.
        slot: of the screen; None: the only one.
        early: it was seen before the last input had come, or nobody knows when.
    """

    pixels: NDArray[np.uint8]
    slot: int | None = None
    early: bool = False


@attrs.frozen(eq=False)
class SeenMemory:
    """What a memory held at the end.

    Attributes:
        start: address of the first byte.
        content: bytes from there on.
    """

    start: int
    content: bytes


@attrs.frozen(eq=False)
class SeenHang:
    """Where the program goes round and comes no further.

    Attributes:
        address: of an instruction that it goes round on.
    """

    address: int


@attrs.frozen(eq=False)
class SeenNothing:
    """The screen shows one colour, or nothing came over the line."""


Seen = SeenCapture | SeenText | SeenPicture | SeenMemory | SeenHang | SeenNothing
