"""A chip of the 9918A family as it goes on while no program looks: frames, memory, registers, interrupt, screen.

Sources:
    [PG] Texas Instruments, Video Display Processors Programmer's Guide, 1984: chapters 3 to 9, appendices A to C.
    [PARTS] M. Hagerty, measurements on parts: version history and comments, which quote the data manual.
"""

from __future__ import annotations

from fractions import Fraction
from itertools import count
from typing import Any

from simkit.contract import (
    BUFFER,
    BYTE,
    COUNT,
    CYCLE,
    FLAG,
    MOMENT,
    NEVER,
    PART,
    TEXT,
    BorderRuns,
    Card,
    Slot,
    load_data,
    many,
    remembers,
    saved,
)
from simkit_cards.tile_video.access import PortState, What
from simkit_cards.tile_video.board import MemoryWires, picture_faults
from simkit_cards.tile_video.colours import BLACK, GREY, palette
from simkit_cards.tile_video.inside import addressed
from simkit_cards.tile_video.pacing import SOCKET, Pacing
from simkit_cards.tile_video.picture import Picture
from simkit_cards.tile_video.raster import LINES, TICKS_PER_DOT, Raster, margins
from simkit_cards.tile_video.rules import PAIR_US, Rules
from simkit_cards.tile_video.screen import BLANK, Screen
from simkit_cards.tile_video.settings import TileVideoSettings
from simkit_cards.tile_video.status import Status, StatusFlags
from simkit_cards.tile_video.sweep import Sweep
from simkit_cards.tile_video.tables import COLOURS, R1, VRAM_BYTES, cell_of_4k, decode
from simkit_cards.tile_video.words import screen_text

_SPRITE_REGISTERS = (0, 1, 5, 6)

_NOTHING, _, _READ = What  # looked up once: block uploads ask for each byte

ROUNDING_US = 5e-7
"""A gap this much shorter than a limit still counts as the limit: gaps are products of fractions. Arithmetic"""


