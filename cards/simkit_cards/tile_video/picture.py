"""The last whole frame, drawn only when somebody asks: a journal of changes, played when a picture is wanted.

What a change acts on, and from where (nothing of this is published to the dot; M. Hagerty, measurements on parts,
comments of its sprite block, has sprites prepared a line ahead):
    memory            the pattern plane from the line being drawn, whole
    registers 0 to 6  the pattern plane from the next cell: cells are fetched one before they are shown, from memory
    register 7        backdrop, text colour and border from the next dot, see `sweep`
    sprites           all of it from the next line: a line's sprites are chosen and fetched before it begins
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from simkit.contract import BYTE, MOMENT, Shape, blob, many, row, whole
from simkit_cards.tile_video.inside import COLOURS_CHANGED, Change, Inside
from simkit_cards.tile_video.planes import EMPTY_LINE, TEXT_COLOUR, Dots, Plane
from simkit_cards.tile_video.raster import BORDERS_60_HZ, LINES, SIDE_BORDERS, Raster, rising
from simkit_cards.tile_video.sprites import Selection, Shapes, paint, select
from simkit_cards.tile_video.sweep import Runs, Sweep, colours
from simkit_cards.tile_video.tables import ACTIVE_DOTS, ACTIVE_LINES, COLOURS, VRAM_BYTES, Mode, Tables

_PLANES_KEPT = 8
_DOTS = ACTIVE_LINES * ACTIVE_DOTS

SWEEP_60_HZ = Sweep(Raster(LINES["9918A"], ACTIVE_DOTS), (*SIDE_BORDERS, *BORDERS_60_HZ))


def _in_palette(pixels: bytes) -> bool:
    return not pixels.translate(None, bytes(range(16)))


def _rise_from_0(places: list[tuple[int, Any]]) -> bool:
    return bool(places) and places[0][0] == 0 and rising(places)


class Picture:
    """Draws frames from a journal of changes.

    The card appends to `journal` what it changes, and calls `end_frame` when a frame ends. `pixels` gives the last
    whole frame: memory and registers as they were at its start, with each change in force from where it hit.

    Args:
        text_left: dots left of the text in text modes.
        blank: colour number shown before the first frame has ended.
        low_left: see `Plane`.
        sweep: the beam's way.
        scan_ticks: crystal ticks before a line at which its sprites are fixed.

    Attributes:
        inside: memory and registers at the start of the last whole frame or, once it is drawn, at its end.
        runs: register 7 along the frame that `pixels` gave, with its border.
        border: the backdrop of it alone.
    """

    def __init__(
        self,
        text_left: int,
        blank: int,
        *,
        low_left: bool = False,
        sweep: Sweep = SWEEP_60_HZ,
        scan_ticks: int = 0,
    ) -> None:
        self._text_left = text_left
        self._blank = blank
        self._low_left = low_left
        self._sweep = sweep
        self._scan_ticks = scan_ticks
        self._dots = Dots()
        self._shapes: Shapes | None = None
        self.start(bytes(VRAM_BYTES), bytes(8))

    def start(
        self,
        memory: bytes | bytearray,
        registers: bytes | bytearray,
        pixels: bytes | None = None,
        runs: Runs | None = None,
    ) -> None:
        """Begin with this memory and these registers at the start of the frame under way."""
        self.journal: list[Change] = []
        self.inside = Inside(memory, registers)
        self._colour(((0, self._blank),) if runs is None else runs)
        self._pixels = bytes([self._blank]) * _DOTS if pixels is None else pixels
        self._pending: list[Change] | None = None  # journal of the last whole frame until it is drawn
        self._frame_start = 0
        self._still = False  # the picture shows memory and registers as they are, so no change means no drawing
        self._planes: dict[tuple[int, int, int, int, int], Plane] = {}
        self._blocks: set[int] = set()
        self._chosen = Selection((), 31)
        self._chosen_for: tuple[bytes, int] = b"", 0
        self._tints: dict[int, bytes] = {}

    def end_frame(self, start: int) -> None:
        """The frame under way, whose line 0 began at tick `start`, ends; what comes belongs to the next."""
        if self._pending is not None:
            self._apply(self._pending)
            self._still = False
        self._pending = self.journal
        self.journal = []
        self._frame_start = start

    def pixels(self) -> bytes:
        """Colour numbers of the last whole frame."""
        changes = self._pending
        if changes is not None:
            self._pending = None
            if changes or not self._still:
                self._pixels = self._draw(changes)
        return self._pixels

    def _colour(self, runs: Runs) -> None:
        self.runs, self.border = runs, colours(runs)

    def _draw(self, changes: list[Change]) -> bytes:
        start = self._frame_start
        inks = [(tick - start, value) for tick, what, value in changes if what == COLOURS_CHANGED]
        self._colour(self._sweep.runs(self.inside.registers[COLOURS], inks))
        last = changes[-1][0] - start if changes else -1
        late = Raster.sprite_line_of_change(last + self._scan_ticks) > 0
        self._still = not late and last < 0 and not inks
        sprites = Inside(self.inside.memory, self.inside.registers) if late else self.inside
        lines, shown = self._draw_plane(changes)
        if shown:
            self._draw_sprites(lines, shown, sprites, changes if late else [])
        return self._tinted(b"".join(lines))

    def _draw_plane(self, changes: list[Change]) -> tuple[list[bytes], list[tuple[int, int]]]:
        """The pattern plane's lines, and from which dot to which sprites are shown over it."""
        parts: list[bytes] = []
        shown: list[tuple[int, int]] = []
        start, line_of_change = self._frame_start, Raster.line_of_change
        done = waiting = 0
        for number, (tick, what, _) in enumerate(changes):
            if what == COLOURS_CHANGED:
                continue
            dot = line_of_change(tick - start) * ACTIVE_DOTS if what >= 0 else self._cell_of_change(tick - start)
            if dot > done:
                if waiting < number:
                    self._apply(changes[waiting:number])
                    waiting = number
                    dot = max(done, dot if what >= 0 else self._cell_of_change(tick - start))
                self._draw_dots(done, dot, parts, shown)
                done = dot
        self._apply(changes[waiting:])
        if done < _DOTS:
            self._draw_dots(done, _DOTS, parts, shown)
        if len(parts) > ACTIVE_LINES:
            whole = b"".join(parts)
            parts = [whole[first : first + ACTIVE_DOTS] for first in range(0, _DOTS, ACTIVE_DOTS)]
        return parts, shown

    def _cell_of_change(self, ticks: int) -> int:
        """First dot, counted as line * 256 + dot, of the first cell that begins at or after a moment."""
        dot = Raster.dot_of_change(ticks)
        line, column = divmod(dot, ACTIVE_DOTS)
        if not column:
            return dot
        if self.inside.tables.mode < Mode.TEXT:
            return dot + -column % 8
        return line * ACTIVE_DOTS + min(column + (self._text_left - column) % 6, ACTIVE_DOTS)

    def _draw_dots(self, first: int, end: int, parts: list[bytes], shown: list[tuple[int, int]]) -> None:
        lines = self._plane_lines(first // ACTIVE_DOTS, -(-end // ACTIVE_DOTS))
        if end % ACTIVE_DOTS:
            lines[-1] = lines[-1][: end % ACTIVE_DOTS]
        if first % ACTIVE_DOTS:
            lines[0] = lines[0][first % ACTIVE_DOTS :]
        parts += lines
        if self.inside.tables.sprites_on:
            joins = shown and shown[-1][1] == first
            shown.append((shown.pop()[0] if joins else first, end))

    def _plane_lines(self, first: int, end: int) -> list[bytes]:
        tables = self.inside.tables
        if not tables.on:
            return [EMPTY_LINE] * (end - first)
        self._forget_blocks()
        plane = self._plane(tables)
        lines: list[bytes] = []
        for cells in range(first >> 3, (end + 7) >> 3):
            lines += plane.row(cells, tables.name)
        return lines[first & 7 : (first & 7) + end - first]

    def _draw_sprites(
        self, lines: list[bytes], shown: list[tuple[int, int]], sprites: Inside, changes: list[Change]
    ) -> None:
        """Paint the sprites over the lines; `sprites` is moved on by `changes` a line later than the plane was."""
        start = self._frame_start - self._scan_ticks
        done = waiting = 0
        blocks: set[int] = set()  # of the pattern plane's concern alone
        for number, (tick, _, _) in enumerate(changes):
            line = Raster.sprite_line_of_change(tick - start)
            if line > done:
                sprites.apply(changes[waiting:number], blocks)
                waiting = number
                self._paint(lines, done, line, shown, sprites)
                done = line
        sprites.apply(changes[waiting:], blocks)
        self._paint(lines, done, ACTIVE_LINES, shown, sprites)

    def _paint(self, lines: list[bytes], first: int, end: int, shown: list[tuple[int, int]], sprites: Inside) -> None:
        """Paint lines `first` to `end` - 1 where sprites are shown."""
        tables = sprites.tables
        if not tables.sprites_on:
            return
        if self._shapes is None:
            self._shapes = Shapes()
        chosen = self._choose(sprites)
        for first_dot, end_dot in shown:
            top, bottom = max(first, first_dot // ACTIVE_DOTS), min(end, -(-end_dot // ACTIVE_DOTS))
            if top >= bottom:
                continue
            painted = lines[top:bottom]
            paint(painted, top, sprites.addressed, tables, self._shapes, chosen)
            cut = end_dot - (bottom - 1) * ACTIVE_DOTS
            if cut < ACTIVE_DOTS:
                painted[-1] = painted[-1][:cut] + lines[bottom - 1][cut:]
            cut = first_dot - top * ACTIVE_DOTS
            if cut > 0:
                painted[0] = lines[top][:cut] + painted[0][cut:]
            lines[top:bottom] = painted

    def _choose(self, sprites: Inside) -> Selection:
        """Sprites of each line; chosen again only when attributes or height differ from the last time."""
        tables = sprites.tables
        key = bytes(sprites.addressed[tables.sprites : tables.sprites + 128]), tables.sprite_lines
        if key != self._chosen_for:
            self._chosen_for = key
            self._chosen = select(*key)
        return self._chosen

    def _tinted(self, dots: bytes) -> bytes:
        """Backdrop and text colour put in, as register 7 held them where each dot was drawn."""
        if len(self.runs) == 1:
            return dots.translate(self._tint(self.runs[0][1]))
        places = [self._sweep.active_dot(position) for position, _ in self.runs] + [_DOTS]
        spans = zip(places, places[1:], self.runs, strict=False)
        return b"".join([dots[first:end].translate(self._tint(ink)) for first, end, (_, ink) in spans if end > first])

    def _tint(self, ink: int) -> bytes:
        found = self._tints.get(ink)
        if found is None:
            table = bytearray(range(256))
            table[0] = ink & 0x0F
            table[TEXT_COLOUR] = ink >> 4 or ink & 0x0F
            found = self._tints[ink] = bytes(table)
        return found

    def _plane(self, tables: Tables) -> Plane:
        key = Plane.key(tables)
        plane = self._planes.get(key)
        if plane is None:
            if len(self._planes) >= _PLANES_KEPT:
                del self._planes[next(iter(self._planes))]
            plane = self._planes[key] = Plane(
                tables, self.inside.addressed, self._dots, self._text_left, low_left=self._low_left
            )
        return plane

    def _forget_blocks(self) -> None:
        if self._blocks:
            for plane in self._planes.values():
                plane.forget(self._blocks)
            self._blocks.clear()

    def _apply(self, changes: list[Change]) -> None:
        if self.inside.apply(changes, self._blocks):
            self._planes.clear()
            self._blocks.clear()

    # state ----------------------------------------------------------------------------------------------------------

    @property
    def saved(self) -> dict[str, Shape]:
        """Shapes of what `save` gives."""
        return {
            "pixels": blob(_DOTS).that(_in_palette, "hold colours above 15"),
            "frame_inks": many(row(whole(0, self._sweep.size - 1), BYTE)).that(_rise_from_0, "do not rise from 0"),
            "frame_memory": blob(VRAM_BYTES),
            "frame_registers": many(BYTE, 8),
            "journal": many(row(MOMENT, whole(-8, VRAM_BYTES - 1), BYTE)),
        }

    def save(self) -> dict[str, Any]:
        """The last whole frame, and the changes made since."""
        return {
            "pixels": self.pixels(),  # which also moves on what stands below
            "frame_inks": [list(run) for run in self.runs],
            "frame_memory": bytes(self.inside.memory),
            "frame_registers": list(self.inside.registers),
            "journal": [list(change) for change in self.journal],
        }

    def load(self, state: Mapping[str, Any]) -> None:
        """Take back what `save` gave, its shapes checked."""
        registers, runs = bytes(state["frame_registers"]), tuple(state["frame_inks"])
        self.start(state["frame_memory"], registers, state["pixels"], runs)
        self.journal = state["journal"]
