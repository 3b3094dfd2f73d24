"""The transmitter of a 6551: data register, shift register, and what keeps a byte from leaving.

Sources are listed in card.py.
"""

from __future__ import annotations

from fractions import Fraction

import attrs

from simkit.contract import (
    BYTE,
    COUNT,
    FLAG,
    MOMENT,
    Crystal,
    Pin,
    SerialPort,
    Slot,
    choice,
    optional,
    row,
    saved,
    whole,
)
from simkit_cards.serial_6551 import told
from simkit_cards.serial_6551.board import Status
from simkit_cards.serial_6551.registers import Registers

LONG_WAIT = Fraction(20, 1000)
"""Seconds for which nothing can leave before it is told; chosen: forty byte times at 19 200 baud."""

CTS_HIGH = "CTS is high"
"""What keeps a byte, where the program and its commands do not."""


@attrs.define(eq=False)
class Transmitter:
    """Sends bytes, one frame time each.

    Args:
        registers: shared with the receiver.
        slot: of the card.
        crystal: of the baud generator.
        port: where bytes go.
        cts: pin; high stops it.
        txd: pin; bytes go to the port unless wiring has done something to it.

    Attributes:
        waiting: what is in the data register, or None.
        sending: what is in the shift register, or None.
    """

    _registers: Registers
    _slot: Slot
    _crystal: Crystal
    _port: SerialPort
    _cts: Pin
    _txd: Pin
    waiting: int | None = saved(optional(BYTE), None)
    sending: int | None = saved(optional(BYTE), None)
    _cut: bool = saved(FLAG, False)  # a break has spoiled the frame under way
    # Crystal tick at which the frame under way began, its length, ticks a bit.
    _frame: tuple[int, int, int] = saved(row(MOMENT, COUNT, whole(1)), (0, 0, 1))
    _marked: int | None = saved(optional(BYTE), None)  # what the far side will have of a frame that CTS has cut
    # Crystal tick at which the byte that is not there will have ended, where each such byte asks for an interrupt.
    _idle_end: int | None = saved(optional(MOMENT), None)
    _wait: str = saved(choice("", "watched", "told"), "")  # what has been done about that nothing can leave

    def power_on(self) -> None:
        """No frame has been yet."""
        self._frame = (0, 0, 1)

    def reset(self) -> None:
        """Nothing waits and nothing is sent. [SY] reset rows of the register tables."""
        self.waiting = self.sending = self._marked = None
        self._cut = False
        self._wait = ""
        self._idle_end = None
        for name in ("sent", "marked", "idles", "waits"):
            self._slot.cancel(name)

    def stopped(self, cycle: int) -> str:
        """What keeps it from beginning a byte; empty: nothing."""
        if not self._registers.frame_ticks:
            if not self._registers.crystal_runs:
                return "nothing clocks it, as XTAL1 is not joined to the crystal"
            return "rate 0 (control bits 3 to 0) wants a clock on RxC, and there is none"
        return self._held(cycle)

    def _held(self, cycle: int) -> str:
        """What keeps it from beginning a byte with a clock that runs."""
        command = self._registers.command
        if not command & 0x0C:
            return "TIC 00 (command bits 3 and 2) turns the transmitter off"
        if not command & 0x01 and self._registers.part.dtr_stops_transmitter:
            return "DTR (command bit 0) at 0 turns the transmitter off"
        return CTS_HIGH if self._cts.level(cycle) else ""

    def store(self, value: int, cycle: int) -> None:
        """Data was written in `cycle`."""
        registers = self._registers
        if registers.part.always_ready and self.sending is not None:
            self._spoil(value, cycle)
        else:
            if self.waiting is not None:
                self._slot.report("serial-byte-replaced", cycle, told.replaced(value, self.waiting))
            self.waiting = value
            registers.status &= ~Status.TDRE
            self.start(cycle)
            if registers.part.always_ready and not self._cts.level(cycle):
                registers.set_tdre()  # stuck at 1; falls only while CTS is high [F1]
        if self._idle_end is not None:
            self.pace_idle(cycle)

    def start(self, cycle: int, first_tick: int | None = None) -> None:
        """Move what waits to the shift register if the transmitter runs and rests.

        Args:
            cycle: now.
            first_tick: crystal tick at which the frame begins; None: the next one.
        """
        if self.waiting is None or self.sending is not None:
            return
        registers, crystal = self._registers, self._crystal
        ticks = registers.frame_ticks
        if not ticks or self._held(cycle):
            self.watch_wait(cycle)
            return
        if self._wait:
            self._can_send()
        self.sending, self.waiting = self.waiting, None
        self._cut = registers.breaks
        if first_tick is None:
            first_tick = crystal.ticks_at(cycle) + 1
        self._frame = (first_tick, ticks, registers.send_bit_ticks)
        self._slot.at(max(cycle, crystal.first_cycle_at(first_tick + ticks)), "sent")
        registers.set_tdre()

    def watch_wait(self, cycle: int) -> None:
        """Nothing can leave now: tell of it if that lasts."""
        if not self._wait:
            self._wait = "watched"
            cycles = LONG_WAIT * self._slot.clock_hz
            self._slot.at(cycle + -(-cycles.numerator // cycles.denominator), "waits")

    @property
    def wait_watched(self) -> bool:
        """Whether it is being watched, or told, that nothing can leave."""
        return bool(self._wait)

    def _can_send(self) -> None:
        self._wait = ""
        self._slot.cancel("waits")

    def long_wait(self, cycle: int) -> None:
        """Event: nothing has been able to leave for long."""
        why = self.stopped(cycle)
        if not why or (self.waiting is None and why != CTS_HIGH):
            self._wait = ""
            return
        self._wait = "told"
        ready_falls = not self._registers.part.always_ready
        message = told.waits(self.waiting, why, int(LONG_WAIT * 1000), ready_falls=ready_falls)
        self._slot.report("serial-byte-waits", cycle, message)

    def pace_idle(self, cycle: int, tick: int | None = None) -> None:
        """See that interrupts go on a byte time apart where there is nothing to send, from crystal tick `tick` or now.

        [CDP] Figure 9.
        """
        registers = self._registers
        if self._idle_end is None and not registers.transmit_interrupts:
            return
        wanted = (
            registers.asks
            and registers.part.interrupts_without_data
            and self.sending is None
            and not self.stopped(cycle)
        )
        if wanted is (self._idle_end is not None):
            return
        if wanted:
            self._arm_idle(self._crystal.ticks_at(cycle) + 1 if tick is None else tick, cycle)
        else:
            self._idle_end = None
            self._slot.cancel("idles")

    def _arm_idle(self, tick: int, cycle: int) -> None:
        self._idle_end = tick + self._registers.frame_ticks
        self._slot.at(max(cycle, self._crystal.first_cycle_at(self._idle_end)), "idles")

    def idles(self, cycle: int) -> None:
        """Event: a byte time without a byte is over."""
        assert self._idle_end is not None
        self._registers.request()
        self._arm_idle(self._idle_end, cycle)

    def sent(self, cycle: int) -> None:
        """Event: the last bit has left."""
        assert self.sending is not None
        self._deliver(self.sending & (1 << self._registers.data_bits) - 1, cycle)
        self.sending = None
        end = self._frame[0] + self._frame[1]
        self.start(cycle, end)
        self.pace_idle(cycle, end)

    def marked(self, cycle: int) -> None:
        """Event: the far side has taken the rest of a frame that was cut for ones."""
        assert self._marked is not None
        self.put_out(self._marked, cycle)
        self._marked = None

    def put_out(self, byte: int, cycle: int) -> None:
        """A byte has left by the transmit pin."""
        if self._txd.line is None:
            self._port.sent.append((cycle, byte))

    def _deliver(self, byte: int, cycle: int) -> None:
        if not self._cut:
            self.put_out(byte, cycle)
            return
        self._slot.report("serial-byte-in-break", cycle, told.in_break(byte))

    def commanded(self, cycle: int) -> None:
        """Command was written: a break spoils the frame under way, or what waits may go."""
        self._cut = self._cut or (self._registers.breaks and self.sending is not None)
        self.start(cycle)

    def cts_changed(self, level: bool, cycle: int) -> None:
        """CTS starts and stops it."""
        registers = self._registers
        if level:
            if self.sending is not None and registers.part.cts_cuts_byte:
                self._cut_by_cts(cycle)
            self.start(cycle)  # which it does not: a byte begins to wait
        else:
            self._can_send()
            if self.waiting is None:
                registers.set_tdre()
            self.start(cycle)
        self.pace_idle(cycle)

    def _spoil(self, value: int, cycle: int) -> None:
        """The defective part loads both registers together: the rest of the frame comes from the new byte."""
        start, length, bit = self._frame
        gone = max(0, min(self._registers.data_bits, (self._crystal.ticks_at(cycle) - start) // bit - 1))
        assert self.sending is not None
        self.sending = (self.sending & (1 << gone) - 1 | value << gone) & 0xFF
        end = self._crystal.first_cycle_at(start + length)
        frame_cycles = end - self._crystal.first_cycle_at(start)
        message = told.stored_while_shifting(value, end - cycle, frame_cycles)
        self._slot.report("serial-store-while-shifting", cycle, message)
        self._registers.set_tdre()

    def _cut_by_cts(self, cycle: int) -> None:
        """CTS went high: the line goes to mark in the middle of the byte, and the far side takes the rest for ones.

        It samples in the middle of each bit; a start bit of less than half its time is none. Arithmetic.
        """
        assert self.sending is not None
        start, length, bit = self._frame
        sampled = (2 * (self._crystal.ticks_at(cycle) - start) + bit) // (2 * bit)  # start bit and data bits
        every = (1 << self._registers.data_bits) - 1
        byte = self.sending & every
        seen = (byte | every << max(0, sampled - 1)) & every
        if self._cut:
            self._deliver(byte, cycle)
        elif sampled and self._marked is None:  # else the far side is still busy with the frame that was cut before
            self._marked = seen
            self._slot.at(max(cycle, self._crystal.first_cycle_at(start + length)), "marked")
        if not sampled or seen != byte:
            self._slot.report("serial-byte-cut", cycle, told.cut(byte, seen if sampled else None))
        self.sending = None
        self._slot.cancel("sent")
