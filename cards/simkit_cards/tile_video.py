"""Tile-video card round a chip of the 9918A family: 16 KB of video memory behind two ports, one interrupt output.

Faithful to: TMS9918A, TMS9928A (60 Hz), TMS9929A (50 Hz); setting `part`.
Left out: changes inside a line (a change shows from the line being drawn, whole), the picture of an external video
source (its bit is decoded; what lies behind shows as colour 0), decay of dynamic memory in 4K addressing or in reset.

Sources:
    [PG] Texas Instruments, Video Display Processors Programmer's Guide, 1984: chapters 3 to 9, appendices A to C.
    [YOUNG] S. Young, TMS9918A VDP, almost complete description including undocumented features, 0.4.2, 2002.
    [F18A] M. Hagerty, F18A FPGA replacement: version history and comments, which quote the data manual; tests on parts.
The modules tile_video_*.py name theirs beside each figure. Where sources disagree a setting chooses; each says so.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Any, ClassVar

import attrs

from simkit.card import Card, Drive, PinSpec, Register, Slot, setting
from simkit.events import NEVER
from simkit.ports import ScreenPort
from simkit_cards.tile_video_colours import SCALES, palette
from simkit_cards.tile_video_pacing import Pacing
from simkit_cards.tile_video_picture import Picture
from simkit_cards.tile_video_raster import CRYSTAL_HZ, DOTS_PER_LINE, LINES, MARGINS, TICKS_PER_DOT, Raster
from simkit_cards.tile_video_status import Status, StatusFlags
from simkit_cards.tile_video_tables import (
    ACTIVE_DOTS,
    ACTIVE_LINES,
    R1,
    VRAM_BYTES,
    Mode,
    Tables,
    cell_of_4k,
    decode,
)

DATA = 0
CONTROL = 1
"""Offsets: the MODE pin is the card's A0."""

_ADDRESS_MASK = VRAM_BYTES - 1
_NONE, _WRITE, _READ = 0, 1, 2  # what waits for a window
_SPRITE_REGISTERS = (0, 1, 5, 6)

PIXEL_ASPECT = {262: Fraction(8, 7), 313: Fraction(295, 215)}
"""Width by height of a dot on a 4:3 screen: square dots come at 135/22 MHz (60 Hz) and 7.375 MHz (50 Hz), from memory,
against 5.3693 MHz here; 50 Hz rounded to 295/215."""


@attrs.frozen(kw_only=True)
class TileVideoSettings:
    """How this board is fitted, and what to take where the sources are in doubt."""

    part: str = setting("9918A", one_of=tuple(LINES), help="chip in the socket: 9918A and 9928A 60 Hz, 9929A 50 Hz")
    crystal_hz: int = setting(CRYSTAL_HZ, unit="Hz", low=1_000_000, high=40_000_000, help="crystal of the chip")
    interrupt_output: str = setting(
        "open-drain gate",
        one_of=("open-drain gate", "push-pull"),
        help="what drives INT: a gate on the card, or the bare chip, which drives high too and fights other cards",
    )
    colours: str = setting(
        "plain", one_of=tuple(SCALES), help="reading of the maker's colour levels (in doubt); grey: colour lost"
    )
    text_offset: int = setting(0, low=0, high=255, help="added to a name to get its ASCII code, for reading the screen")
    text_left: int = setting(6, low=0, high=16, unit="dots", help="dots left of the text; 6 from memory, 8 [YOUNG] 3.2")
    first_byte: str = setting(
        "at once",
        one_of=("at once", "with the second"),
        help="when the first control byte reaches the address counter; at once [F18A], other texts with the second",
    )
    coincidence: str = setting(
        "on screen",
        one_of=("on screen", "everywhere"),
        help="where sprites collide: on screen as parts do [F18A], or left and right of it too [PG] 5.2.2",
    )
    flag_dot: int = setting(
        ACTIVE_DOTS, low=0, high=341, unit="dots", help="dot of line 191 at which F is set; not published"
    )


