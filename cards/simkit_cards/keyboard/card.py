"""Keyboard card: a microcontroller takes a PS/2 keyboard's codes into a ring buffer and shows the oldest on a port.

Offset 0 is the status register, offset 1 the data register. The two read strobes also drive a set/reset latch that
tells the controller when the code was taken; see controller.py for what happens when a program is faster than that.

Faithful to: cards of this class built round a small PIC (common practice); keyboard and line as in ps2/device.py and
ps2/frame.py. Left out: host commands that cut into a frame, a second keyboard.
"""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from typing import Any, ClassVar

import attrs

from simkit.contract import (
    FURTHEST,
    NEVER,
    PART,
    Card,
    Drive,
    KeysPort,
    PinSpec,
    Register,
    SimkitError,
    Slot,
    parse_hz,
    remembers,
    saved,
    setting,
    whole,
)
from simkit_cards.keyboard.controller import ControllerTiming, KeyController
from simkit_cards.keyboard.line import KeyboardLine, LineTraits
from simkit_cards.keyboard.ring_buffer import POLICIES, RingBuffer
from simkit_cards.keyboard.scan_decoder import DECODER, ScanDecoder
from simkit_cards.ps2.device import Ps2Device
from simkit_cards.ps2.frame import frame_us
from simkit_cards.ps2.scan_codes import CHARACTERS, KEY_BY_NAME
from simkit_cards.ps2.settings import Ps2Settings, device_traits

STATUS, DATA = 0, 1
_FLAGS = ("ready", "overflow", "parity_fault", "interrupt")
NO_CODE = -1
"""No code on the port has been read yet."""
LONGEST_TYPED = 3  # bytes of the longest event of a typed character: E0 F0 xx


@attrs.frozen(kw_only=True)
class KeyboardSettings(Ps2Settings):
    """How this board is wired, what its controller does, and which keyboard hangs on it."""

    ready_bit: int = setting(0, low=-1, high=7, help="status bit: a code waits; -1: not wired")
    overflow_bit: int = setting(1, low=-1, high=7, help="status bit: a code was lost since the ring was last empty")
    fault_bit: int = setting(2, low=-1, high=7, help="status bit: a frame with wrong parity came since the last code")
    interrupt_bit: int = setting(-1, low=-1, high=7, help="status bit: the INT pin is pulled low")
    ready_active: str = setting("high", one_of=("high", "low"), help="level of the ready bit when a code waits")
    flags_active: str = setting("high", one_of=("high", "low"), help="active level of the other status bits")
    spare_bits: str = setting("float", one_of=("float", "low", "high"), help="status bits without a meaning")
    latch: str = setting(
        "data-sets", one_of=("data-sets", "status-sets"), help='which read says "taken"; status-sets: latch backwards'
    )
    advance: str = setting(
        "armed",
        one_of=("armed", "every-poll", "self-clearing"),
        help="when the controller moves on: once a status read, at every poll of a set latch, or resetting it itself",
    )
    glitch_percent: int = setting(
        0, unit="%", low=0, high=100, help="chance that a read of one register also strobes the other (decoder spike)"
    )
    delivers: str = setting("scan-codes", one_of=("scan-codes", "characters"), help="what comes through the data port")
    ring_slots: int = setting(16, unit="bytes", low=2, high=224, help="places in the ring buffer")
    ring_form: str = setting(
        "one-slot-empty", one_of=("one-slot-empty", "counted"), help="counted: uses every place; else one fewer"
    )
    overflow: str = setting("drop-new", one_of=POLICIES, help="what a full ring does; hold-clock stops the keyboard")
    whole_sequences: bool = setting(False, help="a code that does not fit takes the rest of its sequence with it")
    checks_empty: bool = setting(True, help="the controller does not move on when the ring is empty")
    clears_port: bool = setting(False, help="the data port reads 00 while the ring is empty, not the last code")
    interrupt: str = setting(
        "level", one_of=("level", "pulse", "off"), help="INT low while codes wait, or a pulse each"
    )
    can_send: bool = setting(False, help="a write to the data register goes to the keyboard as a command")
    reset_reaches_controller: bool = setting(False, help="the RESET line also resets the controller")
    crystal: str = setting("20 MHz", help="the controller's crystal; an instruction takes four of its periods")
    poll_cycles: int = setting(6, unit="instructions", low=1, high=10_000, help="poll loop of the latch")
    pop_cycles: int = setting(
        12, unit="instructions", low=1, high=10_000, help="from a hit to the new code on the port"
    )
    push_cycles: int = setting(12, unit="instructions", low=1, high=10_000, help="storing a code")
    update_cycles: int = setting(4, unit="instructions", low=1, high=10_000, help="then ready bit and INT follow")
    entry_cycles: int = setting(14, unit="instructions", low=1, high=1_000, help="entry and exit of a bit's handler")
    bit_cycles: int = setting(25, unit="instructions", low=1, high=1_000, help="work of a bit's handler")
    pulse_cycles: int = setting(10, unit="instructions", low=1, high=100_000, help="length of an INT pulse")
    jitter_percent: int = setting(20, unit="%", low=0, high=90, help="by how much those lengths stray, seeded")
    torn_window_ns: int = setting(
        20, unit="ns", low=0, high=1000, help="before PHI2 falls: a port that changes then reads as a mix; 0: never"
    )
    idle_us: int = setting(
        2_000, unit="us", low=0, high=1_000_000, help="idle line that restarts bit counting; 0: never"
    )
    parity_faults_per_mille: int = setting(0, low=0, high=1000, help="frames that arrive with a wrong bit")
    bad_frames: str = setting("drop", one_of=("drop", "keep"), help="what the controller does with such a frame")
    lost_frames_per_mille: int = setting(0, low=0, high=1000, help="frames that are not seen at all")
    changing_data: bool = setting(False, help="data is taken at the clock edge at which it changes")
    frame_pulses: int = setting(
        1, low=1, high=4, help="times the end of a frame is seen (a slow edge counts more than 1)"
    )


