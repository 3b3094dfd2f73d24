"""Command, control and status of a 6551, and what frames and lines follow from them. Sources are listed in card.py."""

from __future__ import annotations

import attrs

from simkit.contract import BYTE, FLAG, Pin, saved
from simkit_cards.serial_6551.board import Serial6551Settings, Status
from simkit_cards.serial_6551.frame import CRYSTALS_PER_BIT, HALF_BITS, OUTSIDE_CLOCKS_PER_BIT
from simkit_cards.serial_6551.parts import PARTS, Part

BREAK = 0x0C
"""Command bits 3 and 2: the transmit pin is held low. [SY] command register"""

ERRORS = Status.PE | Status.FE | Status.OVRN


@attrs.define(eq=False)
class Registers:
    """What a program has set, and what the status tells it; transmitter and receiver share it.

    Args:
        settings: of the board.
        rxc: pin; the outside clock is there unless wiring has done something to it.
        xtal: pin; the same of the crystal.

    Attributes:
        part: what the part in the socket does its own way.
        command: register 2, set through `set_command`.
        control: register 3, set through `set_control`.
        status: register 1, but for what CTS hides.
        modem_held: DSR and DCD stand in the status as they were when they asked for an interrupt.
        enabled: DTR, command bit 0: receiver and interrupts are on.
        data_bits: of a frame.
        parity: a frame has a parity bit.
        send_bit_ticks: crystal ticks that a bit takes on its way out, 0 when nothing clocks it.
        receive_bit_ticks: the same on its way in.
        half_bits: length of a frame in half bits.
        frame_ticks: length of a frame on its way out in crystal ticks, 0 when nothing clocks it.
    """

    settings: Serial6551Settings
    _rxc: Pin
    _xtal: Pin
    part: Part = attrs.field(init=False)
    command: int = saved(BYTE, 0)
    control: int = saved(BYTE, 0)
    status: int = saved(BYTE, Status.TDRE)
    modem_held: bool = saved(FLAG, False)
    enabled: bool = attrs.field(init=False)
    data_bits: int = attrs.field(init=False)
    parity: bool = attrs.field(init=False)
    send_bit_ticks: int = attrs.field(init=False)
    receive_bit_ticks: int = attrs.field(init=False)
    half_bits: int = attrs.field(init=False)
    frame_ticks: int = attrs.field(init=False)

    def __attrs_post_init__(self) -> None:
        self.part = PARTS[self.settings.part]
        self.derive()

    def reset(self, modem: int) -> None:
        """Command and control 0, transmitter empty, nothing received. [SY] reset rows of the register tables.

        Args:
            modem: status bits of DSR and DCD.
        """
        self.command = self.control = 0
        self.status = Status.TDRE | modem
        self.modem_held = False
        self.derive()

    def set_command(self, value: int) -> None:
        """Command was written."""
        if value != self.command:
            self.command = value
            self.derive()

    def set_control(self, value: int) -> None:
        """Control was written."""
        if value != self.control:
            self.control = value
            self.derive()

    def derive(self) -> None:
        """Work out what follows from command and control; bytes ask for it far more often than it changes."""
        command, control, part = self.command, self.control, self.part
        self.enabled = bool(command & 0x01)
        self.data_bits = 8 - (control >> 5 & 3)
        self.parity = part.parity and bool(command & 0x20)
        self.half_bits = HALF_BITS[control >> 5 | (command >> 2 & 0x08 if part.parity else 0)]
        self.send_bit_ticks = self._bit_ticks(receiver=False)
        self.receive_bit_ticks = self._bit_ticks(receiver=True)
        self.frame_ticks = self.send_bit_ticks * self.half_bits // 2

    def _bit_ticks(self, *, receiver: bool) -> int:
        rate = self.control & 0x0F
        if rate and not (receiver and not self.control & 0x10):
            return CRYSTALS_PER_BIT[rate] if self.crystal_runs else 0
        if self.settings.outside_clock_hz and self._rxc.line is None:
            return OUTSIDE_CLOCKS_PER_BIT * int(self.settings.crystal_hz) // int(self.settings.outside_clock_hz)
        at_rate_0 = self.part.crystal_at_rate_0 and not rate and self.crystal_runs
        return OUTSIDE_CLOCKS_PER_BIT if at_rate_0 else 0

    @property
    def crystal_runs(self) -> bool:
        """Whether the crystal is joined to its pins."""
        return self._xtal.line is None

    @property
    def rts_high(self) -> bool:
        """Whether this side takes no bytes; low in echo mode too: [CDP] Figure 5, [WDC] page 13."""
        return not self.command & 0x1C

    @property
    def breaks(self) -> bool:
        """Whether the transmit pin is held low."""
        return self.command & BREAK == BREAK

    @property
    def echoes(self) -> bool:
        """REM with TIC 00: what arrives is sent back. [SY] command register."""
        return self.command & 0x1C == 0x10

    @property
    def transmit_interrupts(self) -> bool:
        """TIC 01."""
        return self.command & 0x0C == 0x04

    @property
    def asks(self) -> bool:
        """Whether an empty transmit data register asks for an interrupt."""
        return self.command & 0x0D == 0x05

    def request(self) -> None:
        """Ask for an interrupt, where they are on."""
        if self.enabled:
            self.status |= Status.IRQ

    def set_tdre(self) -> None:
        """The transmit data register is empty."""
        self.status |= Status.TDRE
        if self.command & 0x0D == 0x05:
            self.status |= Status.IRQ
