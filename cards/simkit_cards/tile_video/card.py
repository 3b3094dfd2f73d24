"""Tile-video card round a chip of the 9918A family: 16 KB of video memory behind two ports, one interrupt output.

Faithful to: TMS9918A, TMS9928A (60 Hz), TMS9929A (50 Hz); setting `part`.
Changes while a line is drawn: register 7 counts from the next dot, in the border too, registers 0 to 6 from the next
cell, memory for the whole line; sprites follow in the next line (`picture`, `sweep`).
Left out: memory written inside a line counting from the next cell alone, the picture of an external video source (its
bit is decoded; what lies behind shows as colour 0), decay of dynamic memory in 4K addressing or in reset; of parts in
its place what they add to it, and registers that act a line or a frame late.

Sources:
    [PG] Texas Instruments, Video Display Processors Programmer's Guide, 1984: chapters 3 to 9, appendices A to D.
    [YOUNG] S. Young, TMS9918A VDP, almost complete description including undocumented features, 0.4.2, 2002.
    [PARTS] M. Hagerty, measurements on parts: version history and comments, which quote the data manual.
The other modules of this folder name theirs beside each figure. Where sources disagree a setting chooses; each says so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from operator import sub
from typing import ClassVar

from simkit.contract import NEVER, Limit, PinSpec, Register
from simkit_cards.tile_video.access import What, outcome_words
from simkit_cards.tile_video.chip import ROUNDING_US, Chip
from simkit_cards.tile_video.pacing import SOCKET
from simkit_cards.tile_video.registers import CONTROL, DATA, board_pins, board_registers
from simkit_cards.tile_video.rules import PAIR_US, READ_STROBE_NS, WRITE_STROBE_NS
from simkit_cards.tile_video.settings import TileVideoSettings
from simkit_cards.tile_video.status import Status
from simkit_cards.tile_video.tables import R1, VRAM_BYTES, cells_of_4k
from simkit_cards.tile_video.words import inside_words

_NOTHING, _WRITE, _READ = What  # looked up once: block uploads ask for each byte

SHORTEST_POLL_CYCLES = 4
"""Cycles between two reads of a register that follow one another: LDA absolute. Arithmetic."""


class TileVideo(Chip):
    """Shows tiles and sprites from its own memory; the program reaches that through two ports."""

    kind: ClassVar[str] = "tile-video"
    title: ClassVar[str] = "Video card"
    model: ClassVar[int] = 3  # colours are by default a picture tube's; sprites follow a line later, border by dots
    Settings: ClassVar[type] = TileVideoSettings
    faithful_to: ClassVar[str] = "TMS9918A, TMS9928A, TMS9929A"
    pin_names: ClassVar[Mapping[str, str]] = {  # CD0 is the high bit; [PG] 3.1 and appendix D
        **{"MODE": "A0", "CSR": "OE", "CSW": "WE"},
        **{f"CD{n}": f"D{7 - n}" for n in range(8)},
    }

    @classmethod
    def registers(cls, settings: TileVideoSettings) -> tuple[Register, ...]:
        """The two ports. [PG] table 3-1."""
        return board_registers(settings)

    @classmethod
    def pins(cls, settings: TileVideoSettings) -> tuple[PinSpec, ...]:
        """INT, low while F and IE are set. [PG] 5.2.1."""
        return board_pins(settings)

    @classmethod
    def limits(cls, settings: TileVideoSettings, clock_hz: Fraction) -> tuple[Limit, ...]:
        """Widths of the strobes, which are PHI2 high unless a setting says more. [DM] section 4, from memory."""
        if settings.socket != SOCKET[0]:
            return ()

        def limit(what: str, needs_ns: float, rule: str, *, is_read: bool) -> Limit:
            return Limit(
                what=what,
                part=f"TMS{settings.part}",
                needs_ns=needs_ns,
                cycles=0.0 if settings.strobe_ns else 0.5,
                offset_ns=settings.strobe_ns,
                rule=f"video-{rule}-strobe-too-narrow",
                source="from memory of the Data Manual, Texas Instruments 1982, section 4",
                with_phi2=True,
                is_read=is_read,
            )

        return (
            limit("width of /CSW", WRITE_STROBE_NS, "write", is_read=False),
            limit("/CSR to data", READ_STROBE_NS, "read", is_read=True),
        )

    # reads ------------------------------------------------------------------------------------------------------------

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
        """A status read in the cycle in which F or C is set may lose it. [PARTS] v1.5, v1.9."""
        ending = self._crystal.first_cycle_at(self._end_tick) == cycle + 1
        if ending and self.slot.chance("status read as F is set", cycle) < 0.5:
            self._flag_lost = True
            self._rules.flag_lost(cycle, "F", "this frame is missed. Use the interrupt instead of polling.")
        self._status.catch_up(self._crystal.ticks_at(cycle + 1), self._frame, self._tables)
        meeting = self._status.value & ~value & Status.C
        if meeting and self.slot.chance("status read as C is set", cycle) < 0.5:
            self._status.value &= ~Status.C
            self._rules.flag_lost(cycle, "C", "this meeting of sprites is missed. Leave a pause between polls.")

    # writes -----------------------------------------------------------------------------------------------------------

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

    def _write_register(self, byte: int, cycle: int, edge: int) -> None:
        if byte & 0x78:
            self._rules.register_number(cycle, byte)
        self._set_once |= 1 << (byte & 7)
        enabled = self._registers[1] & R1.IE
        self._set_register(byte & 7, self._ports.latch, edge)
        if self._registers[1] & R1.IE and not enabled and self._status.value & Status.F:
            self._rules.interrupt_enabled(cycle)
        self._drive_interrupt(cycle)

    def write_late(self, offset: int, values: bytes, cycles: Sequence[int], before: bytes) -> None:
        """Bytes for memory that come slowly enough all go in at once, up to where the address counter wraps."""
        done, number = 0, len(values)
        while done < number:
            super().write_late(offset, values[done : done + 1], cycles[done : done + 1], before[done : done + 1])
            done += 1
            block = values[done : done + VRAM_BYTES - 1 - self._ports.target]
            if block and not self._takes_block(block, cycles[done - 1 : done + len(block)]):
                super().write_late(offset, values[done:], cycles[done:], before[done:])
                return
            done += len(block)

    def _takes_block(self, values: bytes, cycles: Sequence[int]) -> bool:
        """Take writes to the data port that follow one that was just made, if nothing can happen between them.

        Each finds the one before it done, and no frame ends.

        Args:
            values: the bytes, not beyond the end of the memory.
            cycles: cycle of the write before, then of each.
        """
        ports, tables, ticks_at = self._ports, self._tables, self._crystal.ticks_at
        start, end = ports.target, ports.target + len(values)
        last_edge = ticks_at(cycles[-1] + 1)
        plain = self._wires.straight and not (self._takes_early or self._narrow)
        if not (plain and last_edge < self._end_tick and ports.waiting and ports.address_valid):
            return False
        if min(map(sub, cycles[1:], cycles)) * self._cycle_us < self._pacing.longest_us:
            return False
        going_in = bytes((ports.value,)) + values[:-1]  # the last byte waits for its window, as any does
        if tables.k16:
            self._written[start:end] = b"\1" * len(values)
            if self._memory[start:end] != going_in:
                begin = start
                for border in (*tables.sprite_borders(start, end), end):
                    self._put(begin, going_in[begin - start : border - start], cycles[begin - start : border - start])
                    begin = border
        else:
            for target, cell, value, cycle in zip(
                range(start, end), cells_of_4k()[start:end], going_in, cycles, strict=False
            ):
                if self._memory[cell] != value:
                    done = self._pacing.times(ticks_at(cycle + 1))[0]
                    self._store(cell, value, done, sprites=tables.makes_sprites(target))
                self._written[cell] = 1
        ports.address = end + 1 & VRAM_BYTES - 1
        ports.target, ports.value, ports.ahead = end, values[-1], values[-1]
        ports.strobe_cycle = ports.asked_cycle = cycles[-1]
        ports.done_tick, ports.need_tenths = self._pacing.times(last_edge)
        return True

    def _put(self, start: int, values: bytes, cycles: Sequence[int]) -> None:
        """Put bytes side by side into memory, where all of them make sprites or none does."""
        end, memory = start + len(values), self._memory
        if memory[start:end] == values:
            return
        sprites = self._tables.makes_sprites(start)
        before = memory[start:end]
        places = [number for number, value in enumerate(values) if value != before[number]]
        ticks_at = self._crystal.ticks_at
        moments = self._pacing.moments([ticks_at(cycles[number] + 1) for number in places])
        changes = list(
            zip(moments, [start + number for number in places], [values[number] for number in places], strict=True)
        )
        if sprites and self._tables.sprites_on:
            for tick, cell, value in changes:
                self._store(cell, value, tick, sprites=True)
            return
        if sprites:  # none is drawn: of all moments the last one counts
            self._status.fix(changes[-1][0], self._frame, self._tables)
        memory[start:end] = values
        self._picture.journal += changes

    # what every access has in common ----------------------------------------------------------------------------------

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

    # for people and engines -------------------------------------------------------------------------------------------

    def unfinished(self) -> str:
        """A control pair after its first byte."""
        return "a control pair" if self._ports.second else ""

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

    def standstill(self, bit: str, cycle: int) -> str:
        """INT does not come while register 1 forbids it."""
        if bit != "INT" or self._registers[1] & R1.IE:
            return ""
        return f"bit 5 (IE) of register 1, ${self._registers[1]:02X}, is 0, so no end of a frame moves INT"

    def set_up(self, cycle: int) -> bool:
        """The picture is on."""
        return bool(self._registers[1] & R1.BL)

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