class TileVideo(Card):
    """Shows tiles and sprites from its own memory; the program reaches that through two ports."""

    kind: ClassVar[str] = "tile-video"
    Settings: ClassVar[type] = TileVideoSettings
    faithful_to: ClassVar[str] = "TMS9918A, TMS9928A, TMS9929A"

    @classmethod
    def registers(cls, settings: TileVideoSettings) -> tuple[Register, ...]:
        """The two ports. [PG] table 3-1."""
        fsn = tuple(f"FSN{bit}" for bit in range(5))
        return (
            Register(DATA, "data", "rw", effects="memory at the address counter, which steps; first-byte state"),
            Register(
                CONTROL, "status", "r", bits=(*fsn, "C", "5S", "F"), effects="clears F, 5S, C; INT; first-byte state"
            ),
            Register(CONTROL, "control", "w", effects="two bytes: address set-up to read or to write, or a register"),
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
        self._pacing = Pacing(self._raster, 0)
        self._picture = Picture(self._raster, settings.text_left, blank=1)
        self._memory = bytearray(VRAM_BYTES)
        self._status = StatusFlags(self._raster, self._memory, settings.coincidence == "everywhere")
        self._registers = bytearray(8)
        self._tables = decode(self._registers)
        self._pacing.set_tables(self._tables)
        self._address = 0
        self._latch = 0  # first control byte
        self._second = False  # flip-flop: the next control byte is the second
        self._ahead = 0  # read-ahead byte
        self._frame = 0  # frame under way
        self._end_tick = NEVER
        self._waiting = _NONE
        self._target = 0  # address of the access that waits
        self._waiting_value = 0
        self._done_tick = 0
        self._clear_tick = 0  # from this tick on a further access is surely in time
        slot.port(
            ScreenPort(
                name="screen",
                width=ACTIVE_DOTS,
                height=ACTIVE_LINES,
                pixels=self._pixels,
                border=self._border,
                text=self._text,
                palette=palette(settings.colours),
                margins=MARGINS[lines],
                frame_cycles=Fraction(lines * DOTS_PER_LINE * TICKS_PER_DOT) * slot.clock_hz / settings.crystal_hz,
                frames=self._frames,
                pixel_aspect=PIXEL_ASPECT[lines],
                blank_index=1,
            )
        )

    # life -----------------------------------------------------------------------------------------------------------

    def power_on(self, cycle: int) -> None:
        """Memory and registers 2 to 7 undefined, registers 0 and 1 clear; the raster starts."""
        noise = self.slot.noise("memory", VRAM_BYTES + 16)
        self._memory[:] = noise[:VRAM_BYTES]
        self._registers[:] = bytes(2) + noise[VRAM_BYTES : VRAM_BYTES + 6]
        self._address = int.from_bytes(noise[-4:-2]) & _ADDRESS_MASK
        self._ahead = noise[-2]
        self._latch = self._address & 0xFF
        self._second = False
        self._waiting = _NONE
        self._clear_tick = 0
        self._frame = 0
        self._status.load(noise[-1] & Status.FSN, 0)
        self._set_tables()
        self._picture.start(self._memory, self._registers)
        self._start_raster(cycle)
        self._drive_interrupt(cycle)

    def reset(self, asserted: bool, cycle: int) -> None:
        """RESET pin: registers 0 and 1, flags, flip-flop clear; memory stays. Data manual 2.1.7, quoted by [F18A]."""
        if not asserted:
            self._start_raster(cycle)
            return
        self.advance(cycle)
        tick = self._crystal.ticks_at(cycle)
        self._set_register(0, 0, tick)
        self._set_register(1, 0, tick)
        self._status.clear()
        self._second = False
        self._waiting = _NONE
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
        self.advance(cycle)
        self.slot.at(self._crystal.first_cycle_at(self._end_tick), "frame")
        self._drive_interrupt(cycle)

    def _settle(self, tick: int) -> None:
        while True:
            end = self._end_tick
            if self._waiting and self._done_tick <= tick and self._done_tick <= end:
                self._commit()
            elif end <= tick:
                self._status.finish_frame(self._tables)
                self._status.start_frame()
                self._picture.end_frame(self._frame)
                self._frame += 1
                self._end_tick = self._raster.end_tick(self._frame)
                self._pacing.start_frame(self._frame)
            else:
                return

    def _drive_interrupt(self, cycle: int) -> None:
        asserted = self._status.value & Status.F and self._registers[1] & R1.IE
        self.slot.pin("INT").drive(not asserted, cycle)

    # memory ---------------------------------------------------------------------------------------------------------

    def _cell(self, address: int) -> int:
        return address if self._tables.k16 else cell_of_4k(address)

    def _ask(self, what: int, value: int, edge: int, cycle: int) -> None:
        """Ask for an access to memory; it takes place at the next window. A waiting one is lost to it."""
        if edge < self._clear_tick:
            self._report_too_soon(edge, cycle)
        if not self._waiting or self._address != (self._target + 1) & _ADDRESS_MASK:
            self._target = self._address
            self._address = (self._address + 1) & _ADDRESS_MASK
        self._waiting = what
        self._waiting_value = value
        self._done_tick, self._clear_tick = self._pacing.times(edge)

    def _commit(self) -> None:
        """The waiting access takes place."""
        target = self._target
        cell = self._cell(target)
        if self._waiting == _READ:
            self._ahead = self._memory[cell]
        elif self._memory[cell] != self._waiting_value:
            tables, tick = self._tables, self._done_tick
            if (
                tables.sprites <= target < tables.sprites + 128
                or tables.sprite_patterns <= target < tables.sprite_patterns + 2048
            ):
                self._status.catch_up(tick, self._frame, tables)
                self._status.changed()
            self._memory[cell] = self._waiting_value
            self._picture.journal.append((tick, cell, self._waiting_value))
        self._waiting = _NONE

    def _set_register(self, number: int, value: int, tick: int) -> None:
        if self._registers[number] == value:
            return
        if number in _SPRITE_REGISTERS:
            self._status.catch_up(tick, self._frame, self._tables)
        self._registers[number] = value
        self._picture.journal.append((tick, -1 - number, value))
        self._set_tables()
        if number in _SPRITE_REGISTERS:
            self._status.changed()

    def _set_tables(self) -> None:
        self._tables = decode(self._registers)
        self._pacing.set_tables(self._tables)

    # ports ----------------------------------------------------------------------------------------------------------

    def peek(self, offset: int, cycle: int) -> int:
        """Status as of the start of the cycle; the read-ahead byte as of its end, when the strobe rises."""
        self.advance(cycle)
        if offset == CONTROL:
            self._status.catch_up(self._crystal.ticks_at(cycle), self._frame, self._tables)
            return self._status.value
        if self._waiting == _READ and self._done_tick <= self._crystal.ticks_at(cycle + 1):
            return self._memory[self._cell(self._target)]
        return self._ahead

    def read(self, offset: int, cycle: int) -> int:
        """Read status, or the byte read ahead, which fetches the next one. [PG] 5.2, [YOUNG] 2.1, 2.3."""
        value = self.peek(offset, cycle)
        if self._second:
            self._second = False
        if offset == CONTROL:
            self._status.clear()
            self._drive_interrupt(cycle)
        else:
            edge = self._crystal.ticks_at(cycle + 1)
            self._settle(edge)
            self._ask(_READ, 0, edge, cycle)
        return value

    def write(self, offset: int, value: int, cycle: int) -> None:
        """Write to memory through the data port, or one byte of a control pair. [PG] tables 4-1 to 4-4."""
        edge = self._crystal.ticks_at(cycle + 1)
        self._settle(edge)
        if offset == DATA:
            self._second = False
            self._ask(_WRITE, value, edge, cycle)
            self._ahead = value
        elif not self._second:
            self._second = True
            self._latch = value
            if self.settings.first_byte == "at once":
                self._address = self._address & 0x3F00 | value
        else:
            self._second = False
            self._address = (value & 0x3F) << 8 | self._latch
            if value & 0x80:
                self._set_register(value & 7, self._latch, edge)
                self._drive_interrupt(cycle)
            elif not value & 0x40:
                self._ask(_READ, 0, edge, cycle)

    def steady_until(self, offset: int, cycle: int) -> int:
        """A status read with nothing to clear has no effect; F, 5S, C and the number stay until something is drawn."""
        if offset != CONTROL or self._second:
            return cycle
        if self.peek(CONTROL, cycle) & ~Status.FSN or self._end_tick == NEVER:
            return cycle
        tick = min(self._end_tick, self._status.steady_until(self._frame, self._tables))
        return max(cycle, self._crystal.first_cycle_at(tick))

    def _report_too_soon(self, edge: int, cycle: int) -> None:
        short_us = (self._clear_tick - edge) * 1e6 / self.settings.crystal_hz
        self.slot.report("video-access-too-soon", cycle, f"Video memory access {short_us:.2f} us too soon.")

    # screen ---------------------------------------------------------------------------------------------------------

    def _pixels(self, cycle: int) -> bytes:
        self.advance(cycle)
        return self._picture.pixels()

    def _border(self, cycle: int) -> int:
        self.advance(cycle)
        return self._tables.backdrop

    def _frames(self, cycle: int) -> int:
        self.advance(cycle)
        return self._frame

    def _text(self, cycle: int) -> str:
        """Name table as characters, blank lines above and below left out; empty when the display is off."""
        self.advance(cycle)
        tables: Tables = self._tables
        if not tables.on or tables.mode in (Mode.MULTICOLOR, Mode.MULTICOLOR_THIRDS) or tables.mode >= Mode.STRIPES:
            return ""
        offset = self.settings.text_offset
        cells = (self._memory[self._cell(tables.name + n)] + offset & 0xFF for n in range(tables.name_bytes))
        text = "".join(chr(code) if 32 <= code < 127 else " " for code in cells)
        columns = tables.columns
        rows = [text[start : start + columns].rstrip() for start in range(0, len(text), columns)]
        return "\n".join(rows).strip("\n")

    # snapshot -------------------------------------------------------------------------------------------------------

    def save(self, cycle: int) -> dict[str, Any]:
        """Everything, with the last whole frame and the changes made since."""
        self.advance(cycle)
        self._status.catch_up(self._crystal.ticks_at(cycle), self._frame, self._tables)
        picture = self._picture
        pixels = picture.pixels()
        return {
            "memory": bytes(self._memory),
            "registers": list(self._registers),
            "address": self._address,
            "latch": self._latch,
            "second": self._second,
            "ahead": self._ahead,
            "waiting": [self._waiting, self._target, self._waiting_value, self._done_tick] if self._waiting else [],
            "clear_tick": self._clear_tick,
            "frame": self._frame,
            "raster_start": self._raster.start,
            "held": self._end_tick == NEVER,
            "status": self._status.value,
            "position": self._status.position,
            "pixels": pixels,
            "frame_memory": bytes(picture.memory),
            "frame_registers": list(picture.registers),
            "journal": [list(change) for change in picture.journal],
        }

    def load(self, state: dict[str, Any]) -> None:
        """Take back what `save` gave."""
        memory, frame_memory, pixels = state["memory"], state["frame_memory"], state["pixels"]
        registers, frame_registers = bytes(state["registers"]), bytes(state["frame_registers"])
        journal = [(int(tick), int(what), int(value)) for tick, what, value in state["journal"]]
        waiting = [int(part) for part in state["waiting"]] or [_NONE, 0, 0, 0]
        address, latch, ahead = int(state["address"]), int(state["latch"]), int(state["ahead"])
        if len(memory) != VRAM_BYTES or len(frame_memory) != VRAM_BYTES or len(pixels) != ACTIVE_DOTS * ACTIVE_LINES:
            raise ValueError("memory of 16384 bytes and a picture of 49152 expected")
        if len(registers) != 8 or len(frame_registers) != 8 or len(waiting) != 4 or max(pixels) > 15:
            raise ValueError("8 registers, a waiting access of 4 numbers and colours up to 15 expected")
        if not (0 <= address < VRAM_BYTES and 0 <= latch < 256 and 0 <= ahead < 256 and waiting[0] in (0, 1, 2)):
            raise ValueError("address, latch or read-ahead byte out of range")
        if not (0 <= waiting[1] < VRAM_BYTES and 0 <= waiting[2] < 256):
            raise ValueError("waiting access out of range")
        if not all(-8 <= what < VRAM_BYTES and 0 <= value < 256 for _, what, value in journal):
            raise ValueError("journal entry out of range")
        self._memory[:] = memory
        self._registers[:] = registers
        self._address, self._latch, self._ahead = address, latch, ahead
        self._second = bool(state["second"])
        self._waiting, self._target, self._waiting_value, self._done_tick = waiting
        self._clear_tick = int(state["clear_tick"])
        self._frame = int(state["frame"])
        self._raster.start = int(state["raster_start"])
        self._end_tick = NEVER if state["held"] else self._raster.end_tick(self._frame)
        self._pacing.start_frame(self._frame)
        self._status.load(int(state["status"]) & 0xFF, int(state["position"]))
        self._set_tables()
        self._picture.start(frame_memory, frame_registers, bytes(pixels))
        self._picture.journal = journal
