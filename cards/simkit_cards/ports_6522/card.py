"""Ports-and-timers card round a 6522: two ports with handshake, two timers, a shift register, one interrupt line.

Every pin of the ports and the four control lines come out as pins of the card and can be joined to other cards.

Faithful to: R6522, W65C22S (setting `irq_output`).
Left out: what timer 2 reads while it paces the shift register; the order of a clock edge and a read inside one cycle
    (setting `timeout_during_read` gives either outcome); input hysteresis and drive strength.

Sources:
    [R] Rockwell, R6522 Versatile Interface Adapter, data sheet: registers, timers, peripheral control, RESET.
    [WDC] Western Design Center, W65C22 and W65C22S data sheets: section 1.7 (timer 1), Figures 2-3 and 2-4 (timer
        timing), section 2.10 and Figure 2-5 (pulse counting), Figures 2-10 to 2-12 (shift register), tIPW and tICW.
    [TEST] A public hardware test of the external shift clock, 2024; cbm-hackers list, 2023-2024.
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from typing import Any, ClassVar

from simkit.contract import BYTE, NEVER, PART, Card, PinGroup, PinSpec, Register, Slot, remembers, saved
from simkit_cards.ports_6522.board import (
    CA1,
    CA2,
    CB1,
    CB2,
    FLAGS,
    SR,
    T1,
    T2,
    Ports6522Settings,
    board_pins,
    board_registers,
)
from simkit_cards.ports_6522.handshake import CODE_WORDS, OUTPUTS, ControlLines
from simkit_cards.ports_6522.pulses import PulseWidths
from simkit_cards.ports_6522.shift import BY_CB1, MODE_WORDS, OFF, ShiftRegister
from simkit_cards.ports_6522.timers import Timer1, Timer2

NOISE_MEAN_CYCLES = 500
"""Cycles between edges of an open control line that picks up noise; an invented figure, the right one is chance."""


@remembers
class Ports6522(Card):
    """Two ports, two timers, a shift register and an interrupt line."""

    kind: ClassVar[str] = "ports-6522"
    model: ClassVar[int] = 2
    Settings: ClassVar[type] = Ports6522Settings
    faithful_to: ClassVar[str] = "R6522, W65C22S"

    _ora: int = saved(BYTE, within="registers")
    _orb: int = saved(BYTE, within="registers")
    _ddra: int = saved(BYTE, within="registers")
    _ddrb: int = saved(BYTE, within="registers")
    _acr: int = saved(BYTE, within="registers")
    _pcr: int = saved(BYTE, within="registers")
    _ifr: int = saved(BYTE, within="registers")
    _ier: int = saved(BYTE, within="registers")
    _latched_a: int = saved(BYTE, within="registers")
    _latched_b: int = saved(BYTE, within="registers")
    _open_reported: int = saved(BYTE, within="registers")  # bit 0: port A, bit 1: port B
    _t1: Timer1 = saved(PART)
    _t2: Timer2 = saved(PART)
    _sr: ShiftRegister = saved(PART)
    _a: ControlLines = saved(PART)
    _b: ControlLines = saved(PART)
    _pulses: PulseWidths = saved(PART)

    @classmethod
    def registers(cls, settings: Ports6522Settings) -> tuple[Register, ...]:
        """The sixteen registers, names as [R] prints them."""
        return board_registers(settings)

    @classmethod
    def pins(cls, settings: Ports6522Settings) -> tuple[PinSpec, ...]:
        """INT, the control lines and both ports."""
        return board_pins(settings)

    def __init__(self, settings: Ports6522Settings, slot: Slot) -> None:
        super().__init__(settings, slot)
        self._int = slot.pin("INT")
        self._port_a = PinGroup(slot.pin(f"PA{n}") for n in range(8))
        self._port_b = PinGroup(slot.pin(f"PB{n}") for n in range(8))
        self._pb6, self._pb7 = self._port_b.pins[6:]
        self._ca2, self._cb1, self._cb2 = slot.pin("CA2"), slot.pin("CB1"), slot.pin("CB2")
        self._t1 = Timer1(settings.one_shot == "reload")
        self._t2 = Timer2(settings.pulse_flag == "past-zero")
        self._sr = ShiftRegister()
        self._a = ControlLines()
        self._b = ControlLines()
        self._pulses = PulseWidths()
        self._noisy = settings.open_inputs == "noise"
        self._quiet_until = 0  # nothing happens by time alone before this cycle
        self._unshown = True  # something has happened by time alone that the pins need not show yet
        self._armed_for: int | None = None  # what "move" is armed for, NEVER when it is not; None: to be looked up
        self._clear_registers()

    def _clear_registers(self) -> None:
        self._ora = self._orb = self._ddra = self._ddrb = 0
        self._acr = self._pcr = self._ifr = self._ier = 0
        self._latched_a = self._latched_b = 0xFF
        self._open_reported = 0
        self._pulses.reset()
        self._on_pb7 = False  # PB7 is timer 1's
        self._pb7.lazy_level = None
        self.forget()

    def forget(self) -> None:
        """Account for all of the past again, show everything again."""
        super().forget()
        self._quiet_until = 0
        self._unshown = True
        self._armed_for = None
        self._port_a.forget()
        self._port_b.forget()

    # life -----------------------------------------------------------------------------------------------------------

    def power_on(self, cycle: int) -> None:
        """Timers, latches and shift register hold whatever they happen to hold."""
        n = self.slot.noise("power-up", 8)
        self._t1.power_on(cycle, n[0] | n[1] << 8, n[2] | n[3] << 8)
        self._t2.power_on(cycle, n[4], n[5] | n[6] << 8)
        self._sr.power_on(n[7])
        self._clear_registers()
        self._a.reset()
        self._b.reset()
        self._sample_control_lines(cycle)
        if self._noisy:
            for name in ("CA1", "CA2", "CB1", "CB2"):
                if self.slot.pin(name).line is None:
                    self._arm_noise(name, cycle)
        self._moved(cycle)

    def reset(self, asserted: bool, cycle: int) -> None:
        """All registers to 0 but timers, latches and shift register. [R] RESET."""
        self.advance(cycle)
        if not asserted:
            self._sample_control_lines(cycle)
            return
        self._clear_registers()
        self._t1.reset()
        self._t2.reset(cycle)
        self._sr.reset()
        self._a.reset()
        self._b.reset()
        self._moved(cycle)

    def _sample_control_lines(self, cycle: int) -> None:
        """Take the levels as they are: what moved while RESET was low is no edge."""
        for lines, names in ((self._a, ("CA1", "CA2")), (self._b, ("CB1", "CB2"))):
            lines.levels = [self.slot.pin(name).level(cycle) for name in names]

    def advance(self, cycle: int) -> None:
        """Timers, shift register and pulses up to and with `cycle`."""
        if cycle >= self._quiet_until:
            self._account(cycle)

    def _account(self, cycle: int) -> None:
        acr = self._acr
        if self._t1.advance(cycle, bool(acr & 0x40), bool(acr & 0x80)):
            self._ifr |= T1
        if self._t2.advance(cycle):
            self._ifr |= T2
        if self._sr.advance(cycle, self._half_cycles, self._b.levels[1]):
            self._ifr |= SR
        self._a.advance(cycle)
        self._b.advance(cycle)
        self._unshown = True
        self._find_quiet()

    def _find_quiet(self) -> None:
        """Look how long nothing happens by time alone; all up to now has been accounted for."""
        self._quiet_until = min(
            self._t1.quiet_until,
            self._t2.quiet_until,
            self._sr.next_edge,
            self._a.pulse_end,
            self._b.pulse_end,
        )

    @property
    def _half_cycles(self) -> int:
        """Cycles between edges of the shift clock."""
        return self._t2.latch_low + 2 if self._sr.mode & 3 in (0, 1) else 1

    def event(self, name: str, cycle: int) -> None:
        """Something moves now, or an open control line picks up noise."""
        self.advance(cycle)
        self._armed_for = None
        if name != "move":
            control = name.removeprefix("noise on ")
            lines = self._a if control[1] == "A" else self._b
            self._control_changed(control, not lines.levels[int(control[2]) - 1], cycle)
            self._arm_noise(control, cycle)
        self._moved(cycle)

    def _arm_noise(self, name: str, cycle: int) -> None:
        gap = 1 + int(self.slot.chance("noise on " + name, cycle) * 2 * NOISE_MEAN_CYCLES)
        self.slot.at(cycle + gap, "noise on " + name)

    # lines ----------------------------------------------------------------------------------------------------------

    def pin_changed(self, name: str, level: bool, cycle: int) -> None:
        """A control line or PB6 moved."""
        if cycle >= self._quiet_until:
            self._account(cycle)
        if self._pulses.too_short(name, cycle):
            self._report_short(name, cycle)
        if name == "PB6":
            if not level and self._t2.pulse():
                self._ifr |= T2
            elif not self._unshown:
                return  # all is out already
        else:
            self._control_changed(name, level, cycle)
        self._moved(cycle)

    def pin_followed(self, name: str, cycle: int) -> None:
        """PB7 is the timer's, and somebody wants every edge of it."""
        self.advance(cycle)
        self._moved(cycle)

    def _control_changed(self, name: str, level: bool, cycle: int) -> None:
        lines, first, second = (self._a, CA1, CA2) if name[1] == "A" else (self._b, CB1, CB2)
        if name[2] == "2":
            if lines.second_changed(level) and not (lines is self._b and self._sr.mode != OFF):
                self._ifr |= second
            return
        if lines is self._b:
            if self._sr.makes_clock:
                lines.levels[0] = level  # its own clock; no flag
                return
            if level is not lines.levels[0]:
                self._shift_clocked(level, cycle)
        if lines.first_changed(level):
            if not self._ifr & first:
                self._latch(first, cycle)
            self._ifr |= first

    def _shift_clocked(self, level: bool, cycle: int) -> None:
        if self._sr.mode not in BY_CB1:
            return
        window = self.settings.shift_defect_ns
        if window and level and self._sr.mode == BY_CB1[0] and not self.settings.cb1_resynchronised:
            # Where in its cycle the edge falls is not known here: for a clock of its own, any place is as likely.
            share = Fraction(window, 1_000_000_000) * self.slot.clock_hz
            if self.slot.chance("shift clock", cycle) < share:
                self.slot.report(
                    "shift-clock-lost",
                    cycle,
                    f"A rise of CB1 came within {window} ns before PHI2 fell; the shift register lost that bit. "
                    "Resynchronise the clock with a flip-flop on PHI2.",
                )
                return
        if self._sr.clocked(level, self._b.levels[1]):
            self._ifr |= SR

    def _latch(self, flag: int, cycle: int) -> None:
        if flag == CA1:
            self._latched_a = self._levels(self._port_a, cycle)
        else:
            self._latched_b = self._levels(self._port_b, cycle)

    def _levels(self, port: PinGroup, cycle: int) -> int:
        if not self._noisy:
            return port.levels(cycle)
        value = 0
        for n, pin in enumerate(port.pins):
            if pin.line is None and pin.value is None:
                value |= (self.slot.chance("open " + pin.spec.name, cycle) < 0.5) << n
            elif pin.level(cycle):
                value |= 1 << n
        return value

    def _route_pb7(self) -> None:
        """Look whether PB7 is timer 1's; a write that changes it can arm or cancel the next move."""
        on_pb7 = bool(self._acr & 0x80) and (bool(self._ddrb & 0x80) or not self.settings.pb7_needs_ddr)
        if on_pb7 is not self._on_pb7:
            self._on_pb7 = on_pb7
            self._pb7.lazy_level = self._pb7_level if on_pb7 else None
            self._changed_course()

    def _pb7_level(self, cycle: int) -> bool:
        self.advance(cycle)
        return self._t1.pb7

    def _moved(self, cycle: int) -> None:
        """Put out what changed and arm the next change that somebody would see."""
        self._unshown = False
        self._put_a(cycle)
        self._put_b(cycle)
        self._put_controls(cycle)
        self._put_request(cycle)

    def _put_controls(self, cycle: int) -> None:
        sr = self._sr
        self._ca2.drive(self._a.output if self._a.code in OUTPUTS else None, cycle)
        self._cb1.drive(sr.cb1 if sr.makes_clock else None, cycle)
        if sr.mode != OFF:
            self._cb2.drive(sr.cb2 if sr.shifts_out else None, cycle)
        else:
            self._cb2.drive(self._b.output if self._b.code in OUTPUTS else None, cycle)

    def _put_a(self, cycle: int) -> None:
        self._port_a.drive(self._ora, self._ddra, cycle)

    def _put_b(self, cycle: int) -> None:
        # A joined PB6 is heard through its line; an open one steps timer 2 all the same.
        was_high = self._t2.counts_pulses and self._pb6.line is None and self._pb6.level(cycle)
        levels, driven = self._port_b_out() if self._on_pb7 else (self._orb, self._ddrb)
        self._port_b.drive(levels, driven, cycle)
        if was_high and not self._pb6.level(cycle) and self._t2.pulse():
            self._ifr |= T2

    def _port_b_out(self) -> tuple[int, int]:
        """Levels and mask of what port B drives."""
        if self._on_pb7:
            return self._orb & 0x7F | self._t1.pb7 << 7, self._ddrb | 0x80
        return self._orb, self._ddrb

    def _put_request(self, cycle: int) -> None:
        """Pull INT as the flags say, and arm the next change that somebody would see."""
        asserted = self._ifr & self._ier != 0
        self._int.drive(not asserted, cycle)
        soonest = self._next_move(asserted)
        if self._armed_for is None:
            armed = self.slot.armed("move")
            self._armed_for = NEVER if armed is None else armed
        if soonest != self._armed_for:
            self._armed_for = soonest
            if soonest == NEVER:
                self.slot.cancel("move")
            else:
                self.slot.at(max(cycle, soonest), "move")

    def _next_move(self, asserted: bool) -> int:
        t1, t2, sr = self._t1, self._t2, self._sr
        free_run = self._acr & 0x40 != 0
        waiting = 0 if asserted else self._ier & ~self._ifr
        soonest = min(self._a.pulse_end, self._b.pulse_end)
        if waiting & T1:
            soonest = min(soonest, t1.next_flag(free_run))
        if waiting & T2:
            soonest = min(soonest, t2.next_flag())
        if self._on_pb7 and self._pb7.watched and (free_run or t1.armed):
            soonest = min(soonest, t1.next_timeout(free_run))
        if sr.next_edge != NEVER:
            if self._cb1.watched or self._cb2.watched:
                soonest = min(soonest, sr.next_edge)
            elif waiting & SR and sr.edges:
                soonest = min(soonest, sr.next_edge + (sr.edges - 1) * self._half_cycles)
        return soonest

    # registers ------------------------------------------------------------------------------------------------------

    def peek(self, offset: int, cycle: int) -> int:
        """Register as a read in `cycle` would give it."""
        if cycle >= self._quiet_until:
            self._account(cycle)
        return _PEEKS[offset](self, cycle)

    def _input_b(self, cycle: int) -> int:
        held = self._acr & 0x02 and self._ifr & CB1
        pins = self._latched_b if held else self._levels(self._port_b, cycle)
        value = self._orb & self._ddrb | pins & ~self._ddrb & 0xFF
        if self._on_pb7:  # the port shows the timer's level (from memory)
            value = value & 0x7F | self._t1.pb7 << 7
        return value

    def _input_a(self, cycle: int) -> int:
        held = self._acr & 0x01 and self._ifr & CA1
        return self._latched_a if held else self._levels(self._port_a, cycle)

    def read(self, offset: int, cycle: int) -> int:
        """Read in `cycle`: flags cleared, handshake and shifting started as the register table says."""
        value = self.peek(offset, cycle)
        effect = _READ_EFFECTS.get(offset)
        if effect is not None:
            before = self._ifr
            effect(self, cycle)
            cleared = self._ifr != before
            if self._unshown and (cleared or offset == 0xA or (offset == 0x1 and self._a.answers)):
                self._moved(cycle)
            elif cleared:
                self._put_request(cycle)
        return value

    def _read_b(self, cycle: int) -> None:
        self._report_open(0x0, cycle)
        self._clear_b()

    def _read_a(self, cycle: int) -> None:
        self._report_open(0x1, cycle)
        self._access_a(cycle)

    def _read_a_quiet(self, cycle: int) -> None:
        self._report_open(0xF, cycle)

    def _read_t1(self, cycle: int) -> None:
        if not (self.settings.timeout_during_read == "flag-kept" and self._t1.timed_out_in(cycle)):
            self._ifr &= ~T1

    def _read_t2(self, cycle: int) -> None:
        if not (self.settings.timeout_during_read == "flag-kept" and self._t2.timed_out_in(cycle)):
            self._ifr &= ~T2

    def write(self, offset: int, value: int, cycle: int) -> None:
        """Write in `cycle`."""
        if cycle >= self._quiet_until:
            self._account(cycle)
        before = self._ifr
        _WRITES[offset](self, value, cycle)
        if self._unshown:
            self._moved(cycle)
            return
        put = _PUT_BY_WRITES.get(offset)
        if put is not None:
            put(self, cycle)
        if 0x3 < offset < 0xF or self._ifr != before:
            self._put_request(cycle)

    def _access_a(self, cycle: int) -> None:
        if self._ifr & (CA1 | CA2):
            self._ifr &= ~(CA1 if self._a.independent else CA1 | CA2)
        if self._a.answers:
            self._answer(self._a, cycle)

    def _clear_b(self) -> None:
        if self._ifr & (CB1 | CB2):
            self._ifr &= ~(CB1 if self._b.independent else CB1 | CB2)

    def _answer(self, lines: ControlLines, cycle: int) -> None:
        """Handshake or pulse of a port whose second control line is such an output."""
        lines.access(cycle)
        self._changed_course(lines.pulse_end)

    def _changed_course(self, until: int = NEVER) -> None:
        """All pins may move now; what was started does something by itself in cycle `until`."""
        self._unshown = True
        self._quiet_until = min(self._quiet_until, until)

    def _access_sr(self, cycle: int) -> None:
        self._ifr &= ~SR
        if self._sr.starts_by_access:
            self._sr.access(cycle, self._half_cycles)
            self._changed_course(self._sr.next_edge)

    def _write_orb(self, value: int, cycle: int) -> None:
        self._orb = value
        self._clear_b()
        if self._b.answers:
            self._answer(self._b, cycle)

    def _write_ora(self, value: int, cycle: int) -> None:
        self._ora = value
        self._access_a(cycle)

    def _write_ora_quiet(self, value: int, cycle: int) -> None:
        self._ora = value

    def _write_ddrb(self, value: int, cycle: int) -> None:
        self._ddrb = value
        self._route_pb7()

    def _write_ddra(self, value: int, cycle: int) -> None:
        self._ddra = value

    def _write_t1_low(self, value: int, cycle: int) -> None:
        self._t1.latch = self._t1.latch & 0xFF00 | value

    def _write_t1_counter_high(self, value: int, cycle: int) -> None:
        self._t1.start(value, cycle, bool(self._acr & 0x80))
        self._ifr &= ~T1
        self._quiet_until = min(self._quiet_until, self._t1.quiet_until)

    def _write_t1_latch_high(self, value: int, cycle: int) -> None:
        self._t1.latch = self._t1.latch & 0xFF | value << 8
        self._ifr &= ~T1

    def _write_t2_low(self, value: int, cycle: int) -> None:
        self._t2.latch_low = value

    def _write_t2_counter_high(self, value: int, cycle: int) -> None:
        self._t2.start(value, cycle)
        self._ifr &= ~T2
        self._quiet_until = min(self._quiet_until, self._t2.quiet_until)

    def _write_sr(self, value: int, cycle: int) -> None:
        self._sr.value = value
        self._access_sr(cycle)

    def _write_acr(self, value: int, cycle: int) -> None:
        changed = self._acr ^ value
        self._acr = value
        if not value & 0x80:
            self._t1.pb7 = True
        if changed & 0x20:
            self._t2.select(bool(value & 0x20), cycle)
            self._changed_course(self._t2.quiet_until)
        mode = value >> 2 & 7
        if changed & 0x1C:
            self._sr.select(mode, cycle, self._t2.latch_low + 2)
            self._changed_course(self._sr.next_edge)
        if mode == OFF:
            self._ifr &= ~SR
        if changed & 0x80:
            self._route_pb7()

    def _write_pcr(self, value: int, cycle: int) -> None:
        self._pcr = value
        self._a.select(value & 0x0F)
        self._b.select(value >> 4)

    def _write_ifr(self, value: int, cycle: int) -> None:
        enabled = self._ifr & self._ier
        lost = enabled & value
        if lost & (lost - 1) and value & 0x7F & ~enabled:
            names = " and ".join(name for n, name in enumerate(FLAGS) if lost >> n & 1)
            self.slot.report(
                "flags-cleared-together",
                cycle,
                f"A write of ${value:02X} to IFR cleared the enabled flags {names} together: a handler that serves one "
                "source an interrupt loses the other. Clear only the flag that was served.",
            )
        self._ifr &= ~value & 0x7F

    def _write_ier(self, value: int, cycle: int) -> None:
        self._ier = (self._ier | value if value & 0x80 else self._ier & ~value) & 0x7F

    # for people -----------------------------------------------------------------------------------------------------

    def _open_inputs(self, offset: int) -> int:
        """Mask of the inputs of a port that nobody drives."""
        if offset != 0x0:
            return self._port_a.undriven & ~self._ddra
        outputs = self._ddrb | 0x80 if self._on_pb7 else self._ddrb
        return self._port_b.undriven & ~outputs

    def _report_open(self, offset: int, cycle: int) -> None:
        if self._was_reported(offset):
            return
        found = self._open_inputs(offset)
        if found and not self.slot.spare:
            self._open_reported |= 1 if offset else 2
            port = self._port_a if offset else self._port_b
            names = ", ".join(pin.spec.name for n, pin in enumerate(port.pins) if found >> n & 1)
            level = {"high": "they read 1", "low": "they read 0", "noise": "they read noise"}
            self.slot.report(
                "open-input-read",
                cycle,
                f"The port was read while no card drives {names}: {level[self.settings.open_inputs]}.",
            )

    def _report_short(self, name: str, cycle: int) -> None:
        """A pulse on an input was too short to be sure of; told once a pin, and only where the part looks at it."""
        if name == "PB6":
            uses = "as counted by timer 2 (tIPW)" if self._t2.counts_pulses else ""
        elif self._sr.mode == OFF or name[1] == "A":
            lines = self._a if name[1] == "A" else self._b
            uses = "" if name[2] == "2" and lines.code in OUTPUTS else "as a control input"
        else:
            uses = "as outside clock of the shift register (tICW)" if name == "CB1" and not self._sr.makes_clock else ""
        if uses and self._pulses.tell(name):
            self.slot.report(
                "pulse-too-short",
                cycle,
                f"{name}, {uses}, changed twice within less than 2 cycles of PHI2: the part may miss such a pulse. "
                "Here it was taken. Make pulses and the gaps between them at least 2 cycles wide.",
            )

    def steady_until(self, offset: int, cycle: int) -> int:
        """Flags until the next time-out or shifted byte, ports while nothing on them moves by the clock."""
        self.advance(cycle)
        if offset == 0xD:
            free_run = bool(self._acr & 0x40)
            soonest = NEVER if self._ifr & T1 else self._t1.next_flag(free_run)
            if not self._ifr & T2:
                soonest = min(soonest, self._t2.next_flag())
            if not self._ifr & SR and self._sr.edges and self._sr.next_edge != NEVER:
                soonest = min(soonest, self._sr.next_edge + (self._sr.edges - 1) * self._half_cycles)
            return soonest
        if offset in (0x2, 0x3, 0x6, 0x7, 0xB, 0xC, 0xE):
            return NEVER
        if offset in (0x0, 0x1, 0xF) and self._port_steady(offset):
            return NEVER
        return cycle

    def _port_steady(self, offset: int) -> bool:
        if self._noisy or (self._open_inputs(offset) and not self._was_reported(offset)):
            return False
        if offset == 0x0 and (self._ifr & (CB1 | CB2) or self._on_pb7):
            return False
        if offset == 0x1 and (self._ifr & (CA1 | CA2) or self._a.answers):
            return False
        port = self._port_a if offset else self._port_b
        return all(pin.line is None or all(p.lazy_level is None for p in pin.line.pins) for pin in port.pins)

    def _was_reported(self, offset: int) -> bool:
        return bool(self._open_reported & (1 if offset else 2))

    def words(self, cycle: int) -> list[str]:
        """Ports, timers, shift register, flags and who is told of them."""
        self.advance(cycle)
        t1, t2 = self._t1, self._t2
        lines = [
            f"port {name}: pins ${self._levels(port, cycle):02X}, output register ${output:02X}, "
            f"{'no outputs' if not direction else f'outputs ${direction:02X}'}"
            for name, port, output, direction in (
                ("A", self._port_a, self._ora, self._ddra),
                ("B", self._port_b, self._orb, self._ddrb),
            )
        ]
        free = bool(self._acr & 0x40)
        run = "runs free" if free else "one-shot, runs" if t1.armed else "one-shot, over or never started"
        on_pb7 = f", PB7 {'high' if t1.pb7 else 'low'}" if self._on_pb7 else ""
        count = f"{t1.value(cycle)}, latch {t1.latch}, " if free or t1.armed else ""  # else: chance, or long over
        lines.append(f"timer 1: {count}{run}{on_pb7}")
        source = "pulses on PB6" if t2.counts_pulses else "clock"
        count = f"{t2.value(cycle)}, " if t2.armed else ""
        lines.append(f"timer 2: {count}counts the {source}, {'runs' if t2.armed else 'over or never started'}")
        lines.append(f"shift register: ${self._sr.value:02X}, {MODE_WORDS[self._sr.mode]}")
        lines.append(f"CA2 {CODE_WORDS[self._a.code]}; CB2 {CODE_WORDS[self._b.code]}")
        for n, name in enumerate(FLAGS):
            if self._ifr >> n & 1:
                told = "enabled, INT low" if self._ier >> n & 1 else "set, and not enabled: only a look at IFR tells"
                lines.append(f"flag {name}: {told}")
        return lines

    # state ----------------------------------------------------------------------------------------------------------

    def save(self, cycle: int) -> dict[str, Any]:
        """All registers, timers and lines."""
        self._account(cycle)
        return super().save(cycle)

    def load(self, state: dict[str, Any]) -> None:
        """Take back what `save` gave; levels of pins come back with bus and lines."""
        super().load(state)
        self._route_pb7()
        self._port_a.restore(self._ora, self._ddra)
        self._port_b.restore(*self._port_b_out())