@remembers
class Keyboard(Card):
    """Gives the program one code after another."""

    kind: ClassVar[str] = "keyboard"
    title: ClassVar[str] = "Keyboard controller"
    Settings: ClassVar[type] = KeyboardSettings
    model: ClassVar[int] = 2  # a poll that shows nowhere no longer stands among the pending calls of a state
    faithful_to: ClassVar[str] = "PS/2 keyboard, scan code set 2, behind a PIC-class controller"

    line: KeyboardLine = saved(PART)
    controller: KeyController = saved(PART)
    _decoder: ScanDecoder = saved(DECODER)
    # Number of the code on the port when a waiting one was last read.
    _code_read: int = saved(whole(NO_CODE, FURTHEST), NO_CODE)

    @classmethod
    def registers(cls, settings: KeyboardSettings) -> tuple[Register, ...]:
        """Status and data as wired."""
        names = [""] * 8
        for name, bit in _status_bits(settings):
            names[bit] = name
        driven = sum(1 << bit for bit in range(8) if names[bit]) if settings.spare_bits == "float" else 0xFF
        sets, resets = 'sets the "taken" latch: the controller moves on', 'resets the "taken" latch'
        if settings.glitch_percent:
            sets, resets = f"{sets}, or a spike resets it again", f"{resets}, or a spike sets it again"
        if settings.latch == "status-sets":
            sets, resets = resets, sets
        return (
            Register(STATUS, "status", "r", bits=tuple(names), driven=driven, read_effect=resets),
            Register(
                DATA,
                "data",
                "rw" if settings.can_send else "r",
                read_effect=sets,
                write_effect="goes to the keyboard" if settings.can_send else "",
            ),
        )

    @classmethod
    def constants(cls, settings: KeyboardSettings) -> Mapping[str, tuple[int, str]]:
        """How many codes may wait."""
        return {"BUFFER_SIZE": (settings.ring_slots, "places in the ring buffer")}

    @classmethod
    def pins(cls, settings: KeyboardSettings) -> tuple[PinSpec, ...]:
        """INT, open drain."""
        return (PinSpec(name="INT", drive=Drive.OPEN_DRAIN, help="pulled low for an interrupt"),)

    def __init__(self, settings: KeyboardSettings, slot: Slot) -> None:
        super().__init__(settings, slot)
        bits = dict(_status_bits(settings, slot.number))
        self._flag_masks = [1 << bits[name] if name in bits else 0 for name in _FLAGS]
        self._no_flags = 0xFF if settings.spare_bits == "high" else 0  # status with every flag inactive
        for name, bit in bits.items():
            active = settings.ready_active if name == "ready" else settings.flags_active
            self._no_flags = self._no_flags | 1 << bit if active == "low" else self._no_flags & ~(1 << bit)
        try:
            crystal_hz = parse_hz(settings.crystal)
        except SimkitError as error:
            error.slot, error.field = slot.number, "crystal"
            raise
        timing = ControllerTiming(
            poll=settings.poll_cycles,
            pop=settings.pop_cycles,
            push=settings.push_cycles,
            update=settings.update_cycles,
            handler_entry=settings.entry_cycles,
            bit=settings.bit_cycles,
            pulse=settings.pulse_cycles,
            jitter=settings.jitter_percent / 100,
        )
        ring = RingBuffer(
            settings.ring_slots,
            counted=settings.ring_form == "counted",
            policy=settings.overflow,
            whole_sequences=settings.whole_sequences,
            checks_empty=settings.checks_empty,
        )
        self.controller = KeyController(
            slot,
            ring,
            timing,
            crystal_hz,
            advance=settings.advance,
            clears_port=settings.clears_port,
            pulses=settings.interrupt == "pulse",
            changed=self._show,
            lost=self._report_lost,
        )
        self.line = KeyboardLine(
            slot,
            Ps2Device(device_traits(settings, slot.number)),
            LineTraits(
                bit_us=settings.bit_us,
                gap_us=settings.byte_gap_us,
                idle_us=settings.idle_us,
                parity_faults=settings.parity_faults_per_mille / 1000,
                lost_frames=settings.lost_frames_per_mille / 1000,
                changing_data=settings.changing_data,
            ),
            held=self._holds_clock,
            begins=self.controller.frame_begins,
            receive=self._receive,
        )
        self._decoder = ScanDecoder()
        self._data_sets = settings.latch == "data-sets"
        self._window_cycles = Fraction(settings.torn_window_ns, 10**9) * slot.clock_hz
        byte_us = frame_us(settings.bit_us) + settings.byte_gap_us
        work = timing.handler + timing.push + timing.poll + timing.pop + 2 * timing.update
        instructions = Fraction(2 * work * 4) / crystal_hz  # twice the typical lengths cover any stray
        seconds = LONGEST_TYPED * Fraction(byte_us, 10**6) + instructions
        slot.port(
            KeysPort(
                "keys",
                tuple(KEY_BY_NAME),
                dict(CHARACTERS),
                ready_at=self.line.self_test_end,
                gap_cycles=-int(-seconds * slot.clock_hz // 1),
            )
        )

    # life -----------------------------------------------------------------------------------------------------------

    def power_on(self, cycle: int) -> None:
        """Keyboard and controller begin; the keyboard tests itself first."""
        self.settled.clear()
        self._code_read = NO_CODE
        self._decoder.clear()
        self.controller.power_on(cycle)
        self.line.power_on(cycle)

    def reset(self, asserted: bool, cycle: int) -> None:
        """Nothing, unless the board joins RESET to the controller."""
        if asserted and self.settings.reset_reaches_controller:
            self.settled.clear()
            self.controller.clear(cycle)
            self._code_read = NO_CODE
            self._decoder.clear()
            self.line.forget_bits(cycle)

    def outside(self, port: str, action: str, arguments: tuple[Any, ...], cycle: int) -> None:
        """A key goes down or comes up."""
        self.settled.clear()
        self.line.key(action, arguments[0], cycle)

    def advance(self, cycle: int) -> None:
        """The controller has looked at the latch."""
        self.controller.advance(cycle)

    def event(self, name: str, cycle: int) -> None:
        """Something of the line or of the controller is due."""
        if name == "poll":
            self.controller.event(name, cycle)
            if self.controller.popping:  # else the poll has shown nowhere
                self.settled.clear()
            return
        self.settled.clear()
        if name in KeyboardLine.EVENTS:
            self.line.event(name, cycle)
        else:
            held = self._holds_clock()
            self.controller.event(name, cycle)
            if held and not self._holds_clock():
                self.line.look(cycle)

    def _holds_clock(self) -> bool:
        return self.settings.overflow == "hold-clock" and self.controller.ring.full

    def _receive(self, byte: int, good: bool, cycle: int) -> None:
        codes = []
        if good or self.settings.bad_frames == "keep":
            codes = [byte] * self.settings.frame_pulses
        if self.settings.delivers == "characters":
            codes = [character for code in codes if (character := self._decoder.feed(code)) is not None]
        self.controller.receive(codes, not good, cycle)

    def _show(self, cycle: int) -> None:
        self.slot.pin("INT").drive(False if self._interrupts else None, cycle)

    @property
    def _interrupts(self) -> bool:
        kind = self.settings.interrupt
        if kind == "level":
            return self.controller.ready
        return kind == "pulse" and self.controller.pulsing

    # bus ------------------------------------------------------------------------------------------------------------

    def peek(self, offset: int, cycle: int) -> int:
        """Status, or the data port, torn between two codes when it changes as PHI2 falls."""
        held = self.settled.get(offset)
        if held is not None and cycle < held[1]:
            return held[0]
        if offset == DATA:
            torn = self._torn(cycle)
            if torn is not None:
                return torn
            self.settled[DATA] = self.controller.port, self._port_until()
            return self.controller.port
        controller = self.controller
        ready, overflow, fault, interrupt = self._flag_masks
        value = self._no_flags
        if controller.ready:
            value ^= ready
        if controller.overflow:
            value ^= overflow
        if controller.fault:
            value ^= fault
        if interrupt and self._interrupts:
            value ^= interrupt
        self.settled[STATUS] = value, NEVER
        return value

    def _port_until(self) -> int:
        """First cycle at whose end the data port may change; not before an event that arms that change."""
        change = self.controller.port_change()
        return NEVER if change is None else self.controller.instructions.first_cycle_at(change[0]) - 1

    def _torn(self, cycle: int) -> int | None:
        change = self.controller.port_change() if self.settings.torn_window_ns else None
        if change is None:
            return None
        tick, new = change
        instructions = self.controller.instructions
        if instructions.first_cycle_at(tick) > cycle + 1:
            return None
        if cycle + 1 - instructions.moment_of(tick) > self._window_cycles:
            return None
        mix = int(self.slot.chance("torn", cycle) * 256)
        return self.controller.port & mix | new & ~mix & 0xFF

    def read(self, offset: int, cycle: int) -> int:
        """A byte, and a strobe for the latch."""
        value = self.peek(offset, cycle)
        if offset == DATA:
            self._tell_code_twice(value, cycle)
            held = self.settled.get(DATA)
            if (held is None or cycle >= held[1]) and self._torn(cycle) is not None:
                self.slot.report(
                    "torn-read", cycle, f"The data port changed as PHI2 fell: ${value:02X} is a mix of two codes."
                )
        sets = (offset == DATA) is self._data_sets
        self.controller.strobe(sets, cycle)
        if self.settings.glitch_percent and self.slot.chance("spike", cycle) * 100 < self.settings.glitch_percent:
            self.controller.strobe(not sets, cycle)
        return value

    def _report_lost(self, cycle: int) -> None:
        ring = self.controller.ring
        self.slot.report(
            "keyboard-code-lost",
            cycle,
            f"A code came while all {ring.capacity} places of the ring buffer were full: {ring.dropped} of "
            f"{ring.pushed} codes are lost so far.",
        )

    def _tell_code_twice(self, value: int, cycle: int) -> None:
        ring = self.controller.ring
        waiting = ring.count > 0
        if waiting and self._code_read == ring.popped:
            self.slot.report(
                "keyboard-code-twice",
                cycle,
                f"Data were read again before the controller moved on: ${value:02X} is the code of the read before.",
            )
        self._code_read = ring.popped if waiting else NO_CODE

    def write(self, offset: int, value: int, cycle: int) -> None:
        """A command for the keyboard, on a board that can send; else a finding."""
        self.settled.clear()
        if offset == DATA and self.settings.can_send:
            if not self.line.command(value, cycle):
                self.slot.report(
                    "keyboard-command-lost",
                    cycle,
                    f"Command ${value:02X} came while another was being sent; it is lost.",
                )
        else:
            self.slot.report(
                "write-to-keyboard",
                cycle,
                f"A write of ${value:02X} to {self.slot.accessed} went to the keyboard card, which cannot take it.",
            )

    def steady_until(self, offset: int, cycle: int) -> int:
        """To the next event of the card, when the read's strobe changes nothing."""
        sets = (offset == DATA) is self._data_sets
        tells = offset == DATA and self.controller.ring.count > 0
        if tells or self.settings.glitch_percent or self.controller.disturbs(sets):
            return cycle
        pending = [self.slot.armed(name) for name in (*KeyController.EVENTS, *KeyboardLine.EVENTS)]
        soonest = min((when for when in pending if when is not None), default=NEVER)
        return max(cycle, soonest - 1)  # a change as PHI2 falls tears the read of the cycle before

    # for people -----------------------------------------------------------------------------------------------------

    def words(self, cycle: int) -> list[str]:
        """Ring, port, latch and keys in words."""
        ring = self.controller.ring
        taken = "taken" if self.controller.latch.taken else "not taken"
        lines = [
            f"{ring.count} of {ring.capacity} codes wait; the port shows ${self.controller.port:02X}, {taken}",
            f"frames {self.line.frames}, codes in {ring.pushed}, read {ring.popped}, lost {ring.dropped}",
        ]
        held = self.line.device.held
        lines.append("keys down: " + ", ".join(held) if held else "no key is down")
        return lines


def _status_bits(settings: KeyboardSettings, slot: int | None = None) -> list[tuple[str, int]]:
    """Names and places of the status bits that are wired.

    Raises:
        SimkitError: two of them on one data line.
    """
    fields = ("ready_bit", "overflow_bit", "fault_bit", "interrupt_bit")
    wired = [(name, field, getattr(settings, field)) for name, field in zip(_FLAGS, fields, strict=True)]
    found: list[tuple[str, int]] = []
    owners: dict[int, str] = {}
    for name, field, bit in wired:
        if bit < 0:
            continue
        if bit in owners:
            raise SimkitError(
                f"{owners[bit]} and {field} are both {bit}.",
                slot=slot,
                field=field,
                remedy="Give each status bit its own data line, or -1 for one that is not wired.",
            )
        owners[bit] = field
        found.append((name, bit))
    return found
