"""The screen that hangs on a tile-video board: size, shape of its dots, how long a frame takes."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction

import attrs

from simkit.contract import BorderRuns, ScreenPort
from simkit_cards.tile_video.raster import DOTS_PER_LINE, TICKS_PER_DOT
from simkit_cards.tile_video.tables import ACTIVE_DOTS, ACTIVE_LINES

PIXEL_ASPECT = {262: Fraction(8, 7), 313: Fraction(295, 215)}
"""Width by height of a dot on a 4:3 screen: square dots come at 135/22 MHz (60 Hz) and 7.375 MHz (50 Hz), from memory,
against 5.3693 MHz here; 50 Hz rounded to 295/215."""


BLANK = 1
"""Colour shown before the first frame has ended: black."""


@attrs.frozen(kw_only=True)
class Screen:
    """What the chip gives when somebody looks, each up to a cycle.

    Attributes:
        pixels: colour numbers of the last whole frame.
        border: its border.
        text: the text on it.
        frames: whole frames so far.
    """

    pixels: Callable[[int], bytes]
    border: Callable[[int], BorderRuns]
    text: Callable[[int], str]
    frames: Callable[[int], int]

    def port(
        self,
        lines: int,
        margins: tuple[int, int, int, int],
        palette: tuple[tuple[int, int, int], ...],
        cycles_per_tick: Fraction,
    ) -> ScreenPort:
        """The port of a part with so many lines a frame, its crystal against the machine's clock."""
        return ScreenPort(
            name="screen",
            width=ACTIVE_DOTS,
            height=ACTIVE_LINES,
            pixels=self.pixels,
            border=self.border,
            text=self.text,
            palette=palette,
            margins=margins,
            frame_cycles=lines * DOTS_PER_LINE * TICKS_PER_DOT * cycles_per_tick,
            frames=self.frames,
            pixel_aspect=PIXEL_ASPECT[lines],
            blank_index=BLANK,
        )