_PUT_BY_WRITES: dict[int, Callable[[Ports6522, int], None]] = {
    0x0: Ports6522._put_b,
    0x1: Ports6522._put_a,
    0x2: Ports6522._put_b,
    0x3: Ports6522._put_a,
    0x5: Ports6522._put_b,  # timer 1 starts, and PB7 may be its
    0xC: Ports6522._put_controls,
    0xF: Ports6522._put_a,
}
"""What a write puts out besides INT, unless it sets `_unshown`: then everything."""

_PEEKS: tuple[Callable[[Ports6522, int], int], ...] = (
    Ports6522._input_b,
    Ports6522._input_a,
    lambda card, cycle: card._ddrb,
    lambda card, cycle: card._ddra,
    lambda card, cycle: card._t1.value(cycle) & 0xFF,
    lambda card, cycle: card._t1.value(cycle) >> 8,
    lambda card, cycle: card._t1.latch & 0xFF,
    lambda card, cycle: card._t1.latch >> 8,
    lambda card, cycle: card._t2.value(cycle) & 0xFF,
    lambda card, cycle: card._t2.value(cycle) >> 8,
    lambda card, cycle: card._sr.value,
    lambda card, cycle: card._acr,
    lambda card, cycle: card._pcr,
    lambda card, cycle: card._ifr | (0x80 if card._ifr & card._ier else 0),
    lambda card, cycle: card._ier | 0x80,
    Ports6522._input_a,
)

_READ_EFFECTS: dict[int, Callable[[Ports6522, int], None]] = {
    0x0: Ports6522._read_b,
    0x1: Ports6522._read_a,
    0x4: Ports6522._read_t1,
    0x8: Ports6522._read_t2,
    0xA: Ports6522._access_sr,
    0xF: Ports6522._read_a_quiet,
}

_WRITES: tuple[Callable[[Ports6522, int, int], None], ...] = (
    Ports6522._write_orb,
    Ports6522._write_ora,
    Ports6522._write_ddrb,
    Ports6522._write_ddra,
    Ports6522._write_t1_low,
    Ports6522._write_t1_counter_high,
    Ports6522._write_t1_low,
    Ports6522._write_t1_latch_high,
    Ports6522._write_t2_low,
    Ports6522._write_t2_counter_high,
    Ports6522._write_sr,
    Ports6522._write_acr,
    Ports6522._write_pcr,
    Ports6522._write_ifr,
    Ports6522._write_ier,
    Ports6522._write_ora_quiet,
)
