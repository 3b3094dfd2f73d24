"""Status register of the 9918A family: F, 5S, C and the fifth-sprite number, worked out line by line when asked.

Sources:
    [PG] Texas Instruments, Video Display Processors Programmer's Guide, 1984: 5.2.
    [YOUNG] S. Young, TMS9918A VDP, almost complete description, 0.4.2, 2002: 2.2, 4.3.
    [PARTS] M. Hagerty, measurements on parts: version history and comments, which quote the data manual 2.3.3.
In doubt: when inside the line before the scan for a line falls is not published; by default it counts as the line
begins, and what was changed by then has moved its sprites. Lines outside the picture, where settings let them count, do
so at the end of the last line inside, with F.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, ClassVar

from simkit.contract import BYTE, NEVER, Shape, blob, many, row, whole
from simkit_cards.tile_video.inside import addressed
from simkit_cards.tile_video.raster import TICKS_PER_DOT, Raster, rising
from simkit_cards.tile_video.sprites import ALL_LINES, END_OF_LIST, Selection, Shapes, may_overlap, overlap, select
from simkit_cards.tile_video.tables import ACTIVE_DOTS, ACTIVE_LINES, Tables

_ALL = ACTIVE_LINES * ACTIVE_DOTS

COINCIDENCE = ("on screen", "left and right too", "everywhere")
"""Where sprites collide: parts on the picture; beside it as well; above and below it as well."""


class Status:
    """Bits of the status register, plain integers because they go to the bus. [PG] 5.2."""

    F = 0x80  # frame: the last active line has been drawn
    S5 = 0x40  # "5S": a fifth sprite on a line
    C = 0x20  # coincidence
    FSN = 0x1F  # fifth-sprite number


class StatusFlags:
    """The flags, brought up to date on demand.

    Call `fix` before memory or registers that sprites depend on change, `catch_up` before a read, `finish_frame` at the
    end of a frame. What changes while a line is drawn moves sprites from the next line on: the line's own were chosen
    and fetched before.

    Args:
        raster: where the beam is.
        memory: video memory as in the chips.
        coincidence: one of COINCIDENCE.
        scan_dots: dots before a line at which its sprites are counted.
        scan_end: line after the last one whose sprites are counted.

    Attributes:
        value: the register's byte as of the last catch-up.
        position: dots of the frame whose sprites were looked at for coincidence, line * 256 + dot.
        scanned: lines of the frame whose sprites were counted.
        fixed: for lines begun before the last change, the dots where their sprites meet; bit 255 is dot 0.
    """

    SAVED: ClassVar[Mapping[str, Shape]] = {
        "status": BYTE,
        "position": whole(0, _ALL),
        "scanned": whole(0, ACTIVE_LINES),
        "fixed": many(row(whole(0, ACTIVE_LINES - 1), blob(ACTIVE_DOTS // 8))).that(rising, "do not rise"),
    }
    """Shapes of what `save` gives."""

    def __init__(
        self, raster: Raster, memory: bytearray, coincidence: str, scan_dots: int, scan_end: int = ACTIVE_LINES
    ) -> None:
        self.value = 0
        self._raster = raster
        self._memory = memory
        self._beside = coincidence != COINCIDENCE[0]
        self._end = ALL_LINES if coincidence == COINCIDENCE[2] else ACTIVE_LINES  # line after the last that can set C
        self._scan_ticks = scan_dots * TICKS_PER_DOT
        self._scan_end = scan_end
        self.position = 0
        self.scanned = 0
        self.fixed: dict[int, int] = {}
        self._shapes: Shapes | None = None
        self._selection: Selection | None = None
        self._meetings: list[tuple[int, int]] | None = None  # (line, dots that meet), lines in order
        self._seen: bytes | bytearray = memory

    def start_frame(self) -> None:
        """A frame begins: nothing of it has been drawn."""
        self.position = self.scanned = 0
        if self.fixed:
            self.fixed = {}
            self._meetings = None

    def fix(self, tick: int, frame: int, tables: Tables) -> None:
        """Catch up: at `tick` memory or registers that sprites depend on are going to change."""
        self.catch_up(tick, frame, tables)
        under_way = range(self.position // ACTIVE_DOTS, self.scanned)
        self.fixed = {line: self._meeting_on(line, tables) for line in under_way}
        self._selection = None
        self._meetings = None

    def catch_up(self, tick: int, frame: int, tables: Tables) -> None:
        """Take into account what was drawn up to `tick`."""
        drawn = self._raster.drawn(tick, frame)
        begun = drawn if not self._scan_ticks else self._raster.drawn(tick + self._scan_ticks, frame)
        self._move_to(drawn, -(-begun // ACTIVE_DOTS), tables)

    def finish_frame(self, tables: Tables, *, set_flag: bool) -> None:
        """Take the rest of the frame into account and set F; the next frame begins."""
        self._move_to(self._end * ACTIVE_DOTS, self._scan_end, tables)
        if set_flag:
            self.value |= Status.F
        self.start_frame()

    def sprites(self, tables: Tables) -> int:
        """Number of sprites before the end of the list."""
        if not tables.sprites_on:
            return 0
        last = self._choose(tables).last
        return last + (self._seen[tables.sprites + last * 4] != END_OF_LIST)

    def clear(self) -> None:
        """A status read or a reset clears F, 5S and C; the number stays. [PG] 5.2.1 to 5.2.3."""
        self.value &= Status.FSN

    def _move_to(self, position: int, scanned: int, tables: Tables) -> None:
        start, first = self.position, self.scanned
        self.position, self.scanned = max(start, position), max(first, scanned)
        if not tables.sprites_on:
            return
        if scanned > first and not self.value & Status.S5:
            self._scan_lines(first, scanned, tables)
        if position > start and not self.value & Status.C and self._first_meeting(start, position, tables) is not None:
            self.value |= Status.C

    def _scan_lines(self, first: int, end: int, tables: Tables) -> None:
        """Scan lines first .. end-1. [YOUNG] 4.3, [PARTS]."""
        selection = self._choose(tables)
        number = selection.last
        for segment in selection.segments:
            if segment.fifth < 0 or segment.end <= first:
                continue
            if segment.first >= end:
                break
            if not self.value & Status.F:
                self.value = self.value & ~Status.FSN | segment.fifth | Status.S5
                return
            if segment.end >= end:
                number = segment.fifth  # F is set: not kept, but the scan of the last line stopped there
        self.value = self.value & ~Status.FSN | number

    def _choose(self, tables: Tables) -> Selection:
        if self._selection is None:
            self._seen = self._memory if tables.k16 else addressed(self._memory)
            attributes = self._seen[tables.sprites : tables.sprites + 128]
            self._selection = select(attributes, tables.sprite_lines, max(self._end, self._scan_end))
        return self._selection

    def _first_meeting(self, start: int, end: int, tables: Tables) -> int | None:
        """First position in start .. end-1 where two sprites meet, or None."""
        if self._meetings is None:
            self._meetings = self._find_meetings(tables)
        for line, dots in self._meetings:
            base = line * ACTIVE_DOTS
            if base + ACTIVE_DOTS <= start:
                continue
            if base >= end:
                break
            if start > base:
                dots &= (1 << ACTIVE_DOTS - (start - base)) - 1
            if dots:
                first = base + ACTIVE_DOTS - dots.bit_length()
                if first < end:
                    return first
        return None

    def _find_meetings(self, tables: Tables) -> list[tuple[int, int]]:
        selection = self._choose(tables)
        memory = self._seen
        attributes = memory[tables.sprites : tables.sprites + 128]
        meetings = [(line, dots) for line, dots in self.fixed.items() if dots]
        for segment in selection.segments:
            if len(segment.shown) > 1 and may_overlap(attributes, segment.shown, tables.sprite_lines):
                if self._shapes is None:
                    self._shapes = Shapes()
                for line in range(segment.first, min(segment.end, self._end)):
                    if line in self.fixed:
                        continue
                    dots = overlap(memory, tables, self._shapes, segment.shown, line, self._beside)
                    if dots:
                        meetings.append((line, dots))
        return sorted(meetings)

    def _meeting_on(self, line: int, tables: Tables) -> int:
        """Dots of a line where sprites meet."""
        if line in self.fixed:
            return self.fixed[line]
        if not tables.sprites_on:
            return 0
        if self._meetings is not None:
            return dict(self._meetings).get(line, 0)
        if self._shapes is None:
            self._shapes = Shapes()
        for segment in self._choose(tables).segments:
            if segment.first <= line < segment.end and len(segment.shown) > 1:
                return overlap(self._seen, tables, self._shapes, segment.shown, line, self._beside)
        return 0

    def steady_until(self, frame: int, tables: Tables) -> int:
        """Tick before which a read without effect gives the same byte, within the frame under way; NEVER for all of it.

        The caller has caught up and found F, 5S and C clear.
        """
        if not tables.sprites_on:
            return NEVER
        selection = self._choose(tables)
        soonest = NEVER
        line = ACTIVE_LINES if self.value & Status.FSN == selection.last else self.scanned
        for segment in selection.segments:
            if segment.fifth >= 0 and segment.end > self.scanned:
                line = min(line, max(segment.first, self.scanned))
                break
        if line < ACTIVE_LINES:
            soonest = self._raster.tick_of(line * ACTIVE_DOTS, frame) - self._scan_ticks
        meeting = self._first_meeting(self.position, _ALL, tables)
        if meeting is not None:
            soonest = min(soonest, self._raster.tick_of(meeting, frame))
        return soonest

    def save(self) -> dict[str, Any]:
        """Flags, how far the frame has been looked at, and what of `fixed` still counts: line, its dots as 32 bytes."""
        first = self.position // ACTIVE_DOTS
        under_way = [[line, dots.to_bytes(ACTIVE_DOTS // 8)] for line, dots in self.fixed.items() if line >= first]
        return {"status": self.value, "position": self.position, "scanned": self.scanned, "fixed": under_way}

    def load(self, value: int, position: int, scanned: int, under_way: Iterable[tuple[int, bytes]] = ()) -> None:
        """Take back what `save` gave."""
        self.value, self.position, self.scanned = value, position, scanned
        self.fixed = {line: int.from_bytes(dots) for line, dots in under_way}
        self._selection = None
        self._meetings = None