@remembers
class Chip(Card):
    """Memory, registers and raster: everything but the two ports, through which `card.py` has a program reach them."""

    _memory: bytearray = saved(BUFFER)
    _registers: bytearray = saved(many(BYTE, 8).into(bytearray))
    _written: bytearray = saved(BUFFER)  # 1 for each cell the program has written
    _set_once: int = saved(BYTE, 0)  # bit n: the program has written register n
    _ports: PortState = saved(PART)
    # A status read hit the moment in which F is set at the end of this frame.
    _flag_lost: bool = saved(FLAG, False)
    # Frames that ended with INT still low from the one before, since the last status read.
    _unanswered: int = saved(COUNT, 0)
    _reset_cycle: int = saved(CYCLE, 0)  # when RESET went low
    # The display was switched on: look for memory never written when the frame ends.
    _check_memory: bool = saved(FLAG, False)
    _frame: int = saved(COUNT, 0)  # frame under way

    def __init__(self, settings: TileVideoSettings, slot: Slot) -> None:
        super().__init__(settings, slot)
        lines = LINES[settings.part]
        self._crystal = slot.crystal(Fraction(settings.crystal_hz))
        self._raster = Raster(lines, settings.flag_dot)
        self._replaced = settings.socket != SOCKET[0]
        self._pacing = Pacing(
            self._raster,
            settings.window_phase,
            slow_multicolor=settings.multicolor_wait == "8 us",
            tell_multicolor=settings.multicolor_told == "under 8 us",
            replaced=self._replaced,
            fetch_ns=settings.fetch_ns if settings.socket == "microcontroller" else 0,
        )
        borders = margins(lines, settings.top_border_50_hz)
        self._sweep = Sweep(self._raster, borders)
        self._picture = Picture(
            settings.text_left,
            blank=BLANK,
            low_left=settings.multicolor_left == "low half",
            sweep=self._sweep,
            scan_ticks=settings.sprite_scan_dots * TICKS_PER_DOT,
        )
        self._memory = bytearray(VRAM_BYTES)
        self._written = bytearray(VRAM_BYTES)
        self._status = StatusFlags(
            self._raster,
            self._memory,
            settings.coincidence,
            settings.sprite_scan_dots,
            settings.last_counted_line + 1,
        )
        self._wires = MemoryWires(settings.memory_address, settings.memory_open_line, settings.memory_read_data)
        self._faults = picture_faults(settings.part, settings.crystal_hz, settings.board, settings.load_resistor)
        self._rules = Rules(slot, settings.strobe_ns or float(500_000_000 / slot.clock_hz), replaced=self._replaced)
        self._narrow = self._rules.narrow_strobes
        self._takes_early = settings.write_data == "start of strobe"
        self._both_kept = settings.too_soon == "both kept"
        self._cycle_us = float(1_000_000 / slot.clock_hz)
        self._pair_cycles = next(n for n in count(1) if n * self._cycle_us >= PAIR_US - ROUNDING_US)
        self._races = settings.poll_race == "on"
        self._registers = bytearray(8)
        self._ports = PortState()
        self._end_tick = NEVER
        self._set_tables()
        seen = "colour"
        if self._faults:
            seen = GREY if "video-colour-lost" in self._faults else BLACK
        screen = Screen(pixels=self._pixels, border=self._border, text=self._text, frames=self._frames)
        colours = palette(settings.colours, seen)
        slot.port(screen.port(lines, borders, colours, Fraction(slot.clock_hz) / settings.crystal_hz))

    # life -------------------------------------------------------------------------------------------------------------

    def power_on(self, cycle: int) -> None:
        """Memory and registers 2 to 7 undefined, registers 0 and 1 clear; the raster starts."""
        self.settled.clear()
        noise = self.slot.noise("memory", VRAM_BYTES + 16)
        self._memory[:] = noise[:VRAM_BYTES] if self._wires.straight else self._wires.seen(noise[:VRAM_BYTES])
        self._written[:] = bytes(VRAM_BYTES)
        self._registers[:] = bytes(2) + noise[VRAM_BYTES : VRAM_BYTES + 6]
        address = int.from_bytes(noise[-4:-2]) & VRAM_BYTES - 1
        ports = self._ports = PortState()
        ports.address, ports.latch, ports.ahead = address, address & 0xFF, noise[-2]
        self._frame = self._set_once = 0
        self._flag_lost = self._check_memory = False
        self._unanswered = self._reset_cycle = 0
        self._rules.said.clear()
        self._rules.picture_faults(cycle, self._faults)
        self._status.load(noise[-1] & Status.FSN, 0, 0)
        self._set_tables()
        self._picture.start(self._memory, self._registers)
        self._start_raster(cycle)
        self._drive_interrupt(cycle)

    def left_unreset(self, cycle: int) -> None:
        """Registers 0 and 1 hold whatever they happen to hold. From memory: a sheet has values behind RESET."""
        self.settled.clear()
        tick = self._crystal.ticks_at(cycle)
        for register, value in enumerate(self.slot.noise("registers without RESET", 2)):
            self._set_register(register, value, tick)

    def reset(self, asserted: bool, cycle: int) -> None:
        """RESET pin: registers 0 and 1, flags, flip-flop clear; memory stays. Data manual 2.1.7, quoted by [PARTS]."""
        self.settled.clear()
        if not asserted:
            width_us = (cycle - self._reset_cycle) * self._cycle_us
            if 0 < width_us < self.settings.reset_us - ROUNDING_US:  # 0: power-up, RESET was low all along
                self._rules.reset_too_short(cycle, width_us, self.settings.reset_us)
            self._reset_cycle = 0
            self._start_raster(cycle)
            return
        self._reset_cycle = cycle
        self.advance(cycle)
        tick = self._crystal.ticks_at(cycle)
        self._set_register(0, 0, tick)
        self._set_register(1, 0, tick)
        self._status.clear()
        self._ports.forget()
        self._flag_lost = self._check_memory = False
        self._unanswered = 0
        self._end_tick = NEVER
        self.slot.cancel("frame")
        self._drive_interrupt(cycle)

    def _start_raster(self, cycle: int) -> None:
        """Line 0 begins; where the counters of a real chip start is not published."""
        self._raster.start = self._crystal.ticks_at(cycle) - self._frame * self._raster.frame_ticks
        self._end_tick = self._raster.end_tick(self._frame)
        self._pacing.start_frame(self._frame)
        self._status.start_frame()
        self.slot.at(self._crystal.first_cycle_at(self._end_tick), "frame")

    # frames -----------------------------------------------------------------------------------------------------------

    def advance(self, cycle: int) -> None:
        """Let a waiting access and the end of a frame happen if they are due."""
        self._settle(self._crystal.ticks_at(cycle))

    def event(self, name: str, cycle: int) -> None:
        """A frame ended: INT may fall; the next end is armed."""
        self.settled.clear()
        self.advance(cycle)
        self.slot.at(max(cycle, self._crystal.first_cycle_at(self._end_tick)), "frame")
        if self._unanswered:
            self._rules.frame_unanswered(cycle)
        if self._check_memory:
            self._check_memory = False
            self._rules.registers_never_written(cycle, self._tables, self._set_once)
            self._rules.never_written(cycle, self._tables, self._memory, self._written, self._cell)
        if self._tables.masked:
            self._rules.masked_sprites(cycle, self._status.sprites(self._tables))
        self._drive_interrupt(cycle)

    def _settle(self, tick: int) -> None:
        ports = self._ports
        while True:
            if ports.waiting and ports.done_tick <= tick and ports.done_tick <= self._end_tick:
                self._commit()
            if self._end_tick > tick:
                return
            self._finish_frame()

    def _finish_frame(self) -> None:
        if self._status.value & Status.F and self._registers[1] & R1.IE:
            self._unanswered += 1
        self._status.finish_frame(self._tables, set_flag=not self._flag_lost)
        self._flag_lost = False
        self._picture.end_frame(self._raster.start + self._frame * self._raster.frame_ticks)
        self._frame += 1
        self._end_tick = self._raster.end_tick(self._frame)
        self._pacing.start_frame(self._frame)

    def _drive_interrupt(self, cycle: int) -> None:
        asserted = self._status.value & Status.F and self._registers[1] & R1.IE
        self.slot.pin("INT").drive(not asserted, cycle)

    # memory and registers ---------------------------------------------------------------------------------------------

    def _cell(self, address: int) -> int:
        return address if self._tables.k16 else cell_of_4k(address)

    def _commit(self) -> None:
        """The waiting access takes place."""
        ports, tables, target = self._ports, self._tables, self._ports.target
        cell = target if tables.k16 else cell_of_4k(target)
        if ports.waiting == _READ:
            ports.ahead = self._memory[cell]
        elif self._wires.straight:
            if self._memory[cell] == ports.value:
                self._written[cell] = 1
            else:
                self._store(cell, ports.value, ports.done_tick, sprites=tables.makes_sprites(target))
        else:
            value = self._wires.read_back(ports.value)
            for reached in self._wires.same(cell):
                self._store(reached, value, ports.done_tick, sprites=True)
        ports.waiting = _NOTHING

    def _store(self, cell: int, value: int, tick: int, *, sprites: bool) -> None:
        self._written[cell] = 1
        if self._memory[cell] != value:
            if sprites:
                self._status.fix(tick, self._frame, self._tables)
            self._memory[cell] = value
            self._picture.journal.append((tick, cell, value))

    def _set_register(self, number: int, value: int, tick: int) -> None:
        if self._registers[number] == value:
            return
        if number in _SPRITE_REGISTERS:
            self._status.fix(tick, self._frame, self._tables)
        was_on = self._tables.on
        self._registers[number] = value
        self._picture.journal.append((tick, -1 - number, value))
        if number == COLOURS:  # written hundreds of times a frame for bars; the picture looks it up in the journal
            return
        self._set_tables()
        self._rules.register_changed()
        self._check_memory = self._tables.on and (self._check_memory or not was_on)

    def _set_tables(self) -> None:
        self._tables = decode(self._registers)
        self._pacing.set_tables(self._tables)

    def look(self, cycle: int) -> tuple[bytes, bytes]:
        """Video memory as the chip addresses it now, and the eight registers; for inspection."""
        self.advance(cycle)
        return bytes(self._addressed()), bytes(self._registers)

    def _addressed(self) -> bytearray:
        return self._memory if self._tables.k16 else addressed(self._memory)

    # screen -----------------------------------------------------------------------------------------------------------

    def _pixels(self, cycle: int) -> bytes:
        self.advance(cycle)
        return self._picture.pixels()

    def _border(self, cycle: int) -> BorderRuns:
        self._pixels(cycle)
        return self._picture.border

    def _frames(self, cycle: int) -> int:
        self.advance(cycle)
        return self._frame

    def _text(self, cycle: int) -> str:
        self.advance(cycle)
        return screen_text(self._addressed(), self._tables, self.settings.text_offset)

    # snapshot ---------------------------------------------------------------------------------------------------------

    def save(self, cycle: int) -> dict[str, Any]:
        """Everything, with the last whole frame and the changes made since."""
        state = super().save(cycle)
        if not self._ports.waiting:  # what a finished access left behind means nothing
            state["ports"].update(target=0, value=0, done_tick=0)
        self._status.catch_up(self._crystal.ticks_at(cycle), self._frame, self._tables)
        return {
            **state,
            "said": sorted(self._rules.said),
            "raster_start": self._raster.start,
            "held": self._end_tick == NEVER,
            **self._status.save(),
            **self._picture.save(),
        }

    def load(self, state: dict[str, Any]) -> None:
        """Take back what `save` gave."""
        also = load_data(
            self,
            state,
            said=many(TEXT),
            raster_start=MOMENT,
            held=FLAG,
            **StatusFlags.SAVED,
            **self._picture.saved,
        )
        self._rules.said = set(also["said"])
        self._raster.start = also["raster_start"]
        self._end_tick = NEVER if also["held"] else self._raster.end_tick(self._frame)
        self._pacing.start_frame(self._frame)
        self._status.load(also["status"], also["position"], also["scanned"], also["fixed"])
        self._set_tables()
        self.forget()
        self._picture.load(also)
