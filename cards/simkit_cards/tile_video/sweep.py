"""One sweep of the beam over picture and border, and the colours that register 7 gave it from dot to dot.

The picture of a frame is what stands on the tube when its last active line has been drawn: its top border and its 192
lines, and below them the bottom border of the sweep before, which the beam has not yet come to again.

Sources: sizes and order of the borders as in `raster`. Register 7 acts at once on the line being drawn (public demo for
real hardware: changes of registers 4 and 7 at chosen lines). That it does so from the next dot on is from memory: the
two colours are looked up as the dots leave the chip; what the last stages delay is not published, nothing is taken.
"""

from __future__ import annotations

from collections.abc import Iterable

from simkit_cards.tile_video.raster import DOTS_PER_LINE, LINE_TICKS, TICKS_PER_DOT, Raster
from simkit_cards.tile_video.tables import ACTIVE_DOTS, ACTIVE_LINES

Runs = tuple[tuple[int, int], ...]
"""(position, what register 7 held from there on), positions rising, the first 0."""


class Sweep:
    """Places of the beam on the picture with its border, counted dot by dot from the top left.

    Args:
        raster: lines a frame, and where in its last line a frame ends.
        margins: left, right, top, bottom border in dots and lines.

    Attributes:
        size: dots of the whole.
    """

    __slots__ = ("_across", "_bottom", "_end_ticks", "_first_ticks", "_left", "_lines", "_right", "_top", "size")

    def __init__(self, raster: Raster, margins: tuple[int, int, int, int]) -> None:
        self._left, self._right, self._top, self._bottom = margins
        self._across = self._left + ACTIVE_DOTS + self._right
        self._lines = raster.lines
        self._end_ticks = raster.end_ticks
        self._first_ticks = raster.end_ticks - raster.frame_ticks
        self.size = self._across * (self._top + ACTIVE_LINES + self._bottom)

    def position(self, ticks: int) -> int:
        """First dot drawn at or after a moment, in crystal ticks since line 0 of the frame began.

        Of the sweep that ends with the frame, so that a moment in the bottom border lies before the picture in time and
        below it on the tube. In the blanking it is the first dot after it.
        """
        line, rest = divmod(max(ticks, self._first_ticks), LINE_TICKS)
        column = -(-rest // TICKS_PER_DOT)
        if column >= DOTS_PER_LINE - self._left:
            line, column = line + 1, column - DOTS_PER_LINE
        elif column >= ACTIVE_DOTS + self._right:
            line, column = line + 1, -self._left
        if line < -self._top:
            line += self._lines
            if line >= ACTIVE_LINES + self._bottom:
                line, column = -self._top, -self._left
        return (line + self._top) * self._across + self._left + column

    def runs(self, before: int, changes: Iterable[tuple[int, int]]) -> Runs:
        """What register 7 held along the picture with its border.

        Args:
            before: what it held when the sweep began, at the end of the frame before.
            changes: (ticks since line 0 began, new value) in order of time.
        """
        seam = self.position(self._end_ticks)
        picture: list[tuple[int, int]] = []
        below: list[tuple[int, int]] = []
        at_top = before
        for ticks, value in changes:
            position = self.position(ticks)
            if position >= seam and ticks >= 0:
                break  # in the last dot: nothing of this sweep is drawn after it
            if position >= seam:
                below.append((position, value))
                at_top = value
            else:
                picture.append((position, value))
        return _joined([(0, at_top), *picture, (seam, before), *below], self.size)

    def active_dot(self, position: int) -> int:
        """Number, line * 256 + dot, of the first dot of the picture at or after a position."""
        line, column = divmod(position, self._across)
        line -= self._top
        if line < 0:
            return 0
        if line >= ACTIVE_LINES:
            return ACTIVE_LINES * ACTIVE_DOTS
        return line * ACTIVE_DOTS + min(max(column - self._left, 0), ACTIVE_DOTS)


def _joined(entries: Iterable[tuple[int, int]], size: int) -> Runs:
    """Without what lasts for no dot, lies beyond the end or changes nothing."""
    latest = dict(entries)
    found: list[tuple[int, int]] = []
    for position, value in latest.items():
        if position < size and (not found or found[-1][1] != value):
            found.append((position, value))
    return tuple(found)


def colours(runs: Runs) -> Runs:
    """The backdrop alone, the lower half of register 7. [PG] 5.1.8."""
    return _joined([(position, value & 0x0F) for position, value in runs], runs[-1][0] + 1)
