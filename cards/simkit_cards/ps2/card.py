"""A PS/2 keyboard with its two wires, to hang on port pins of a 6522 or on any other card: no registers, no addresses.

CLOCK and DATA are open drain with pull-ups; the keyboard makes the clock in both directions. Holding CLOCK low stops
it; CLOCK high with DATA low asks it to take a command.

Faithful to: IBM 101/102-key keyboards in scan code set 2; times are settings.
Left out: the false data an 84-key board may send in its first 200 ms.

Sources:
    [AT] IBM, Technical Reference, Personal Computer AT (5170), 1984, pp. 4-12, 4-13: line states, contention up to the
        rising edge of clock 10, the keyboard acknowledges a command on the line.
    [AC] A. Chapweske, The PS/2 Mouse/Keyboard Protocol, Computer-Engineering.org, 2003: contention up to clock 11; a
        code of several bytes that was broken off comes again from its first byte.
    [EMC] EMC, EKK8011 product specification V1.0, 2003, p. 9: checks for a request every 5 ms; framing error.
    [SMSC] SMSC, LPC47M102S data sheet, figure 33: data set up 5 to 25 us before the clock falls.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Any, ClassVar

import attrs

from simkit.contract import (
    BIT,
    COUNT,
    MOMENT,
    PART,
    Card,
    Drive,
    KeysPort,
    PinSpec,
    Slot,
    StateError,
    choice,
    many,
    remembers,
    saved,
    setting,
)
from simkit_cards.ps2.device import BUFFER_BYTES, Ps2Device
from simkit_cards.ps2.frame import DATA_SETUP_US, FRAME_BITS, frame_of, frame_us, odd_parity
from simkit_cards.ps2.scan_codes import CHARACTERS, KEY_BY_NAME
from simkit_cards.ps2.settings import Ps2Settings, device_traits

_COMMAND_BITS = 10  # d0 .. d7, parity, stop; the start bit is the request itself
_SAMPLE_US = 15  # after the clock rises, in the middle of the 5 to 25 us of [SMSC] t6
_LONGEST_TYPED = 3


@attrs.frozen(kw_only=True)
class Ps2KeyboardSettings(Ps2Settings):
    """Which keyboard hangs on the wires."""

    start_delay_us: int = setting(
        100, unit="us", low=50, high=20_000, help="from CLOCK let go by the host to the first start bit, 50 at least"
    )
    request_delay_us: int = setting(
        1_000, unit="us", low=10, high=15_000, help="from a request to send to the first clock, up to 10 or 15 ms"
    )
    contention_clock: int = setting(
        10, one_of=(10, 11), also=(11,), help="CLOCK pulled low before this clock stops a frame; sources say 10 or 11"
    )
    broken_code: str = setting(
        "byte",
        one_of=("byte", "sequence"),
        also=("sequence",),
        help="what comes again after a frame was stopped: the byte [AT] or all [AC]",
    )


@remembers
class Ps2Keyboard(Card):
    """Moves CLOCK and DATA edge by edge."""

    kind: ClassVar[str] = "ps2-keyboard"
    title: ClassVar[str] = "Keyboard on port pins"
    Settings: ClassVar[type] = Ps2KeyboardSettings
    faithful_to: ClassVar[str] = "PS/2 keyboard, scan code set 2"

    device: Ps2Device = saved(PART)
    _mode: str = saved(choice("idle", "send", "take"), "idle")
    _bits: list[int] = saved(many(BIT), [])  # of the frame to send, or taken
    _step: int = saved(COUNT, 0)
    _free_at: int = saved(MOMENT, 0)  # no frame before
    _clock_high_at: int = saved(MOMENT, 0)  # microsecond in which CLOCK last went high

    @classmethod
    def pins(cls, settings: Ps2KeyboardSettings) -> tuple[PinSpec, ...]:
        """The two wires."""
        return (
            PinSpec(name="CLOCK", drive=Drive.OPEN_DRAIN, listens=True, help="made by the keyboard; low stops it"),
            PinSpec(name="DATA", drive=Drive.OPEN_DRAIN, listens=True, help="both ways; low bit first"),
        )

    def __init__(self, settings: Ps2KeyboardSettings, slot: Slot) -> None:
        super().__init__(settings, slot)
        traits = device_traits(settings, slot.number)
        self.device = Ps2Device(attrs.evolve(traits, repeats_sequences=settings.broken_code == "sequence"))
        self._us = slot.crystal(Fraction(1_000_000), "keyboard")
        byte_us = frame_us(settings.bit_us) + settings.byte_gap_us
        slot.port(
            KeysPort(
                "keys",
                tuple(KEY_BY_NAME),
                dict(CHARACTERS),
                ready_at=self._ready_at,
                gap_cycles=-int(-_LONGEST_TYPED * Fraction(byte_us, 10**6) * slot.clock_hz // 1),
            )
        )

    # life -----------------------------------------------------------------------------------------------------------

    def power_on(self, cycle: int) -> None:
        """Both wires free, self-test begun."""
        now = self._us.ticks_at(cycle)
        for name in ("device", "start", "step"):
            self.slot.cancel(name)
        self._mode, self._bits, self._step = "idle", [], 0
        self._free_at = self._clock_high_at = now
        self._drive(True, True, cycle)
        self.device.power_on(now)
        self._consider(cycle)

    def _ready_at(self, cycle: int) -> int:
        ends = self.device.self_test_ends
        return cycle if ends is None else max(cycle, self._us.first_cycle_at(ends) + 1)

    def outside(self, port: str, action: str, arguments: tuple[Any, ...], cycle: int) -> None:
        """A key goes down or comes up."""
        move = self.device.press if action == "press" else self.device.release
        overran = self.device.overran
        move(arguments[0], self._us.ticks_at(cycle))
        if self.device.overran and not overran:
            self.slot.report(
                "keyboard-overran",
                cycle,
                f"The key {arguments[0]} found no place in the keyboard's own buffer of {BUFFER_BYTES} codes: nobody "
                "let it send for so long (CLOCK low, or a command that it waits for).",
            )
        self._consider(cycle)

    def pin_changed(self, name: str, level: bool, cycle: int) -> None:
        """A wire moved; while idle that may let a frame or a command begin."""
        if name == "CLOCK" and level:
            self._clock_high_at = self._us.ticks_at(cycle)
        self._consider(cycle)

    def event(self, name: str, cycle: int) -> None:
        """Self-test, repeat, the beginning of a frame or of a command, or the next edge."""
        if name == "device":
            self.device.run(self._us.ticks_at(cycle), inhibited=not self._level("CLOCK", cycle))
        elif name == "start":
            self._start(cycle)
        elif self._mode == "send":
            self._send(cycle)
        else:
            self._take(cycle)
        self._consider(cycle)

    # wires ----------------------------------------------------------------------------------------------------------

    def _level(self, name: str, cycle: int) -> bool:
        return self.slot.pin(name).level(cycle)

    def _drive(self, clock: bool, data: bool, cycle: int) -> None:
        self.slot.pin("DATA").drive(None if data else False, cycle)
        self.slot.pin("CLOCK").drive(None if clock else False, cycle)

    def _arm(self, name: str, moment: int, cycle: int) -> None:
        """Arm an event for a moment, or for `cycle`, the present one, when that is over."""
        self.slot.at(max(cycle, self._us.first_cycle_at(moment)), name)

    def _consider(self, cycle: int) -> None:
        due = self.device.due()
        if due is None:
            self.slot.cancel("device")
        else:
            self._arm("device", due, cycle)
        if self._mode != "idle":
            return
        self.slot.cancel("start")
        if not self._level("CLOCK", cycle):
            return
        if not self._level("DATA", cycle):
            self._arm("start", self._clock_high_at + self.settings.request_delay_us, cycle)
        elif self.device.next_code() is not None:
            earliest = max(self._clock_high_at + self.settings.start_delay_us, self._free_at)
            self._arm("start", max(earliest, self._us.ticks_at(cycle) + 1), cycle)

    def _start(self, cycle: int) -> None:
        now = self._us.ticks_at(cycle)
        if not self._level("DATA", cycle):
            self._mode, self._bits, self._step = "take", [], 0
            self._take(cycle)
            return
        code = self.device.next_code()
        if code is not None:
            self._mode, self._step = "send", 0
            self._bits = list(frame_of(code, wrong_parity=self.device.wrong_parity))
            self._free_at = now + frame_us(self.settings.bit_us) + self.settings.byte_gap_us
            self._send(cycle)

    def _end(self, cycle: int) -> None:
        self._drive(True, True, cycle)
        self._mode, self._bits, self._step = "idle", [], 0

    # keyboard to host -----------------------------------------------------------------------------------------------

    def _send(self, cycle: int) -> None:
        """Three steps a bit: data out, clock falls, clock rises; the frame began at free_at less its length and gap."""
        settings = self.settings
        number, part = divmod(self._step, 3)
        half = settings.bit_us // 2
        if part == 2:
            self.slot.pin("CLOCK").drive(None, cycle)
        stopped = not self._level("CLOCK", cycle)
        # Clock 10 rises in step 29, clock 11 falls in step 31.
        limit = 29 if settings.contention_clock == 10 else 31
        if stopped and self._step <= limit:
            self._end(cycle)  # the code stays in the buffer
            self.device.broken_off()
            return
        if part == 0:
            self.slot.pin("DATA").drive(None if self._bits[number] else False, cycle)
        elif part == 1:
            self.slot.pin("CLOCK").drive(False, cycle)
        elif number == FRAME_BITS - 1:
            self._end(cycle)
            self.device.sent(self._us.ticks_at(cycle))
            return
        self._step += 1
        number, part = divmod(self._step, 3)
        began = self._free_at - settings.byte_gap_us - frame_us(settings.bit_us)
        self._arm("step", began + number * settings.bit_us + (0, DATA_SETUP_US, DATA_SETUP_US + half)[part], cycle)

    # host to keyboard -----------------------------------------------------------------------------------------------

    def _take(self, cycle: int) -> None:
        """Three steps a clock: clock falls (the host puts its bit out), clock rises, the bit is taken."""
        clock, part = divmod(self._step, 3)
        now = self._us.ticks_at(cycle)
        half = self.settings.bit_us // 2
        wait = (half, _SAMPLE_US, half - _SAMPLE_US)[part]
        if part == 0:
            if not self._level("CLOCK", cycle):
                self._end(cycle)  # the host gave up
                return
            self.slot.pin("CLOCK").drive(False, cycle)
        elif part == 1:
            self.slot.pin("CLOCK").drive(None, cycle)
        elif clock < _COMMAND_BITS:
            self._bits.append(int(self._level("DATA", cycle)))
            if len(self._bits) == _COMMAND_BITS and self._bits[-1]:
                self.slot.pin("DATA").drive(False, cycle)  # acknowledge on the line
        elif self._bits[_COMMAND_BITS - 1]:
            taken = self._bits
            self._end(cycle)
            self._free_at = now + self.settings.byte_gap_us
            self._obey(taken, now)
            return
        elif self._level("DATA", cycle):  # framing error: clocked until DATA is high, then asks again. [EMC]
            self._end(cycle)
            self._free_at = now + self.settings.byte_gap_us
            self.device.bad_command()
            return
        self._step += 1
        self._arm("step", now + wait, cycle)

    def _obey(self, bits: list[int], now: int) -> None:
        *data, parity, _stop = bits
        byte = sum(bit << place for place, bit in enumerate(data))
        if parity == odd_parity(byte):
            self.device.command(byte, now)
        else:
            self.device.bad_command()

    # state ----------------------------------------------------------------------------------------------------------

    def check_state(self) -> None:
        """The bits are those of the step."""
        number = {"idle": 0, "send": FRAME_BITS, "take": min(self._step // 3, _COMMAND_BITS)}[self._mode]
        if len(self._bits) != number:
            raise StateError("bits", f"are {len(self._bits)}, not {number}: mode {self._mode!r}, step {self._step}")
        if self._mode == "send" and (self._step >= 3 * FRAME_BITS or self.device.next_code() is None):
            raise StateError("mode", "is 'send', but the frame is over, or the keyboard has no code to send")

    def words(self, cycle: int) -> list[str]:
        """What it does on its wires."""
        doing = {"idle": "idle", "send": "sending a code", "take": "taking a command"}[self._mode]
        held = self.device.held
        return [f"the keyboard is {doing}", "keys down: " + ", ".join(held) if held else "no key is down"]
