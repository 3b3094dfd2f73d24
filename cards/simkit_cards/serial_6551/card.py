"""Serial card round a 6551-type ACIA: four registers, one interrupt line, byte times from its own crystal.

The far side of the line runs at the rate that the card is set to, and sends bytes back to back; what it is given while
it sends waits in its queue. With `cable = "rts-cts"` it pauses between bytes while RTS is high.

Faithful to: SY6551, R6551, W65C51N (setting `part`).
Left out: 1.5 stop bits with parity; a far side at another rate; bits of a break on the receive pin.

Sources:
    [SY] Synertek, SY6551 data sheet: status, command and control register tables.
    [WDC] Western Design Center, W65C51N data sheet: note at the transmitter data register empty bit.
    [F1] Forum 6502.org, posts 29784 and 52022: transmit status of the W65C51N, CTS.
    [F2] Forum 6502.org, post 63115: RTS high stops the transmitter.
"""

from __future__ import annotations

from collections import deque
from fractions import Fraction
from typing import Any, ClassVar

from simkit.contract import (
    BYTE,
    COUNT,
    FLAG,
    MOMENT,
    NEVER,
    Card,
    PinSpec,
    Register,
    SerialPort,
    Slot,
    blob,
    choice,
    load_data,
    many,
    optional,
    remembers,
    row,
    saved,
    whole,
)
from simkit_cards.serial_6551.board import STATUS_BITS, Serial6551Settings, Status, board_pins, board_registers
from simkit_cards.serial_6551.frame import CRYSTALS_PER_BIT, HALF_BITS, OUTSIDE_CLOCKS_PER_BIT

QUEUE_LIMIT = 1 << 20
"""Bytes the far side holds; more are refused with a finding."""

SPOILED = ("parity", "framing")
"""How the line spoils a byte: what a serial port says of it."""

BREAK = 0x0C
"""Command bits 3 and 2: the transmit pin is held low. [SY] command register"""

TRANSMIT_WORDS = ("off, RTS high", "on, interrupts, RTS low", "on, RTS low", "sends a break, RTS low")


