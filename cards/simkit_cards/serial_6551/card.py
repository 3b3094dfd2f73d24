"""Serial card round a 6551-type ACIA: four registers, one interrupt line, byte times from its own crystal.

The far side of the line runs at the rate that the card is set to, and sends bytes back to back; what it is given while
it sends waits in its queue. With `cable = "rts-cts"` it pauses between bytes while RTS is high.

Faithful to: SY6551, R6551, CDP65C51, W65C51N (setting `part`).
Left out: 1.5 stop bits with parity; a far side at another rate; bits of a break on the receive pin.

Sources:
    [SY] Synertek, SY6551 data sheet: status, command and control register tables.
    [CDP] Harris, CDP65C51 data sheet: pages 5-15 and 5-16, Figures 5, 9, 10, 14.
    [WDC] Western Design Center, W65C51N data sheet: pages 8 to 14, note at the transmitter data register empty bit.
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
from simkit_cards.serial_6551 import told
from simkit_cards.serial_6551.board import STATUS_BITS, Serial6551Settings, Status, board_pins, board_registers
from simkit_cards.serial_6551.frame import CRYSTALS_PER_BIT, HALF_BITS, OUTSIDE_CLOCKS_PER_BIT
from simkit_cards.serial_6551.parts import PARTS

QUEUE_LIMIT = 1 << 20
"""Bytes the far side holds; more are refused with a finding."""

SPOILED = ("parity", "framing")
"""How the line spoils a byte: what a serial port says of it."""

BREAK = 0x0C
"""Command bits 3 and 2: the transmit pin is held low. [SY] command register"""

LONG_WAIT = Fraction(20, 1000)
"""Seconds for which nothing can leave before it is told; chosen: forty byte times at 19 200 baud."""

CTS_HIGH = "CTS is high"
"""What keeps a byte, where the program and its commands do not."""

ERRORS = Status.PE | Status.FE | Status.OVRN

TRANSMIT_WORDS = ("off, RTS high", "on, interrupts, RTS low", "on, RTS low", "sends a break, RTS low")


@remembers
class Serial6551(Card):
    """Moves bytes between CPU and serial port, one frame time a byte."""

    kind: ClassVar[str] = "serial-6551"
    Settings: ClassVar[type] = Serial6551Settings
    model: ClassVar[int] = 2
    faithful_to: ClassVar[str] = "SY6551, R6551, CDP65C51, W65C51N"

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
    _marked: int | None = saved(optional(BYTE), None)  # what the far side will have of a frame that CTS has cut
    # Crystal tick at which the byte that is not there will have ended, where each such byte asks for an interrupt.
    _idle_end: int | None = saved(optional(MOMENT), None)
    _modem_held: bool = saved(FLAG, False)  # DSR and DCD stand in the status as they were when they asked
    _wait: str = saved(choice("", "watched", "told"), "")  # what has been done about that nothing can leave

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
        self._part = PARTS[settings.part]
        self._defective = self._part.always_ready
        self._lacks = not (self._part.parity and self._part.transmit_interrupts)
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
        self._waiting = self._sending = self._marked = None
        self._cut = self._modem_held = False
        self._wait = ""
        self._idle_end = None
        for name in ("sent", "marked", "idles", "waits"):
            self.slot.cancel(name)
        self._moved(cycle)

    def _modem(self, cycle: int) -> int:
        dcd = Status.DCD if self._dcd.level(cycle) else 0
        return dcd | (Status.DSR if self.slot.pin("DSR").level(cycle) else 0)

    # rates ----------------------------------------------------------------------------------------------------------

    @property
    def _rts_high(self) -> bool:
        return not self._command & 0x1C  # low in echo mode too: [CDP] Figure 5, [WDC] page 13

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
        return OUTSIDE_CLOCKS_PER_BIT if self._part.crystal_at_rate_0 and not rate else 0

    @property
    def _data_bits(self) -> int:
        return 8 - (self._control >> 5 & 3)

    @property
    def _parity(self) -> bool:
        return self._part.parity and bool(self._command & 0x20)

    @property
    def _half_bits(self) -> int:
        return HALF_BITS[self._control >> 5 | (self._command >> 2 & 0x08 if self._part.parity else 0)]

    def _byte_cycles(self, cycle: int) -> int:
        half_ticks = self._bit_ticks(receiver=True) * self._half_bits if self._enabled else 0
        cycles = half_ticks * self.slot.clock_hz / (2 * int(self.settings.crystal_hz))
        return -(-cycles.numerator // cycles.denominator)

    # transmitter ----------------------------------------------------------------------------------------------------

    def _stopped(self, cycle: int) -> str:
        """What keeps the transmitter from beginning a byte; empty: nothing."""
        if not self._bit_ticks():
            return "rate 0 (control bits 3 to 0) wants a clock on RxC, and there is none"
        return self._held(cycle)

    def _held(self, cycle: int) -> str:
        """What keeps it from beginning a byte with a clock that runs."""
        if not self._command & 0x0C:
            return "TIC 00 (command bits 3 and 2) turns the transmitter off"
        if not self._command & 0x01 and self._part.dtr_stops_transmitter:
            return "DTR (command bit 0) at 0 turns the transmitter off"
        return CTS_HIGH if self._cts.level(cycle) else ""

    def _start_sending(self, first_tick: int, cycle: int) -> None:
        """Move the waiting byte to the shift register if the transmitter runs and rests."""
        if self._waiting is None or self._sending is not None:
            return
        bit = self._bit_ticks()
        if not bit or self._held(cycle):
            self._watch_wait(cycle)
            return
        if self._wait:
            self._can_send()
        self._sending, self._waiting = self._waiting, None
        self._cut = self._breaks
        self._frame = (first_tick, bit * self._half_bits // 2, bit)
        self.slot.at(max(cycle, self._crystal.first_cycle_at(first_tick + self._frame[1])), "sent")
        self._set_tdre(cycle)

    def _watch_wait(self, cycle: int) -> None:
        """Nothing can leave now: tell of it if that lasts."""
        if not self._wait:
            self._wait = "watched"
            cycles = LONG_WAIT * self.slot.clock_hz
            self.slot.at(cycle + -(-cycles.numerator // cycles.denominator), "waits")

    def _can_send(self) -> None:
        self._wait = ""
        self.slot.cancel("waits")

    def _report_wait(self, cycle: int) -> None:
        why = self._stopped(cycle)
        if not why or (self._waiting is None and why != CTS_HIGH):
            self._wait = ""
            return
        self._wait = "told"
        message = told.waits(self._waiting, why, int(LONG_WAIT * 1000), ready_falls=not self._defective)
        self.slot.report("serial-byte-waits", cycle, message)

    def _pace_idle(self, cycle: int, tick: int | None = None) -> None:
        """See that interrupts go on a byte time apart where there is nothing to send, from crystal tick `tick` or now.

        [CDP] Figure 9.
        """
        if self._idle_end is None and not self._transmit_interrupts:
            return
        wanted = (
            self._asks and self._part.interrupts_without_data and self._sending is None and not self._stopped(cycle)
        )
        if wanted is (self._idle_end is not None):
            return
        if wanted:
            self._arm_idle(self._crystal.ticks_at(cycle) + 1 if tick is None else tick, cycle)
        else:
            self._idle_end = None
            self.slot.cancel("idles")

    def _arm_idle(self, tick: int, cycle: int) -> None:
        self._idle_end = tick + self._bit_ticks() * self._half_bits // 2
        self.slot.at(max(cycle, self._crystal.first_cycle_at(self._idle_end)), "idles")

    def _set_tdre(self, cycle: int) -> None:
        self._status |= Status.TDRE
        if self._transmit_interrupts:
            self._request(cycle)

    @property
    def _asks(self) -> bool:
        return self._transmit_interrupts and self._enabled

    @property
    def _transmit_interrupts(self) -> bool:
        return self._command & 0x0C == 0x04

    def _write_data(self, value: int, cycle: int) -> None:
        if self._defective and self._sending is not None:
            self._spoil(value, cycle)
            return
        if self._waiting is not None:
            self.slot.report("serial-byte-replaced", cycle, told.replaced(value, self._waiting))
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
            "serial-store-while-shifting", cycle, told.stored_while_shifting(value, left, self._frame_cycles())
        )
        self._set_tdre(cycle)

    def _cut_by_cts(self, cycle: int) -> None:
        """CTS went high: the line goes to mark in the middle of the byte, and the far side takes the rest for ones.

        It samples in the middle of each bit; a start bit of less than half its time is none. Arithmetic.
        """
        assert self._sending is not None
        start, length, bit = self._frame
        sampled = (2 * (self._crystal.ticks_at(cycle) - start) + bit) // (2 * bit)  # start bit and data bits
        every = (1 << self._data_bits) - 1
        byte = self._sending & every
        seen = (byte | every << max(0, sampled - 1)) & every
        if self._cut:
            self._deliver(byte, cycle)
        elif sampled and self._marked is None:  # else the far side is still busy with the frame that was cut before
            self._marked = seen
            self.slot.at(max(cycle, self._crystal.first_cycle_at(start + length)), "marked")
        if not sampled or seen != byte:
            self.slot.report("serial-byte-cut", cycle, told.cut(byte, seen if sampled else None))
        self._sending = None
        self.slot.cancel("sent")

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
            middle = tick + bit * (2 + 2 * self._data_bits + 2 * self._parity + 1) // 2
            self.slot.at(max(cycle, self._crystal.first_cycle_at(middle)), "received")

    def _report_not_listening(self, byte: int, cycle: int) -> None:
        self.slot.report("serial-not-listening", cycle, told.not_listening(byte))

    def _errors(self, spoiled: str) -> int:
        """Status bit of a fault on the line; mark and space parity are not checked. [SY] command register."""
        if spoiled == "framing":
            return Status.FE
        return Status.PE if spoiled == "parity" and self._parity and not self._command & 0x80 else 0

    def _take(self, cycle: int) -> None:
        assert self._arriving is not None
        byte, spoiled = self._arriving
        self.slot.at(max(cycle, self._crystal.first_cycle_at(self._arrival_end)), "line free")
        if not self._enabled or self._dcd.level(cycle):
            self._report_not_listening(byte, cycle)
            return
        if self._command & 0x1C == 0x10 and not self._status & Status.RDRF and not self._cts.level(cycle):
            # Echo mode, TIC 00 [SY]. An overrun sends mark instead [CDP Figure 14], and so does CTS high (from memory).
            self._port.sent.append((cycle, byte))
        if self._status & Status.RDRF:
            self._status |= Status.OVRN
            self.slot.report("serial-overrun", cycle, told.overrun(byte, self._byte_cycles(cycle)))
        else:
            self._received = byte
            self._status &= ~ERRORS
            self._status |= Status.RDRF | self._errors(spoiled)
        if not self._command & 0x02:
            self._request(cycle)

    # events ---------------------------------------------------------------------------------------------------------

    def event(self, name: str, cycle: int) -> None:
        """A byte has left, a byte is there, the line is free, or a part asks again."""
        if name == "sent":
            assert self._sending is not None
            self._deliver(self._sending & (1 << self._data_bits) - 1, cycle)
            self._sending = None
            self._start_sending(self._frame[0] + self._frame[1], cycle)
            self._pace_idle(cycle, self._frame[0] + self._frame[1])
        elif name == "marked":
            assert self._marked is not None
            self._port.sent.append((cycle, self._marked))
            self._marked = None
        elif name == "idles":
            assert self._idle_end is not None
            self._request(cycle)
            self._arm_idle(self._idle_end, cycle)
        elif name == "waits":
            self._report_wait(cycle)
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
        self.slot.report("serial-byte-in-break", cycle, told.in_break(byte))

    def pin_changed(self, name: str, level: bool, cycle: int) -> None:
        """CTS starts and stops the transmitter; DSR and DCD stand in the status and request an interrupt."""
        if name != "CTS":
            self._look_at_modem(cycle)
        elif level:
            if self._sending is not None and self._part.cts_cuts_byte:
                self._cut_by_cts(cycle)
            self._start_sending(0, cycle)  # which it does not: a byte begins to wait
        else:
            self._can_send()
            if self._waiting is None:
                self._set_tdre(cycle)
            self._start_sending(self._crystal.ticks_at(cycle) + 1, cycle)
        if name == "CTS":
            self._pace_idle(cycle)
        self._moved(cycle)

    def _look_at_modem(self, cycle: int) -> None:
        """Take DSR and DCD as they are, unless the status still has to tell of their last change.

        A change asks for an interrupt; the bits then hold until status is read, and what has moved meanwhile asks again
        at once ([CDP] page 5-15, [WDC] page 10). Where no interrupt is asked for they follow the pins: our reading.
        """
        now = self._modem(cycle)
        if self._modem_held or now == self._status & (Status.DSR | Status.DCD):
            return
        self._status = self._status & ~(Status.DSR | Status.DCD) | now
        if self._enabled and not (self._part.ird_masks_modem and self._command & 0x02):
            self._modem_held = True
            self._request(cycle)

    def _request(self, cycle: int) -> None:
        if self._enabled:
            self._status |= Status.IRQ

    def _put_request(self, cycle: int) -> None:
        self._int.drive(not self._status & Status.IRQ, cycle)

    def _moved(self, cycle: int) -> None:
        self._put_request(cycle)
        self._rts.drive(self._rts_high, cycle)
        self._dtr.drive(not self._command & 0x01, cycle)

    # registers ------------------------------------------------------------------------------------------------------

    def peek(self, offset: int, cycle: int) -> int:
        """Register as a read would give it."""
        if offset == 0:
            return self._received
        if offset == 1:
            return self._status & ~Status.TDRE if self._hidden(cycle) else self._status
        return self._command if offset == 2 else self._control

    def _hidden(self, cycle: int) -> bool:
        """Whether TDRE reads 0 because CTS is high. [CDP] Figure 10, [F1]."""
        return not self._defective and self._cts.level(cycle)

    @property
    def _cleared_by_data(self) -> int:
        return Status.RDRF | ERRORS if self._part.errors_end_with_read else Status.RDRF

    def read(self, offset: int, cycle: int) -> int:
        """Read of data clears RDRF, read of status clears IRQ."""
        value = self.peek(offset, cycle)
        if offset == 0:
            self._status &= ~self._cleared_by_data
            return value
        if offset == 1 and not value & Status.TDRE and self._sending is None:
            self._watch_wait(cycle)
        if offset == 1 and self._status & Status.IRQ:
            self._status &= ~Status.IRQ
            self._modem_held = False
            self._look_at_modem(cycle)
            if self._defective and self._transmit_interrupts and self._status & Status.TDRE:
                self.slot.at(cycle + 2, "asks again")  # TDRE never falls, so the request comes back [F1]
            self._moved(cycle)
        return value

    def write(self, offset: int, value: int, cycle: int) -> None:
        """Write in `cycle`."""
        if offset == 0:
            self._write_data(value, cycle)
            if self._idle_end is not None:
                self._pace_idle(cycle)
            self._put_request(cycle)
            return
        if offset == 1:
            self._command &= 0xE0
            self._status &= ~Status.OVRN
            self._start_sending(0, cycle)  # which it does not: what waits, waits from now on
        elif offset == 2:
            self._write_command(value, cycle)
        else:
            self._control = value
            self._start_sending(self._crystal.ticks_at(cycle) + 1, cycle)
        self._pace_idle(cycle)
        self._moved(cycle)

    def _write_command(self, value: int, cycle: int) -> None:
        asked, before = self._asks, self._command
        self._command = value
        if self._lacks:
            self._report_lacks(before, cycle)
        self._cut = self._cut or (self._breaks and self._sending is not None)
        if self._asks and not asked and self._status & Status.TDRE and not self._hidden(cycle):
            self._request(cycle)
        self._start_sending(self._crystal.ticks_at(cycle) + 1, cycle)
        self._wake_far_side(cycle)

    def _report_lacks(self, before: int, cycle: int) -> None:
        """Tell of what a program turns on that the part in the socket does not have."""
        part, now = self.settings.part, self._command
        if not self._part.parity and now & ~before & 0x20:
            self.slot.report("serial-part-lacks", cycle, told.no_parity(now, part))
        if not self._part.transmit_interrupts and self._transmit_interrupts and before & 0x0C != 0x04:
            self.slot.report("serial-part-lacks", cycle, told.no_transmit_interrupts(now, part))

    def _wake_far_side(self, cycle: int) -> None:
        if self._arriving is None and self._queue and not self._rts_high:
            self._start_arriving(self._crystal.ticks_at(cycle) + 1, cycle)

    def steady_until(self, offset: int, cycle: int) -> int:
        """Status until a byte has left or arrived; command and control always."""
        if offset >= 2:
            return NEVER
        if offset == 1 and self._status & Status.IRQ:
            return cycle
        if offset == 0 and self._status & self._cleared_by_data:
            return cycle
        if offset == 1 and not self._wait and self._hidden(cycle):
            return cycle  # the first look begins the time after which it is told
        armed = (self.slot.armed(name) for name in ("sent", "received", "asks again", "idles"))
        return min((when for when in armed if when is not None), default=NEVER)

    def words(self, cycle: int) -> list[str]:
        """Rate, what moves, what waits."""
        bit = self._bit_ticks()
        rate = f"{self.settings.crystal_hz / bit:.0f} baud" if bit else "no clock"
        parity = ("odd", "even", "mark", "space")[self._command >> 6] + " parity" if self._parity else "no parity"
        echoes = self._command & 0x1C == 0x10
        lines = [
            f"{rate}, {self._data_bits} data bits, {parity}",
            f"transmitter {'echoes, RTS low' if echoes else TRANSMIT_WORDS[self._command >> 2 & 3]}; "
            f"receiver {'on' if self._enabled else 'off (DTR)'}, interrupt {'off' if self._command & 2 else 'on'}",
        ]
        if self._sending is not None:
            lines.append(
                f"shifting out ${self._sending:02X}"
                + (f", ${self._waiting:02X} waits" if self._waiting is not None else "")
            )
        elif self._waiting is not None:
            lines.append(f"${self._waiting:02X} waits for the transmitter: {self._stopped(cycle)}")
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
