"""The receiver of a 6551, and the far side that sends to it. Sources are listed in card.py."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

import attrs

from simkit.contract import BYTE, MOMENT, Crystal, Pin, Slot, choice, optional, row, saved
from simkit_cards.serial_6551 import told
from simkit_cards.serial_6551.board import Status
from simkit_cards.serial_6551.registers import ERRORS, Registers

QUEUE_LIMIT = 1 << 20
"""Bytes the far side holds; more are refused with a finding."""

SPOILED = ("parity", "framing")
"""How the line spoils a byte: what a serial port says of it."""


@attrs.define(eq=False)
class Receiver:
    """Takes bytes, back to back where the far side has more.

    Args:
        registers: shared with the transmitter.
        slot: of the card.
        crystal: of the baud generator.
        cts: pin; high ends the echo.
        dcd: pin; high disables it.
        rxd: pin; the far side is on it unless wiring has done something to it.
        put_out: where an echo goes: put_out(byte, cycle).
        pauses: whether the far side pauses between bytes while RTS is high.

    Attributes:
        received: receive data register.
        queue: what the far side still has to send, each byte with what spoils it.
    """

    _registers: Registers
    _slot: Slot
    _crystal: Crystal
    _cts: Pin
    _dcd: Pin
    _rxd: Pin
    _put_out: Callable[[int, int], None]
    _pauses: bool
    received: int = saved(BYTE, 0)
    # Byte on the receive pin, and what spoils it.
    _arriving: tuple[int, str] | None = saved(optional(row(BYTE, choice("", *SPOILED))), None)
    _arrival_end: int = saved(MOMENT, 0)  # crystal tick
    queue: deque[tuple[int, str]] = attrs.field(factory=deque, init=False)

    def power_on(self, received: int) -> None:
        """Nothing is on the line; the data register holds whatever it happens to hold."""
        self.received = received
        self.queue.clear()
        self._arriving = None
        self._arrival_end = 0

    def give(self, byte: int, spoiled: str, cycle: int) -> None:
        """The far side is given a byte to send: it begins to arrive, or waits its turn."""
        if len(self.queue) >= QUEUE_LIMIT:
            self._slot.report("serial-queue-full", cycle, f"The far side already holds {QUEUE_LIMIT} bytes.")
            return
        self.queue.append((byte, spoiled))
        if self._arriving is None:
            self._start(self._crystal.ticks_at(cycle), cycle)

    def wake(self, cycle: int) -> None:
        """Command was written: a far side that paused may go on."""
        if self._arriving is None and self.queue and not self._registers.rts_high:
            self._start(self._crystal.ticks_at(cycle) + 1, cycle)

    def _start(self, tick: int, cycle: int) -> None:
        registers = self._registers
        while self.queue and self._arriving is None:
            if self._pauses and registers.rts_high:
                return
            byte, spoiled = self.queue.popleft()
            bit, data_bits = registers.receive_bit_ticks, registers.data_bits
            if not registers.enabled or not bit or self._dcd.level(cycle) or self._rxd.line is not None:
                self._report_not_listening(byte, cycle)
                continue
            self._arriving = byte & (1 << data_bits) - 1, spoiled
            self._arrival_end = tick + bit * registers.half_bits // 2
            # The character is there in the middle of the (first) stop bit (from memory).
            middle = tick + bit * (2 + 2 * data_bits + 2 * registers.parity + 1) // 2
            self._slot.at(max(cycle, self._crystal.first_cycle_at(middle)), "received")

    def _report_not_listening(self, byte: int, cycle: int) -> None:
        self._slot.report("serial-not-listening", cycle, told.not_listening(byte, self._broken()))

    def _broken(self) -> str:
        """Which wire keeps it from hearing anything."""
        if self._rxd.line is not None:
            return "RXD is not joined to the far side"
        return "" if self._registers.crystal_runs else "nothing clocks it, as XTAL1 is not joined to the crystal"

    def arrived(self, cycle: int) -> None:
        """Event: the byte on the receive pin is there."""
        assert self._arriving is not None
        registers = self._registers
        byte, spoiled = self._arriving
        self._slot.at(max(cycle, self._crystal.first_cycle_at(self._arrival_end)), "line free")
        if not registers.enabled or self._dcd.level(cycle):
            self._report_not_listening(byte, cycle)
            return
        if registers.echoes and not registers.status & Status.RDRF and not self._cts.level(cycle):
            # An overrun sends mark instead [CDP Figure 14], and so does CTS high (from memory).
            self._put_out(byte, cycle)
        if registers.status & Status.RDRF:  # the interrupt is RDRF's, OVRN has none of its own. [SY] status register
            registers.status |= Status.OVRN
            self._slot.report("serial-overrun", cycle, told.overrun(byte, self.byte_cycles()))
            return
        self.received = byte
        registers.status &= ~ERRORS
        registers.status |= Status.RDRF | self._errors(spoiled)
        if not registers.command & 0x02:
            registers.request()

    def _errors(self, spoiled: str) -> int:
        """Status bit of a fault on the line; mark and space parity are not checked. [SY] command register."""
        if spoiled == "framing":
            return Status.FE
        registers = self._registers
        return Status.PE if spoiled == "parity" and registers.parity and not registers.command & 0x80 else 0

    def line_free(self, cycle: int) -> None:
        """Event: the stop bits are over, and the next byte may come."""
        self._arriving = None
        self._start(self._arrival_end, cycle)

    def byte_cycles(self) -> int:
        """Machine cycles that a byte takes, 0 while nothing can arrive."""
        registers = self._registers
        half_ticks = registers.receive_bit_ticks * registers.half_bits if registers.enabled else 0
        cycles = half_ticks * self._slot.clock_hz / (2 * int(registers.settings.crystal_hz))
        return -(-cycles.numerator // cycles.denominator)