@remembers
class Serial6551(Card):
    """Moves bytes between CPU and serial port, one frame time a byte."""

    kind: ClassVar[str] = "serial-6551"
    Settings: ClassVar[type] = Serial6551Settings
    faithful_to: ClassVar[str] = "SY6551, W65C51N"

    _command: int = saved(BYTE, 0)
    _control: int = saved(BYTE, 0)
    _status: int = saved(BYTE, Status.TDRE)
    _received: int = saved(BYTE, 0)  # receive data register
    _waiting: int | None = saved(optional(BYTE), None)  # transmit data register
    _sending: int | None = saved(optional(BYTE), None)  # transmit shift register
    _cut: bool = saved(FLAG, False)  # a break has spoiled the frame under way
    # Crystal tick at which the frame under way began, its length, ticks a bit.
    _frame: tuple[int, int, int] = saved(row(MOMENT, COUNT, whole(1)), (0, 0, 1))
    # Byte on the receive pin, and what spoils it.
    _arriving: tuple[int, str] | None = saved(optional(row(BYTE, choice("", *SPOILED))), None)
    _arrival_end: int = saved(MOMENT, 0)  # crystal tick

    @classmethod
    def registers(cls, settings: Serial6551Settings) -> tuple[Register, ...]:
        """The board as wired."""
        return board_registers(settings)

    @classmethod
    def pins(cls, settings: Serial6551Settings) -> tuple[PinSpec, ...]:
        """Interrupt and modem lines; open inputs are tied low on the board, that is ready."""
        return board_pins(settings)

    def __init__(self, settings: Serial6551Settings, slot: Slot) -> None:
        super().__init__(settings, slot)
        self._defective = settings.part == "W65C51N"
        self._crystal = slot.crystal(Fraction(settings.crystal_hz))
        self._port: SerialPort = slot.port(SerialPort("serial", self._byte_cycles, lambda cycle: not self._rts_high))
        self._int, self._rts, self._dtr = slot.pin("INT"), slot.pin("RTS"), slot.pin("DTR")
        self._cts, self._dcd = slot.pin("CTS"), slot.pin("DCD")
        self._queue: deque[tuple[int, str]] = deque()  # what the far side still has to send

    # life -----------------------------------------------------------------------------------------------------------

    def power_on(self, cycle: int) -> None:
        """As after a reset; the data register holds whatever it happens to hold."""
        self._received = self.slot.noise("receive data", 1)[0]
        self._queue.clear()
        self._arriving = None
        self._arrival_end = 0
        self._frame = (0, 0, 1)
        self.reset(True, cycle)

    def reset(self, asserted: bool, cycle: int) -> None:
        """Command and control 0, transmitter empty, nothing received. [SY] reset rows of the register tables."""
        if not asserted:
            return
        self._command = self._control = 0
        self._status = Status.TDRE | self._modem(cycle)
        self._waiting = self._sending = None
        self._cut = False
        self.slot.cancel("sent")
        self._moved(cycle)

    def _modem(self, cycle: int) -> int:
        dcd = Status.DCD if self._dcd.level(cycle) else 0
        return dcd | (Status.DSR if self.slot.pin("DSR").level(cycle) else 0)

    # rates ----------------------------------------------------------------------------------------------------------

    @property
    def _rts_high(self) -> bool:
        return not self._command & 0x0C

    @property
    def _enabled(self) -> bool:
        return bool(self._command & 0x01)

    @property
    def _breaks(self) -> bool:
        return self._command & BREAK == BREAK

    def _bit_ticks(self, *, receiver: bool = False) -> int:
        """Crystal ticks a bit takes, 0 when nothing clocks it."""
        rate = self._control & 0x0F
        if rate and not (receiver and not self._control & 0x10):
            return CRYSTALS_PER_BIT[rate]
        if self.settings.outside_clock_hz:
            return OUTSIDE_CLOCKS_PER_BIT * int(self.settings.crystal_hz) // int(self.settings.outside_clock_hz)
        return OUTSIDE_CLOCKS_PER_BIT if self._defective and not rate else 0

    @property
    def _data_bits(self) -> int:
        return 8 - (self._control >> 5 & 3)

    @property
    def _half_bits(self) -> int:
        return HALF_BITS[self._control >> 5 | self._command >> 2 & 0x08]

    def _byte_cycles(self, cycle: int) -> int:
        half_ticks = self._bit_ticks(receiver=True) * self._half_bits if self._enabled else 0
        cycles = half_ticks * self.slot.clock_hz / (2 * int(self.settings.crystal_hz))
        return -(-cycles.numerator // cycles.denominator)

    # transmitter ----------------------------------------------------------------------------------------------------

    def _start_sending(self, first_tick: int, cycle: int) -> None:
        """Move the waiting byte to the shift register if the transmitter runs and rests."""
        if self._waiting is None or self._sending is not None or self._rts_high or self._cts.level(cycle):
            return
        bit = self._bit_ticks()
        if not bit:
            return
        self._sending, self._waiting = self._waiting, None
        self._cut = self._breaks
        self._frame = (first_tick, bit * self._half_bits // 2, bit)
        self.slot.at(max(cycle, self._crystal.first_cycle_at(first_tick + self._frame[1])), "sent")
        self._set_tdre(cycle)

    def _set_tdre(self, cycle: int) -> None:
        self._status |= Status.TDRE
        if self._transmit_interrupts:
            self._request(cycle)

    @property
    def _transmit_interrupts(self) -> bool:
        return self._command & 0x0C == 0x04

    def _write_data(self, value: int, cycle: int) -> None:
        if self._defective and self._sending is not None:
            self._spoil(value, cycle)
            return
        if self._waiting is not None:
            self.slot.report(
                "serial-byte-replaced",
                cycle,
                f"${value:02X} was stored while ${self._waiting:02X} still waited in the transmit data register, "
                "which is lost. Wait for TDRE (status bit 4).",
            )
        self._waiting = value
        self._status &= ~Status.TDRE
        self._start_sending(self._crystal.ticks_at(cycle) + 1, cycle)
        if self._defective and not self._cts.level(cycle):
            self._set_tdre(cycle)  # stuck at 1; falls only while CTS is high [F1]

    def _spoil(self, value: int, cycle: int) -> None:
        """The defective part loads both registers together: the rest of the frame comes from the new byte."""
        start, length, bit = self._frame
        gone = max(0, min(self._data_bits, (self._crystal.ticks_at(cycle) - start) // bit - 1))
        assert self._sending is not None
        self._sending = (self._sending & (1 << gone) - 1 | value << gone) & 0xFF
        left = self._crystal.first_cycle_at(start + length) - cycle
        self.slot.report(
            "serial-store-while-shifting",
            cycle,
            f"${value:02X} was stored while a byte was still being shifted out for {left} cycles: this part's status "
            f"bit 4 is always 1, so polling it loses bytes. Wait one byte time ({self._frame_cycles()} cycles) after "
            "each store.",
        )
        self._set_tdre(cycle)

    def _frame_cycles(self) -> int:
        first, length, _ = self._frame
        return self._crystal.first_cycle_at(first + length) - self._crystal.first_cycle_at(first)

    # receiver -------------------------------------------------------------------------------------------------------

    def outside(self, port: str, action: str, arguments: tuple[Any, ...], cycle: int) -> None:
        """A byte, and "parity" or "framing" where the line spoils it, begins to arrive or waits its turn."""
        if len(self._queue) >= QUEUE_LIMIT:
            self.slot.report("serial-queue-full", cycle, f"The far side already holds {QUEUE_LIMIT} bytes.")
            return
        byte, spoiled = int(arguments[0]), str(arguments[1]) if len(arguments) > 1 else ""
        self._queue.append((byte & 0xFF, spoiled))
        if self._arriving is None:
            self._start_arriving(self._crystal.ticks_at(cycle), cycle)

    def _start_arriving(self, tick: int, cycle: int) -> None:
        while self._queue and self._arriving is None:
            if self.settings.cable == "rts-cts" and self._rts_high:
                return
            byte, spoiled = self._queue.popleft()
            bit = self._bit_ticks(receiver=True)
            if not self._enabled or not bit or self._dcd.level(cycle):
                self._report_not_listening(byte, cycle)
                continue
            self._arriving = byte & (1 << self._data_bits) - 1, spoiled
            half_bits = self._half_bits
            self._arrival_end = tick + bit * half_bits // 2
            # The character is there in the middle of the (first) stop bit (from memory).
            middle = tick + bit * (2 + 2 * self._data_bits + 2 * (self._command >> 5 & 1) + 1) // 2
            self.slot.at(max(cycle, self._crystal.first_cycle_at(middle)), "received")

    def _report_not_listening(self, byte: int, cycle: int) -> None:
        self.slot.report(
            "serial-not-listening",
            cycle,
            f"${byte:02X} arrived while the receiver was off and is lost: set the rate in control and DTR (bit 0) in "
            "command first, with DCD low.",
        )

    def _errors(self, spoiled: str) -> int:
        """Status bit of a fault on the line; mark and space parity are not checked. [SY] command register."""
        if spoiled == "framing":
            return Status.FE
        return Status.PE if spoiled == "parity" and self._command & 0xA0 == 0x20 else 0

    def _take(self, cycle: int) -> None:
        assert self._arriving is not None
        byte, spoiled = self._arriving
        self.slot.at(max(cycle, self._crystal.first_cycle_at(self._arrival_end)), "line free")
        if not self._enabled or self._dcd.level(cycle):
            self._report_not_listening(byte, cycle)
            return
        if self._command & 0x1C == 0x10:
            self._port.sent.append((cycle, byte))  # echo mode, TIC 00 [SY]
        if self._status & Status.RDRF:
            self._status |= Status.OVRN
            self.slot.report(
                "serial-overrun",
                cycle,
                f"${byte:02X} arrived before the byte before it was read, and is lost: read the data register within "
                f"one byte time ({self._byte_cycles(cycle)} cycles).",
            )
        else:
            self._received = byte
            self._status &= ~(Status.PE | Status.FE | Status.OVRN)
            self._status |= Status.RDRF | self._errors(spoiled)
        if not self._command & 0x02:
            self._request(cycle)

    # events ---------------------------------------------------------------------------------------------------------

    def event(self, name: str, cycle: int) -> None:
        """A byte has left, a byte is there, the line is free, or the defective part asks again."""
        if name == "sent":
            assert self._sending is not None
            self._deliver(self._sending & (1 << self._data_bits) - 1, cycle)
            self._sending = None
            self._start_sending(self._frame[0] + self._frame[1], cycle)
        elif name == "received":
            self._take(cycle)
        elif name == "line free":
            self._arriving = None
            self._start_arriving(self._arrival_end, cycle)
        elif name == "asks again" and self._transmit_interrupts:
            self._request(cycle)
        self._moved(cycle)

    def _deliver(self, byte: int, cycle: int) -> None:
        if not self._cut:
            self._port.sent.append((cycle, byte))
            return
        self.slot.report(
            "serial-byte-in-break",
            cycle,
            f"${byte:02X} was sent while command bits 3 and 2 held the transmit pin low (a break): it never arrives. "
            "End the break (TIC 10) before the store, and begin it when the last byte has left.",
        )

    def pin_changed(self, name: str, level: bool, cycle: int) -> None:
        """CTS starts and stops the transmitter; DSR and DCD stand in the status and request an interrupt."""
        if name == "CTS":
            if not level:
                self._start_sending(self._crystal.ticks_at(cycle) + 1, cycle)
                if self._defective and self._waiting is None:
                    self._status |= Status.TDRE
        else:
            bit = Status.DSR if name == "DSR" else Status.DCD
            if bool(self._status & bit) is not level:
                self._status ^= bit
                self._request(cycle)
        self._moved(cycle)

    def _request(self, cycle: int) -> None:
        if self._enabled:
            self._status |= Status.IRQ

    def _moved(self, cycle: int) -> None:
        self._int.drive(not self._status & Status.IRQ, cycle)
        self._rts.drive(not self._command & 0x0C, cycle)
        self._dtr.drive(not self._command & 0x01, cycle)

    # registers ------------------------------------------------------------------------------------------------------

    def peek(self, offset: int, cycle: int) -> int:
        """Register as a read would give it."""
        if offset == 0:
            return self._received
        if offset == 1:
            hidden = not self._defective and self._cts.level(cycle)
            return self._status & ~Status.TDRE if hidden else self._status  # CTS high: TDRE reads 0 [F1]
        return self._command if offset == 2 else self._control

    def read(self, offset: int, cycle: int) -> int:
        """Read of data clears RDRF, read of status clears IRQ."""
        value = self.peek(offset, cycle)
        if offset == 0:
            self._status &= ~Status.RDRF
        elif offset == 1 and self._status & Status.IRQ:
            self._status &= ~Status.IRQ
            if self._defective and self._transmit_interrupts and self._status & Status.TDRE:
                self.slot.at(cycle + 2, "asks again")  # TDRE never falls, so the request comes back [F1]
            self._moved(cycle)
        return value

    def write(self, offset: int, value: int, cycle: int) -> None:
        """Write in `cycle`."""
        if offset == 0:
            self._write_data(value, cycle)
        elif offset == 1:
            self._command &= 0xE0
            self._status &= ~Status.OVRN
        elif offset == 2:
            asked = self._transmit_interrupts
            self._command = value
            self._cut = self._cut or (self._breaks and self._sending is not None)
            if self._transmit_interrupts and not asked and self._status & Status.TDRE:
                self._request(cycle)
            self._start_sending(self._crystal.ticks_at(cycle) + 1, cycle)
            self._wake_far_side(cycle)
        else:
            self._control = value
            self._start_sending(self._crystal.ticks_at(cycle) + 1, cycle)
        self._moved(cycle)

    def _wake_far_side(self, cycle: int) -> None:
        if self._arriving is None and self._queue and not self._rts_high:
            self._start_arriving(self._crystal.ticks_at(cycle) + 1, cycle)

    def steady_until(self, offset: int, cycle: int) -> int:
        """Status until a byte has left or arrived; command and control always."""
        if offset >= 2:
            return NEVER
        if offset == 1 and self._status & Status.IRQ:
            return cycle
        if offset == 0 and self._status & Status.RDRF:
            return cycle
        armed = (self.slot.armed(name) for name in ("sent", "received", "asks again"))
        return min((when for when in armed if when is not None), default=NEVER)

    def words(self, cycle: int) -> list[str]:
        """Rate, what moves, what waits."""
        bit = self._bit_ticks()
        rate = f"{self.settings.crystal_hz / bit:.0f} baud" if bit else "no clock"
        parity = (
            ("odd", "even", "mark", "space")[self._command >> 6] + " parity" if self._command & 0x20 else "no parity"
        )
        lines = [
            f"{rate}, {self._data_bits} data bits, {parity}",
            f"transmitter {TRANSMIT_WORDS[self._command >> 2 & 3]}; "
            f"receiver {'on' if self._enabled else 'off (DTR)'}, interrupt {'off' if self._command & 2 else 'on'}",
        ]
        if self._sending is not None:
            lines.append(
                f"shifting out ${self._sending:02X}"
                + (f", ${self._waiting:02X} waits" if self._waiting is not None else "")
            )
        elif self._waiting is not None:
            lines.append(f"${self._waiting:02X} waits for the transmitter")
        status = self.peek(1, cycle)
        names = [name for n, name in enumerate(STATUS_BITS) if status >> n & 1]
        lines.append(f"status: {', '.join(names) or 'nothing set'}")
        if self._queue:
            lines.append(f"the far side still has {len(self._queue)} bytes to send")
        return lines

    # state ----------------------------------------------------------------------------------------------------------

    def save(self, cycle: int) -> dict[str, Any]:
        """Registers, both directions, and what the far side still has to send."""
        return {
            **super().save(cycle),
            "queue": bytes(byte for byte, _ in self._queue),
            "spoiled": [[n, spoiled] for n, (_, spoiled) in enumerate(self._queue) if spoiled],
        }

    def load(self, state: dict[str, Any]) -> None:
        """Take back what `save` gave."""
        queue = load_data(self, state, queue=blob(), spoiled=many(row(COUNT, choice(*SPOILED))))
        spoiled = dict(queue["spoiled"])
        self._queue = deque((byte, spoiled.get(n, "")) for n, byte in enumerate(queue["queue"]))
