"""What goes on in a 6522 while no program looks: time, lines, interrupt output. Sources are listed in card.py."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from simkit.contract import BYTE, NEVER, PART, Card, Slot, remembers, saved
from simkit_cards.ports_6522 import told
from simkit_cards.ports_6522.board import CA1, CA2, CB1, CB2, SR, T1, T2, Ports6522Settings
from simkit_cards.ports_6522.handshake import OUTPUTS, ControlLines
from simkit_cards.ports_6522.open_pins import noise_gap, port_pins
from simkit_cards.ports_6522.pulses import PulseWidths
from simkit_cards.ports_6522.shift import BY_CB1, OFF, ShiftRegister
from simkit_cards.ports_6522.timers import Timer1, Timer2


@remembers
class Chip6522(Card):
    """All that a 6522 holds, and what becomes of it by the clock and by what others do to its pins.

    Who changes a register from outside of it (a program, through `card.py`) says what may move now: `_changed_course`
    where anything may, else one of the `_put` methods.
    """

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

    def __init__(self, settings: Ports6522Settings, slot: Slot) -> None:
        super().__init__(settings, slot)
        self._int = slot.pin("INT")
        self._noisy = settings.open_inputs == "noise"
        self._port_a, self._port_b = (port_pins(slot, letter, noisy=self._noisy) for letter in "AB")
        self._pb6, self._pb7 = self._port_b.pins[6:]
        self._ca2, self._cb1, self._cb2 = slot.pin("CA2"), slot.pin("CB1"), slot.pin("CB2")
        self._t1 = Timer1(settings.one_shot == "reload")
        self._t2 = Timer2(settings.pulse_flag == "past-zero")
        self._sr = ShiftRegister()
        self._a = ControlLines()
        self._b = ControlLines()
        self._pulses = PulseWidths()
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

    # life -------------------------------------------------------------------------------------------------------------

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

    # time -------------------------------------------------------------------------------------------------------------

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
        self.slot.at(cycle + noise_gap(self.slot, name, cycle), "noise on " + name)

    # inputs -----------------------------------------------------------------------------------------------------------

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
                self.slot.report("shift-clock-lost", cycle, told.shift_clock_lost(window))
                return
        if self._sr.clocked(level, self._b.levels[1]):
            self._ifr |= SR

    def _latch(self, flag: int, cycle: int) -> None:
        if flag == CA1:
            self._latched_a = self._port_a.levels(cycle)
        else:
            self._latched_b = self._port_b.levels(cycle)

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
            self.slot.report("pulse-too-short", cycle, told.pulse_too_short(name, uses))

    # outputs ----------------------------------------------------------------------------------------------------------

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

    def _changed_course(self, until: int = NEVER) -> None:
        """All pins may move now; what was started does something by itself in cycle `until`."""
        self._unshown = True
        self._quiet_until = min(self._quiet_until, until)

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

    # state ------------------------------------------------------------------------------------------------------------

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
