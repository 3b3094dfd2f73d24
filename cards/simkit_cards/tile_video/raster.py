"""Raster time of the 9918A family: where the beam is at a crystal tick. Integers only, nothing drifts.

Sources:
    [GATE] Published notes of a gateware design, "Gateware quirks", section Video timing: 342 dots a line, 262 lines.
    [PARTS-3] Published notes on measurements on parts (2026): 313 lines at 50 Hz.
    [PG] Texas Instruments, Video Display Processors Programmer's Guide, 1984: 5.2.1 (interrupt after the last line).
    Borders: 284 dots and 243 lines shown at 60 Hz, three lines more above than below [GATE]: 27 and 24 lines, 28 dots.
    How those divide (13 left, 15 right) is from memory of the maker's data manual (1982), table 3-3; the 102 lines at
    50 Hz are what 313 leave [PARTS-3], and how they divide is from memory and in doubt.
"""

from __future__ import annotations

from collections.abc import Sequence
from operator import lt
from typing import Any

from simkit_cards.tile_video.tables import ACTIVE_DOTS, ACTIVE_LINES

CRYSTAL_HZ = 10_738_635
"""Hz: three times 3.579545 MHz. Public engineering notes on the family, pin list; [GATE]"""

TICKS_PER_DOT = 2
DOTS_PER_LINE = 342
LINE_TICKS = TICKS_PER_DOT * DOTS_PER_LINE
"""684 crystal ticks, 63.695 us. [GATE]"""

LINES = {"9918A": 262, "9928A": 262, "9929A": 313}
"""Lines a frame, without interlace. [GATE], [PARTS-3]"""

SIDE_BORDERS = (13, 15)
"""Left and right border in dots."""

BORDERS_60_HZ = (27, 24)
"""Top and bottom border in lines."""

BORDERS_50_HZ = 102
TOP_BORDER_50_HZ = 54
"""Top and bottom border together, and the upper one by default; a setting of the card shifts the picture."""


def margins(lines: int, top_border_50_hz: int) -> tuple[int, int, int, int]:
    """Left, right, top, bottom border in dots and lines."""
    if lines == LINES["9929A"]:
        return *SIDE_BORDERS, top_border_50_hz, BORDERS_50_HZ - top_border_50_hz
    return *SIDE_BORDERS, *BORDERS_60_HZ


_BLANK_TICKS = TICKS_PER_DOT * (DOTS_PER_LINE - ACTIVE_DOTS)


def rising(places: Sequence[tuple[int, Any]]) -> bool:
    """Whether what begins with a line or a position comes in the order of the beam."""
    numbers = [number for number, _ in places]
    return all(map(lt, numbers, numbers[1:]))


class Raster:
    """Frame, line and dot by crystal tick.

    Frames are counted from 0; frame k ends (flag F, interrupt) at `end_tick(k)`, when the last active line has been
    drawn. What the program changes after that belongs to frame k+1.

    Args:
        lines: lines a frame.
        flag_dot: dot of line 191 at which F is set.

    Attributes:
        end_ticks: ticks from line 0, dot 0 of a frame to its end.
    """

    __slots__ = ("end_ticks", "frame_ticks", "lines", "start")

    def __init__(self, lines: int, flag_dot: int) -> None:
        self.lines = lines
        self.frame_ticks = lines * LINE_TICKS
        self.start = 0  # tick of line 0, dot 0 of frame 0
        self.end_ticks = (ACTIVE_LINES - 1) * LINE_TICKS + flag_dot * TICKS_PER_DOT

    def end_tick(self, frame: int) -> int:
        """Tick at which a frame ends."""
        return self.start + frame * self.frame_ticks + self.end_ticks

    @staticmethod
    def line_of_change(ticks: int) -> int:
        """First line that shows a change made `ticks` after its frame's line 0 began, 0 to 192; negative is before.

        A change while dots 0 to 255 of a line are drawn shows from that line on; after them, from the next.
        """
        line = (ticks + _BLANK_TICKS) // LINE_TICKS
        return max(0, min(line, ACTIVE_LINES))

    @staticmethod
    def sprite_line_of_change(ticks: int) -> int:
        """First line whose sprites a change can move, 0 to 192; `ticks` as above, plus those of the scan before a line.

        With the first dot of a line its sprites are fixed, as `drawn` counts dots.
        """
        return max(0, min((ticks - TICKS_PER_DOT) // LINE_TICKS + 1, ACTIVE_LINES))

    @staticmethod
    def dot_of_change(ticks: int) -> int:
        """First active dot drawn at or after a moment, counted as line * 256 + dot; `ticks` as above."""
        line, rest = divmod(ticks, LINE_TICKS)
        dot = line * ACTIVE_DOTS + min(-(-rest // TICKS_PER_DOT), ACTIVE_DOTS)
        return max(0, min(dot, ACTIVE_LINES * ACTIVE_DOTS))

    def beam(self, tick: int) -> tuple[int, int]:
        """(line, dot) at `tick`; line 0 is the first active one."""
        line, rest = divmod((tick - self.start) % self.frame_ticks, LINE_TICKS)
        return line, rest // TICKS_PER_DOT

    def drawn(self, tick: int, frame: int) -> int:
        """Active dots of the frame drawn before `tick`, counted as line * 256 + dot."""
        ticks = tick - self.start - frame * self.frame_ticks
        if ticks <= 0:
            return 0
        line, rest = divmod(ticks, LINE_TICKS)
        if line >= ACTIVE_LINES:
            return ACTIVE_LINES * ACTIVE_DOTS
        return line * ACTIVE_DOTS + min(rest // TICKS_PER_DOT, ACTIVE_DOTS)

    def tick_of(self, position: int, frame: int) -> int:
        """Tick at which the dot numbered line * 256 + dot has been drawn."""
        line, dot = divmod(position, ACTIVE_DOTS)
        return self.start + frame * self.frame_ticks + line * LINE_TICKS + (dot + 1) * TICKS_PER_DOT
