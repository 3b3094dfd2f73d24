"""Tile-video card round a chip of the 9918A family: 16 KB of video memory behind two ports, one interrupt output.

Faithful to: TMS9918A, TMS9928A (60 Hz), TMS9929A (50 Hz); setting `part`.
Changes while a line is drawn: register 7 counts from the next dot, in the border too, registers 0 to 6 from the next
cell, memory for the whole line; sprites follow in the next line (`picture`, `sweep`).
Left out: memory written inside a line counting from the next cell alone, the picture of an external video source (its
bit is decoded; what lies behind shows as colour 0), decay of dynamic memory in 4K addressing or in reset; of parts in
its place what they add to it, and registers that act a line or a frame late.

Sources:
    [PG] Texas Instruments, Video Display Processors Programmer's Guide, 1984: chapters 3 to 9, appendices A to C.
    [YOUNG] S. Young, TMS9918A VDP, almost complete description including undocumented features, 0.4.2, 2002.
    [F18A] M. Hagerty, F18A FPGA replacement: version history and comments, which quote the data manual; tests on parts.
The other modules of this folder name theirs beside each figure. Where sources disagree a setting chooses; each says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from itertools import count
from operator import lt, sub
from typing import Any, ClassVar

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
    Drive,
    PinSpec,
    Register,
    ScreenPort,
    Slot,
    blob,
    load_data,
    many,
    remembers,
    row,
    saved,
    whole,
)
from simkit_cards.tile_video.access import PortState, What, outcome_words
from simkit_cards.tile_video.board import MemoryWires, picture_faults
from simkit_cards.tile_video.colours import BLACK, GREY, palette
from simkit_cards.tile_video.inside import addressed
from simkit_cards.tile_video.pacing import SOCKET, Pacing
from simkit_cards.tile_video.picture import Picture
from simkit_cards.tile_video.raster import DOTS_PER_LINE, LINES, TICKS_PER_DOT, Raster, margins
from simkit_cards.tile_video.rules import PAIR_US, Rules
from simkit_cards.tile_video.settings import TileVideoSettings
from simkit_cards.tile_video.status import Status, StatusFlags
from simkit_cards.tile_video.sweep import Sweep
from simkit_cards.tile_video.tables import (
    ACTIVE_DOTS,
    ACTIVE_LINES,
    COLOURS,
    R1,
    VRAM_BYTES,
    cell_of_4k,
    cells_of_4k,
    decode,
)
from simkit_cards.tile_video.words import inside_words, screen_text

DATA = 0
CONTROL = 1
"""Offsets: the MODE pin is the card's A0."""

_SPRITE_REGISTERS = (0, 1, 5, 6)

_NOTHING, _WRITE, _READ = What  # looked up once: block uploads ask for each byte

ROUNDING_US = 5e-7
"""A gap this much shorter than a limit still counts as the limit: gaps are products of fractions. Arithmetic"""

PIXEL_ASPECT = {262: Fraction(8, 7), 313: Fraction(295, 215)}
"""Width by height of a dot on a 4:3 screen: square dots come at 135/22 MHz (60 Hz) and 7.375 MHz (50 Hz), from memory,
against 5.3693 MHz here; 50 Hz rounded to 295/215."""
SHORTEST_POLL_CYCLES = 4
"""Cycles between two reads of a register that follow one another: LDA absolute. Arithmetic."""


def _in_palette(pixels: bytes) -> bool:
    return not pixels.translate(None, bytes(range(16)))


def _rise(places: list[tuple[int, Any]]) -> bool:
    numbers = [number for number, _ in places]
    return all(map(lt, numbers, numbers[1:]))


def _rise_from_0(places: list[tuple[int, Any]]) -> bool:
    return bool(places) and places[0][0] == 0 and _rise(places)


