"""When the 9918A family lets the CPU reach video memory: a fixed delay, then the next free window of the display.

Sources:
    [PG] Texas Instruments, Video Display Processors Programmer's Guide, 1984: appendix B, table on page B-1.
    Spacing of the windows (3, 16, 4 memory cycles): the waits of [PG] (1.1, 5.95, 1.5 us) are 3, 16 and 4 times the
    372.49 ns of a memory cycle, two dots (arithmetic); of these 171 make a line (gateware quirks document, see raster).
Replacements in the chip's socket, all from memory: programmable logic has its own memory and serves an access within
the bus cycle; a microcontroller takes writes so, and has the byte read ahead some hundred nanoseconds later.
In doubt: where the windows lie against the line (nobody published it; a setting shifts them), and multicolor, for which
users report 8 us against the 3.5 us of [PG] (a setting chooses; gaps under 8 us are told either way, unless another
setting says no).
"""

from __future__ import annotations

from collections.abc import Iterable

from simkit_cards.tile_video.raster import CRYSTAL_HZ, Raster
from simkit_cards.tile_video.tables import Mode, Tables

TICKS_PER_MEMORY_CYCLE = 4

FIXED_TICKS = 2 * CRYSTAL_HZ // 1_000_000
"""2 us from the end of the strobe, [PG] B-1: 21 ticks, rounded down as a strobe ends between two ticks."""

FREE_TENTHS = 20
"""2 us, in tenths of a microsecond: every access takes that long while nothing is drawn. [PG] B-1"""

FREE_TICKS = 4300 * CRYSTAL_HZ // 1_000_000
"""4300 us after the frame interrupt in which every access takes 2 us. [PG] B-1"""


SOCKET = ("chip", "programmable logic", "microcontroller")
"""What sits in the chip's socket."""

_TEXT = 3 * TICKS_PER_MEMORY_CYCLE, 31
_MULTICOLOR = 4 * TICKS_PER_MEMORY_CYCLE, 35
_GRAPHICS = 16 * TICKS_PER_MEMORY_CYCLE, 80
"""Ticks from one window to the next while lines are drawn, and the longest time that an access takes then, in tenths of
a microsecond. [PG] B-1"""


class Pacing:
    """Windows of one raster under the registers now set.

    Args:
        raster: where the beam is.
        phase: memory cycles by which the windows are shifted, in doubt.
        slow_multicolor: multicolor waits as graphics modes do, in doubt.
        tell_multicolor: multicolor may take as long as graphics modes do, whatever it does.
        replaced: a replacement is in the socket, which serves accesses at once.
        fetch_ns: how long it takes to read ahead.
    """

    __slots__ = (
        "_fetch_ticks",
        "_free_until",
        "_multicolor",
        "_on",
        "_phase",
        "_raster",
        "_replaced",
        "_spacing",
        "_tenths",
    )

    def __init__(
        self,
        raster: Raster,
        phase: int,
        *,
        slow_multicolor: bool,
        tell_multicolor: bool,
        replaced: bool = False,
        fetch_ns: int = 0,
    ) -> None:
        self._raster = raster
        self._replaced = replaced
        self._fetch_ticks = -(-fetch_ns * CRYSTAL_HZ // 1_000_000_000)
        spacing, tenths = _GRAPHICS if slow_multicolor else _MULTICOLOR
        self._multicolor = spacing, _GRAPHICS[1] if tell_multicolor else tenths
        self._phase = phase * TICKS_PER_MEMORY_CYCLE
        self._free_until = 0
        self._on = False
        self._spacing = self._tenths = 0

    def set_tables(self, tables: Tables) -> None:
        """The registers changed."""
        self._on = tables.on
        mode = tables.mode
        wait = _TEXT if mode >= Mode.TEXT else self._multicolor if mode & 2 else _GRAPHICS
        self._spacing, self._tenths = wait

    def doubtful(self, gap_us: float) -> bool:
        """Whether a gap that is told as too short suffices by this card's own windows."""
        return self._on and self._spacing == _MULTICOLOR[0] and gap_us * 10 >= _MULTICOLOR[1]

    @property
    def longest_us(self) -> float:
        """The longest time an access may take with the registers as they are."""
        return (self._tenths if self._on else FREE_TENTHS) / 10

    def start_frame(self, frame: int) -> None:
        """Frame `frame` begins, with the blanking after the one before it."""
        self._free_until = self._raster.end_tick(frame - 1) + FREE_TICKS

    def times(self, tick: int, fetch: bool = False) -> tuple[int, int]:
        """For an access asked for at `tick`: when it takes place, and the longest it might take in tenths of a us.

        Of a replacement the second is that of the chip it stands for.

        Args:
            tick: the end of the strobe.
            fetch: a byte is read ahead, not written.
        """
        ready = tick + FIXED_TICKS
        free = not self._on or ready < self._free_until
        if self._replaced:
            return tick + (self._fetch_ticks if fetch else 0), FREE_TENTHS if free else self._tenths
        if free:
            return ready, FREE_TENTHS
        return ready + (self._raster.start + self._phase - ready) % self._spacing, self._tenths

    def moments(self, ticks: Iterable[int]) -> list[int]:
        """When writes asked for at `ticks` take place: the first of what `times` gives for each."""
        if self._replaced:
            return list(ticks)
        ready = [tick + FIXED_TICKS for tick in ticks]
        if not self._on:
            return ready
        first, spacing, free_until = self._raster.start + self._phase, self._spacing, self._free_until
        return [tick if tick < free_until else tick + (first - tick) % spacing for tick in ready]
