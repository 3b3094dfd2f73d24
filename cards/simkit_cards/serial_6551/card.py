"""Serial card round a 6551-type ACIA: four registers, one interrupt line, byte times from its own crystal.

The far side of the line runs at the rate that the card is set to, and sends bytes back to back; what it is given while
it sends waits in its queue. With `cable = "rts-cts"` it pauses between bytes while RTS is high.

Faithful to: SY6551, R6551, CDP65C51, W65C51N (setting `part`).
Left out: 1.5 stop bits with parity; a far side at another rate; bits of a break on the receive pin.

Sources:
    [SY] Synertek, SY6551 data sheet, as public pages reproduce it: status, command and control register tables.
    [CDP] Harris, CDP65C51 data sheet: pages 5-15 and 5-16, Figures 5, 9, 10, 14.
    [WDC] Western Design Center, W65C51N data sheet: pages 8 to 14, note at the transmitter data register empty bit.
    [F1] Forum 6502.org, posts 29784 and 52022: transmit status of the W65C51N, CTS.
    [F2] Forum 6502.org, post 63115: RTS high stops the transmitter.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from fractions import Fraction
from typing import Any, ClassVar

from simkit.contract import (
    COUNT,
    MERGED,
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
    remembers,
    row,
    saved,
)
from simkit_cards.serial_6551 import told
from simkit_cards.serial_6551.board import Serial6551Settings, Status, board_pins, board_registers
from simkit_cards.serial_6551.receiver import SPOILED, Receiver
from simkit_cards.serial_6551.registers import ERRORS, Registers
from simkit_cards.serial_6551.transmitter import Transmitter
from simkit_cards.serial_6551.words import line_words, status_words

_MODEM = Status.DSR | Status.DCD


@remembers
class Serial6551(Card):
    """Moves bytes between CPU and serial port, one frame time a byte."""

    kind: ClassVar[str] = "serial-6551"
    title: ClassVar[str] = "Serial card"
    Settings: ClassVar[type] = Serial6551Settings
    model: ClassVar[int] = 3
    faithful_to: ClassVar[str] = "SY6551, R6551, CDP65C51, W65C51N"
    pin_names: ClassVar[Mapping[str, str]] = {
        **{"RS0": "A0", "RS1": "A1", "CS1": "CS1B"},
        **{"RX": "RXD", "TX": "TXD", "XTAL": "XTAL1", "XTLI": "XTAL1", "CRYSTAL": "XTAL1"},
        **{f"{name}B": name for name in ("CTS", "RTS", "DCD", "DSR", "DTR")},
    }
    own_phi2: ClassVar[bool] = True  # [WDC] Table 4; the older parts have it on pin 27, too, from memory

    _registers: Registers = saved(MERGED)
    _transmitter: Transmitter = saved(MERGED)
    _receiver: Receiver = saved(MERGED)

    @classmethod
    def registers(cls, settings: Serial6551Settings) -> tuple[Register, ...]:
        """The board as wired."""
        return board_registers(settings)

    @classmethod
    def chip_selects(cls, settings: Serial6551Settings) -> Mapping[str, bool]:
        """CS0 high and CS1B low (from memory, pin descriptions of all four parts)."""
        return {"CS0": True, "CS1B": False}

    @classmethod
    def contacts(cls, settings: Serial6551Settings) -> Mapping[int, str]:
        """Those of the 28-pin package, from memory."""
        first = (
            "VSS",
            "CS0",
            "CS1B",
            "RESB",
            "RXC",
            "XTAL1",
            "XTAL2",
            "RTSB",
            "CTSB",
            "TXD",
            "DTRB",
            "RXD",
            "RS0",
            "RS1",
        )
        last = ("VCC", "DCDB", "DSRB", *(f"D{n}" for n in range(8)), "IRQB", "PHI2", "RWB")
        return dict(enumerate((*first, *last), start=1))

    @classmethod
    def pins(cls, settings: Serial6551Settings) -> tuple[PinSpec, ...]:
        """Interrupt and modem lines; inputs that nothing is joined to have a jumper to ground, that is ready."""
        return board_pins(settings)

    def __init__(self, settings: Serial6551Settings, slot: Slot) -> None:
        super().__init__(settings, slot)
        registers = self._registers = Registers(settings, slot.pin("RXC"), slot.pin("XTAL1"))
        self._part = registers.part
        self._ready_falls = not self._part.always_ready
        self._lacks = not (self._part.parity and self._part.transmit_interrupts)
        self._cleared_by_data = Status.RDRF | ERRORS if self._part.errors_end_with_read else Status.RDRF
        self._crystal = slot.crystal(Fraction(settings.crystal_hz))
        self._int, self._rts, self._dtr = slot.pin("INT"), slot.pin("RTS"), slot.pin("DTR")
        self._cts, self._dsr, self._dcd = slot.pin("CTS"), slot.pin("DSR"), slot.pin("DCD")
        port = SerialPort(
            "serial", lambda cycle: self._receiver.byte_cycles(), lambda cycle: not self._registers.rts_high
        )
        slot.port(port)
        pauses = settings.cable == "rts-cts"
        rxd, txd = slot.pin("RXD"), slot.pin("TXD")
        transmitter = self._transmitter = Transmitter(registers, slot, self._crystal, port, self._cts, txd)
        self._receiver = Receiver(
            registers, slot, self._crystal, self._cts, self._dcd, rxd, transmitter.put_out, pauses
        )

    # life -----------------------------------------------------------------------------------------------------------

    def power_on(self, cycle: int) -> None:
        """As after a reset; the data register holds whatever it happens to hold."""
        self._receiver.power_on(self.slot.noise("receive data", 1)[0])
        self._transmitter.power_on()
        self.reset(True, cycle)

    def reset(self, asserted: bool, cycle: int) -> None:
        """Command and control 0, transmitter empty, nothing received. [SY] reset rows of the register tables."""
        if not asserted:
            return
        self._registers.reset(self._modem(cycle))
        self._transmitter.reset()
        self._moved(cycle)

    def left_unreset(self, cycle: int) -> None:
        """Command and control hold whatever they happen to hold. From memory: a sheet has values behind RESET."""
        control, command = self.slot.noise("registers without RESET", 2)
        self._registers.set_control(control)
        self._registers.set_command(command)
        self._moved(cycle)

    def outside(self, port: str, action: str, arguments: tuple[Any, ...], cycle: int) -> None:
        """A byte, and "parity" or "framing" where the line spoils it, begins to arrive or waits its turn."""
        self._receiver.give(int(arguments[0]) & 0xFF, str(arguments[1]) if len(arguments) > 1 else "", cycle)

    def event(self, name: str, cycle: int) -> None:
        """A byte has left, a byte is there, the line is free, or a part asks again."""
        if name == "sent":
            self._transmitter.sent(cycle)
        elif name == "received":
            self._receiver.arrived(cycle)
        elif name == "line free":
            self._receiver.line_free(cycle)
        elif name == "marked":
            self._transmitter.marked(cycle)
        elif name == "idles":
            self._transmitter.idles(cycle)
        elif name == "waits":
            self._transmitter.long_wait(cycle)
        elif name == "asks again" and self._registers.transmit_interrupts:
            self._registers.request()
        self._moved(cycle)

    # lines ----------------------------------------------------------------------------------------------------------

    def pin_changed(self, name: str, level: bool, cycle: int) -> None:
        """CTS starts and stops the transmitter; DSR and DCD stand in the status and request an interrupt."""
        if name == "CTS":
            self._transmitter.cts_changed(level, cycle)
        else:
            self._look_at_modem(cycle)
        self._moved(cycle)

    def _modem(self, cycle: int) -> int:
        dcd = Status.DCD if self._dcd.level(cycle) else 0
        return dcd | (Status.DSR if self._dsr.level(cycle) else 0)

    def _look_at_modem(self, cycle: int) -> None:
        """Take DSR and DCD as they are, unless the status still has to tell of their last change.

        A change asks for an interrupt; the bits then hold until status is read, and what has moved meanwhile asks again
        at once ([CDP] page 5-15, [WDC] page 10). Where no interrupt is asked for they follow the pins: our reading.
        """
        now, registers = self._modem(cycle), self._registers
        if registers.modem_held or now == registers.status & _MODEM:
            return
        registers.status = registers.status & ~_MODEM | now
        if registers.enabled and not (self._part.ird_masks_modem and registers.command & 0x02):
            registers.modem_held = True
            registers.request()

    def _moved(self, cycle: int) -> None:
        registers = self._registers
        self._int.drive(not registers.status & Status.IRQ, cycle)
        self._rts.drive(registers.rts_high, cycle)
        self._dtr.drive(not registers.enabled, cycle)

    # registers ------------------------------------------------------------------------------------------------------

    def peek(self, offset: int, cycle: int) -> int:
        """Register as a read would give it."""
        if offset == 0:
            return self._receiver.received
        registers = self._registers
        if offset == 1:
            return registers.status & ~Status.TDRE if self._hidden(cycle) else registers.status
        return registers.command if offset == 2 else registers.control

    def _hidden(self, cycle: int) -> bool:
        """Whether TDRE reads 0 because CTS is high. [CDP] Figure 10, [F1]."""
        return self._ready_falls and self._cts.level(cycle)

    def read(self, offset: int, cycle: int) -> int:
        """Read of data clears RDRF, read of status clears IRQ."""
        value = self.peek(offset, cycle)
        if offset > 1:
            return value
        registers = self._registers
        if offset == 0:
            registers.status &= ~self._cleared_by_data
            return value
        if not value & Status.TDRE and self._transmitter.sending is None:
            self._transmitter.watch_wait(cycle)
        if registers.status & Status.IRQ:
            registers.status &= ~Status.IRQ
            registers.modem_held = False
            self._look_at_modem(cycle)
            if self._part.always_ready and registers.transmit_interrupts and registers.status & Status.TDRE:
                self.slot.at(cycle + 2, "asks again")  # TDRE never falls, so the request comes back [F1]
            self._moved(cycle)
        return value

    def write(self, offset: int, value: int, cycle: int) -> None:
        """Write in `cycle`."""
        if offset == 0:
            self._transmitter.store(value, cycle)
            self._int.drive(not self._registers.status & Status.IRQ, cycle)
            return
        registers, transmitter = self._registers, self._transmitter
        if offset == 1:
            if registers.command & 0x1F:
                registers.set_command(registers.command & 0xE0)
            registers.status &= ~Status.OVRN
            transmitter.start(cycle)  # which it does not: what waits, waits from now on
        elif offset == 2:
            self._write_command(value, cycle)
        else:
            registers.set_control(value)
            transmitter.start(cycle)
        transmitter.pace_idle(cycle)
        self._moved(cycle)

    def _write_command(self, value: int, cycle: int) -> None:
        registers = self._registers
        asked, before = registers.asks, registers.command
        registers.set_command(value)
        if self._lacks:
            self._report_lacks(before, cycle)
        if registers.asks and not asked and registers.status & Status.TDRE and not self._hidden(cycle):
            registers.request()
        self._transmitter.commanded(cycle)
        self._receiver.wake(cycle)

    def _report_lacks(self, before: int, cycle: int) -> None:
        """Tell of what a program turns on that the part in the socket does not have."""
        part, now = self.settings.part, self._registers.command
        if not self._part.parity and now & ~before & 0x20:
            self.slot.report("serial-part-lacks", cycle, told.no_parity(now, part))
        if not self._part.transmit_interrupts and self._registers.transmit_interrupts and before & 0x0C != 0x04:
            self.slot.report("serial-part-lacks", cycle, told.no_transmit_interrupts(now, part))

    def steady_until(self, offset: int, cycle: int) -> int:
        """Status until a byte has left or arrived; command and control always."""
        if offset >= 2:
            return NEVER
        status = self._registers.status
        if offset == 1 and status & Status.IRQ:
            return cycle
        if offset == 0 and status & self._cleared_by_data:
            return cycle
        if offset == 1 and not self._transmitter.wait_watched and self._hidden(cycle):
            return cycle  # the first look begins the time after which it is told
        armed = (self.slot.armed(name) for name in ("sent", "received", "asks again", "idles"))
        return min((when for when in armed if when is not None), default=NEVER)

    def standstill(self, bit: str, cycle: int) -> str:
        """Nothing is received while DTR is off; INT while neither direction may ask."""
        registers = self._registers
        waiting = bool(registers.status & Status.RDRF)
        off = f"the receiver is off: bit 0 (DTR) of the command register, ${registers.command:02X}, is 0"
        if bit == "RDRF":
            return "" if waiting or registers.enabled else off
        if bit != "INT" or registers.status & Status.IRQ or registers.asks:
            return ""
        if not registers.enabled:
            return off
        if registers.command & 0x02:
            byte = "a byte waits, but " if waiting else ""
            return f"{byte}bit 1 (IRD) of the command register, ${registers.command:02X}, forbids it to ask for it"
        return ""

    def left_undone(self, cycle: int) -> str:
        """A receiver that is on, and no clock for it."""
        registers = self._registers
        if not registers.enabled or registers.control & 0x0F or self.settings.outside_clock_hz:
            return ""
        if self._part.crystal_at_rate_0:
            return ""
        return (
            f"DTR is on (command ${registers.command:02X}), and rate 0 in the control register, "
            f"${registers.control:02X}, means a clock on RxC, where none comes: nothing is sent or received"
        )

    def set_up(self, cycle: int) -> bool:
        """Command or rate were written, or a byte waits."""
        registers = self._registers
        return bool(registers.command & 0x1F or registers.control & 0x0F or registers.status & Status.RDRF)

    def words(self, cycle: int) -> list[str]:
        """Rate, what moves, what waits."""
        return [
            *line_words(self._registers),
            *status_words(self._transmitter, self.peek(1, cycle), len(self._receiver.queue), cycle),
        ]

    # state ----------------------------------------------------------------------------------------------------------

    def save(self, cycle: int) -> dict[str, Any]:
        """Registers, both directions, and what the far side still has to send."""
        queue = self._receiver.queue
        return {
            **super().save(cycle),
            "queue": bytes(byte for byte, _ in queue),
            "spoiled": [[n, spoiled] for n, (_, spoiled) in enumerate(queue) if spoiled],
        }

    def load(self, state: dict[str, Any]) -> None:
        """Take back what `save` gave."""
        queue = load_data(self, state, queue=blob(), spoiled=many(row(COUNT, choice(*SPOILED))))
        spoiled = dict(queue["spoiled"])
        self._receiver.queue = deque((byte, spoiled.get(n, "")) for n, byte in enumerate(queue["queue"]))
        self._registers.derive()