@remembers
class TileVideo(Card):
    """Shows tiles and sprites from its own memory; the program reaches that through two ports."""

    kind: ClassVar[str] = "tile-video"
    model: ClassVar[int] = 2  # sprites follow a line later, registers act from the next cell or dot, border by dots
    Settings: ClassVar[type] = TileVideoSettings
    faithful_to: ClassVar[str] = "TMS9918A, TMS9928A, TMS9929A"

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

    @classmethod
    def registers(cls, settings: TileVideoSettings) -> tuple[Register, ...]:
        """The two ports. [PG] table 3-1."""
        fsn = tuple(f"FSN{bit}" for bit in range(5))
        return (
            Register(
                DATA,
                "data",
                "rw",
                help="reads what was read ahead; what is written counts for the line being drawn, sprites follow later",
                read_effect="fetches ahead at the address counter, which steps, and ends a control pair begun",
                write_effect="goes to memory at the address counter, which steps, and ends a control pair begun",
                writes_wait=settings.write_data == "end of strobe",  # else it takes what the bus held a cycle before
            ),
            Register(
                CONTROL,
                "status",
                "r",
                bits=(*fsn, "C", "5S", "F"),
                read_effect="clears F, 5S and C, lets INT go, and ends a control pair begun",
            ),
            Register(
                CONTROL,
                "control",
                "w",
                help="pairs of bytes; register 7 counts from the next dot, others from the next cell, sprites later on",
                write_effect="sets the address counter up as the second of a pair, to read or to write, or a register",
            ),
        )

    @classmethod
    def pins(cls, settings: TileVideoSettings) -> tuple[PinSpec, ...]:
        """INT, low while F and IE are set. [PG] 5.2.1."""
        gate = settings.interrupt_output == "open-drain gate"
        drive = Drive.OPEN_DRAIN if gate else Drive.PUSH_PULL
        return (PinSpec(name="INT", drive=drive, help="frame interrupt, active low"),)

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
            blank=1,
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
        colours = settings.colours
        if self._faults:
            colours = GREY if "video-colour-lost" in self._faults else BLACK
        slot.port(
            ScreenPort(
                name="screen",
                width=ACTIVE_DOTS,
                height=ACTIVE_LINES,
                pixels=self._pixels,
                border=self._border,
                text=self._text,
                palette=palette(colours),
                margins=borders,
                frame_cycles=Fraction(lines * DOTS_PER_LINE * TICKS_PER_DOT) * slot.clock_hz / settings.crystal_hz,
                frames=self._frames,
                pixel_aspect=PIXEL_ASPECT[lines],
                blank_index=1,
            )
        )

    # life -----------------------------------------------------------------------------------------------------------

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

    def reset(self, asserted: bool, cycle: int) -> None:
        """RESET pin: registers 0 and 1, flags, flip-flop clear; memory stays. Data manual 2.1.7, quoted by [F18A]."""
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

    # memory ---------------------------------------------------------------------------------------------------------

    def _cell(self, address: int) -> int:
        return address if self._tables.k16 else cell_of_4k(address)

    def _ask(self, what: What, value: int, edge: int, cycle: int) -> None:
        """Ask for an access to memory, which takes place at the next window; tell when it comes too soon."""
        ports = self._ports
        gap_us = (cycle - ports.asked_cycle) * self._cycle_us
        need_us = ports.need_tenths / 10
        older = ports.waiting
        if older and self._replaced and what == _WRITE:
            self._commit()  # it takes writes at any time
            older = _NOTHING
        if older and self._both_kept:
            self._commit()
        lost = ports.ask(what, value, cycle, edge, self._pacing, self.settings.too_soon)
        if self._replaced and older:
            self._rules.fetch_not_ready(cycle, self.settings.fetch_ns)
        elif 0 < gap_us < need_us - ROUNDING_US and (older or self.settings.pacing == "worst case"):
            line, _ = self._raster.beam(edge)
            where = f"{self._tables.mode.words}, line {line}" if self._tables.on else "display off"
            outcome = outcome_words(older, what, lost, self.settings.too_soon)
            if self._pacing.doubtful(gap_us):
                outcome = "The maker's table has 3.5 us here, and so has this model; users needed 8."
            self._rules.too_soon(cycle, gap_us, need_us, where, outcome)

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

    # ports ----------------------------------------------------------------------------------------------------------

    def peek(self, offset: int, cycle: int) -> int:
        """Status as of the start of the cycle; the read-ahead byte as of its end, when the strobe rises."""
        held = self.settled.get(offset)
        if held is not None and cycle < held[1]:
            return held[0]
        self.advance(cycle)
        if offset == CONTROL:
            self._status.catch_up(self._crystal.ticks_at(cycle), self._frame, self._tables)
            value = self._status.value
            self.settled[CONTROL] = value, self._status_until(cycle)
            return value
        ports = self._ports
        if ports.waiting == What.READ and ports.done_tick <= self._crystal.ticks_at(cycle + 1):
            return self._memory[self._cell(ports.target)]
        return ports.ahead

    def _status_until(self, cycle: int) -> int:
        """Cycle before which nothing is drawn that sets a flag or moves the number; `cycle` while a flag is set.

        The status has been caught up to `cycle`.
        """
        if self._status.value & ~Status.FSN or self._end_tick == NEVER or self._ports.waiting == _WRITE:
            return cycle
        tick = min(self._end_tick, self._status.steady_until(self._frame, self._tables))
        return self._crystal.first_cycle_at(tick)

    def _strobe(self, offset: int, cycle: int, *, is_write: bool) -> None:
        """What every access has in common."""
        ports = self._ports
        if self._narrow:
            self._rules.strobe(cycle, is_write=is_write)
        gap = cycle - ports.strobe_cycle
        first_byte_cycle, ports.strobe_cycle = ports.strobe_cycle, cycle
        if not gap:
            self._rules.both_strobes(cycle)
        elif is_write and ports.spare_cycle == cycle - 1 and ports.spare_offset == offset:
            self._rules.dummy_read(cycle, offset)
        elif offset == CONTROL and gap < self._pair_cycles:
            self._rules.pair_too_soon(cycle, gap * self._cycle_us)
        if ports.second and not (is_write and offset == CONTROL):
            self._rules.pair_broken(cycle, "Status read" if offset == CONTROL else "Data port used", first_byte_cycle)
            ports.second = False
        if offset == DATA and not ports.address_valid:
            self._rules.address_used(cycle)

    def read(self, offset: int, cycle: int) -> int:
        """Read status, or the byte read ahead, which fetches the next one. [PG] 5.2, [YOUNG] 2.1, 2.3."""
        value = self.peek(offset, cycle)
        self._strobe(offset, cycle, is_write=False)
        if self.slot.spare:
            self._ports.spare_cycle, self._ports.spare_offset = cycle, offset
        if offset == CONTROL:
            if value & ~Status.FSN:
                self.settled.clear()
                self._status.clear()
            self._unanswered = 0
            self._rules.status_read()
            if self._races:
                self._lose_flags(value, cycle)
            if self._status.value != value:
                self._drive_interrupt(cycle)
        else:
            self.settled.clear()
            edge = self._crystal.ticks_at(cycle + 1)
            self._settle(edge)
            self._ask(_READ, 0, edge, cycle)
        return value

    def _lose_flags(self, value: int, cycle: int) -> None:
        """A status read in the cycle in which F or C is set may lose it. [F18A] v1.5, v1.9."""
        ending = self._crystal.first_cycle_at(self._end_tick) == cycle + 1
        if ending and self.slot.chance("status read as F is set", cycle) < 0.5:
            self._flag_lost = True
            self._rules.flag_lost(cycle, "F", "this frame is missed. Use the interrupt instead of polling.")
        self._status.catch_up(self._crystal.ticks_at(cycle + 1), self._frame, self._tables)
        meeting = self._status.value & ~value & Status.C
        if meeting and self.slot.chance("status read as C is set", cycle) < 0.5:
            self._status.value &= ~Status.C
            self._rules.flag_lost(cycle, "C", "this meeting of sprites is missed. Leave a pause between polls.")

    def write(self, offset: int, value: int, cycle: int) -> None:
        """Write to memory through the data port, or one byte of a control pair. [PG] tables 4-1 to 4-4."""
        self.settled.clear()
        self._strobe(offset, cycle, is_write=True)
        edge = self._crystal.ticks_at(cycle + 1)  # when the strobe ends
        self._settle(edge)
        ports = self._ports
        if self._takes_early:
            value = self.slot.data_before
        if offset == DATA:
            if not self._tables.k16:
                self._rules.memory_written(cycle)
            self._ask(_WRITE, value, edge, cycle)
            ports.ahead = value
        elif not ports.second:
            ports.first_byte(value, at_once=self.settings.first_byte == "at once")
        else:
            ports.second_byte(value)
            self._rules.address_set()
            ports.address_valid = not value & 0x80
            if value & 0x80:
                self._write_register(value, cycle, edge)
            elif not value & 0x40:
                self._ask(_READ, 0, edge, cycle)

    def write_late(self, offset: int, values: bytes, cycles: Sequence[int], before: bytes) -> None:
        """Bytes for memory that come slowly enough all go in at once."""
        super().write_late(offset, values[:1], cycles[:1], before[:1])
        if len(values) > 1 and not self._takes_block(values[1:], cycles):
            super().write_late(offset, values[1:], cycles[1:], before[1:])

    def _takes_block(self, values: bytes, cycles: Sequence[int]) -> bool:
        """Take writes to the data port that follow one that was just made, if nothing can happen between them.

        Each finds the one before it done, and no frame ends.

        Args:
            values: the bytes.
            cycles: cycle of the write before, then of each.
        """
        ports, tables, ticks_at = self._ports, self._tables, self._crystal.ticks_at
        start, end = ports.target, ports.target + len(values)
        last_edge = ticks_at(cycles[-1] + 1)
        plain = self._wires.straight and not (self._takes_early or self._narrow)
        in_time = last_edge < self._end_tick and end < VRAM_BYTES
        if not (plain and in_time and ports.waiting and ports.address_valid):
            return False
        if min(map(sub, cycles[1:], cycles)) * self._cycle_us < self._pacing.longest_us:
            return False
        going_in = bytes((ports.value,)) + values[:-1]  # the last byte waits for its window, as any does
        cells: Sequence[int] = range(start, end) if tables.k16 else cells_of_4k()[start:end]
        memory, written = self._memory, self._written
        if not tables.k16 or memory[start:end] != going_in:
            for target, cell, value, cycle in zip(range(start, end), cells, going_in, cycles, strict=False):
                if memory[cell] != value:
                    done = self._pacing.times(ticks_at(cycle + 1))[0]
                    self._store(cell, value, done, sprites=tables.makes_sprites(target))
                written[cell] = 1
        else:
            written[start:end] = b"\1" * len(going_in)
        ports.address = end + 1 & VRAM_BYTES - 1
        ports.target, ports.value, ports.ahead = end, values[-1], values[-1]
        ports.strobe_cycle = ports.asked_cycle = cycles[-1]
        ports.done_tick, ports.need_tenths = self._pacing.times(last_edge)
        return True

    def unfinished(self) -> str:
        """A control pair after its first byte."""
        return "a control pair" if self._ports.second else ""

    def _write_register(self, byte: int, cycle: int, edge: int) -> None:
        if byte & 0x78:
            self._rules.register_number(cycle, byte)
        self._set_once |= 1 << (byte & 7)
        enabled = self._registers[1] & R1.IE
        self._set_register(byte & 7, self._ports.latch, edge)
        if self._registers[1] & R1.IE and not enabled and self._status.value & Status.F:
            self._rules.interrupt_enabled(cycle)
        self._drive_interrupt(cycle)

    def steady_until(self, offset: int, cycle: int) -> int:
        """A status read with nothing to clear has no effect; F, 5S, C and the number stay until something is drawn."""
        if offset != CONTROL or self._ports.second:
            return cycle
        if SHORTEST_POLL_CYCLES * self._cycle_us < PAIR_US:  # each poll may come too soon after the one before
            return cycle
        self.advance(cycle)
        self._status.catch_up(self._crystal.ticks_at(cycle), self._frame, self._tables)
        steady = self._status_until(cycle)
        if self._races:  # a read in the cycle in which a flag is set may have an effect
            steady -= 1
        return max(cycle, steady)

    def words(self, cycle: int) -> list[str]:
        """Registers, tables and sprites in words, and the state of the ports."""
        self.advance(cycle)
        ports = self._ports
        line, dot = self._raster.beam(self._crystal.ticks_at(cycle))
        status = self.peek(CONTROL, cycle)
        flags = [name for name, bit in (("F", Status.F), ("5S", Status.S5), ("C", Status.C)) if status & bit]
        return [
            f"beam at line {line}, dot {dot}; frame {self._frame}",
            f"status ${status:02X}: {', '.join(flags) or 'no flag'}, sprite number {status & Status.FSN}",
            f"address ${ports.address:04X}, byte read ahead ${ports.ahead:02X}, next control byte is the "
            f"{'second' if ports.second else 'first'}",
            *([f"frames that ended with INT low, status unread: {self._unanswered}"] if self._unanswered else []),
            *self._faults.values(),
            *inside_words(self._addressed(), self._registers, self._set_once),
        ]

    # screen ---------------------------------------------------------------------------------------------------------

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

    def look(self, cycle: int) -> tuple[bytes, bytes]:
        """Video memory as the chip addresses it now, and the eight registers; for inspection."""
        self.advance(cycle)
        return bytes(self._addressed()), bytes(self._registers)

    def _addressed(self) -> bytearray:
        return self._memory if self._tables.k16 else addressed(self._memory)

    # snapshot -------------------------------------------------------------------------------------------------------

    def save(self, cycle: int) -> dict[str, Any]:
        """Everything, with the last whole frame and the changes made since."""
        state = super().save(cycle)
        if not self._ports.waiting:  # what a finished access left behind means nothing
            state["ports"].update(target=0, value=0, done_tick=0)
        status, picture = self._status, self._picture
        status.catch_up(self._crystal.ticks_at(cycle), self._frame, self._tables)
        return {
            **state,
            "said": sorted(self._rules.said),
            "raster_start": self._raster.start,
            "held": self._end_tick == NEVER,
            "status": status.value,
            "position": status.position,
            "scanned": status.scanned,
            "fixed": [list(line) for line in status.under_way()],
            "pixels": picture.pixels(),  # which also moves on what stands below
            "frame_inks": [list(run) for run in picture.runs],
            "frame_memory": bytes(picture.inside.memory),
            "frame_registers": list(picture.inside.registers),
            "journal": [list(change) for change in picture.journal],
        }

    def load(self, state: dict[str, Any]) -> None:
        """Take back what `save` gave."""
        also = load_data(
            self,
            state,
            said=many(TEXT),
            raster_start=MOMENT,
            held=FLAG,
            status=BYTE,
            position=whole(0, ACTIVE_DOTS * ACTIVE_LINES),
            scanned=whole(0, ACTIVE_LINES),
            fixed=many(row(whole(0, ACTIVE_LINES - 1), blob(ACTIVE_DOTS // 8))).that(_rise, "do not rise"),
            frame_inks=many(row(whole(0, self._sweep.size - 1), BYTE)).that(_rise_from_0, "do not rise from 0"),
            pixels=blob(ACTIVE_DOTS * ACTIVE_LINES).that(_in_palette, "hold colours above 15"),
            frame_memory=blob(VRAM_BYTES),
            frame_registers=many(BYTE, 8),
            journal=many(row(MOMENT, whole(-8, VRAM_BYTES - 1), BYTE)),
        )
        self._rules.said = set(also["said"])
        self._raster.start = also["raster_start"]
        self._end_tick = NEVER if also["held"] else self._raster.end_tick(self._frame)
        self._pacing.start_frame(self._frame)
        self._status.load(also["status"], also["position"], also["scanned"], also["fixed"])
        self._set_tables()
        self.forget()
        self._picture.start(
            also["frame_memory"], bytes(also["frame_registers"]), also["pixels"], tuple(also["frame_inks"])
        )
        self._picture.journal = also["journal"]
