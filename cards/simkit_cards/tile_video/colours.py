"""Colours of the 9918A family, computed from the levels its maker prints for the colour-difference outputs.

Sources:
    [DM] Texas Instruments, TMS9918A/28A/29A Data Manual, November 1982, table 2-3 (page 2-17): Y, R-Y, B-Y in volts
        over black. Figures as retyped in a public forum thread on the family's colours; the same in S. Young's
        description (2002), 1.1.
    [AR] Texas Instruments, application report SPPA004: monitor interface for the 9928A; its outputs are the colour
        differences divided by 1.14 (R-Y) and 2.03 (B-Y).
    [601] ITU-R BT.601: Y = 0.299 R + 0.587 G + 0.114 B.
In doubt: signs and scale of the difference columns, and what the colours looked like, hence several readings:
    tube            the levels drive a picture tube, whose light is worked out (tube.py): the default
    plain           the levels, as printed, are themselves the numbers that a screen of today is given
    monitor board   the same, with the factors of [AR] undone
In the last two no gamma is applied, and what lies outside 0 to 1 is cut off, each by itself.
"""

from __future__ import annotations

from functools import lru_cache

from simkit_cards.tile_video.tube import shown

COLOUR_NAMES = (
    "transparent",
    "black",
    "medium green",
    "light green",
    "dark blue",
    "light blue",
    "dark red",
    "cyan",
    "medium red",
    "light red",
    "dark yellow",
    "light yellow",
    "dark green",
    "magenta",
    "grey",
    "white",
)

LEVELS = (
    (0.00, 0.47, 0.47),  # transparent shows as black when nothing is behind it
    (0.00, 0.47, 0.47),
    (0.53, 0.07, 0.20),
    (0.67, 0.17, 0.27),
    (0.40, 0.40, 1.00),
    (0.53, 0.43, 0.93),
    (0.47, 0.83, 0.30),
    (0.73, 0.00, 0.70),
    (0.53, 0.93, 0.27),
    (0.67, 0.93, 0.27),
    (0.73, 0.57, 0.07),
    (0.80, 0.57, 0.17),
    (0.47, 0.13, 0.23),
    (0.53, 0.73, 0.67),
    (0.80, 0.47, 0.47),
    (1.00, 0.47, 0.47),
)
"""Y, R-Y, B-Y in volts by colour number. [DM] table 2-3"""

_ZERO = 0.47  # volts of a difference output without colour: the grey rows

GREY = "grey"
BLACK = "black"

TUBE = "tube"
MONITOR_BOARD = "monitor board"
READINGS = (TUBE, "plain", MONITOR_BOARD)
"""Ways to read the levels of a sound board; the first is the default."""

_FACTORS = (1.14, 2.03)
"""What the difference signals are multiplied by. [AR]"""


@lru_cache
def palette(reading: str, seen: str = "colour") -> tuple[tuple[int, int, int], ...]:
    """(red, green, blue), 0 to 255, by colour number.

    Args:
        reading: one of READINGS.
        seen: GREY when colour is lost, BLACK when the signal is.
    """
    if seen == BLACK:
        return ((0, 0, 0),) * len(LEVELS)
    red_scale, blue_scale = _FACTORS if reading == MONITOR_BOARD else (1.0, 1.0)
    if seen == GREY:
        red_scale = blue_scale = 0.0
    on_screen = shown if reading == TUBE else _as_numbers
    colours = []
    for y, red_y, blue_y in LEVELS:
        red = y + (red_y - _ZERO) * red_scale
        blue = y + (blue_y - _ZERO) * blue_scale
        green = (y - 0.299 * red - 0.114 * blue) / 0.587
        colours.append(on_screen(red, green, blue))
    return tuple(colours)


def _as_numbers(red: float, green: float, blue: float) -> tuple[int, int, int]:
    """Voltages, 0 black and 1 white, taken for the numbers of a screen."""
    numbers = [int(min(max(level, 0.0), 1.0) * 255 + 0.5) for level in (red, green, blue)]
    return numbers[0], numbers[1], numbers[2]
