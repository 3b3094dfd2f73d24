"""Ports-and-timers card round a 6522: two ports with handshake, two timers, a shift register, one interrupt line.

Every pin of the ports and the four control lines come out as pins of the card and can be joined to other cards.

Faithful to: R6522, W65C22S (setting `irq_output`).
Left out: what timer 2 reads while it paces the shift register; the order of a clock edge and a read inside one cycle
    (setting `timeout_during_read` gives either outcome); input hysteresis and drive strength.

Sources:
    [R] Rockwell, R6522 Versatile Interface Adapter, data sheet, as transcribed by F. Kontros (its own pages could not
        be read): registers, timers, peripheral control, RESET.
    [WDC] Western Design Center, W65C22 and W65C22S data sheets: section 1.7 (timer 1), Figures 2-3 and 2-4 (timer
        timing), section 2.10 and Figure 2-5 (pulse counting), Figures 2-10 to 2-12 (shift register), tIPW and tICW.
    [TEST] A public hardware test of the external shift clock, 2024; cbm-hackers list, 2023-2024.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import ClassVar

from simkit.contract import NEVER, PinSpec, Register
from simkit_cards.ports_6522 import standstill, told
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
from simkit_cards.ports_6522.chip import Chip6522
from simkit_cards.ports_6522.handshake import ControlLines
from simkit_cards.ports_6522.shift import OFF
from simkit_cards.ports_6522.words import control_words, flag_words, port_words, timer_words


class Ports6522(Chip6522):
    """Two ports, two timers, a shift register and an interrupt line: sixteen registers on the bus."""

    kind: ClassVar[str] = "ports-6522"
    title: ClassVar[str] = "Port card"
    model: ClassVar[int] = 2
    Settings: ClassVar[type] = Ports6522Settings
    faithful_to: ClassVar[str] = "R6522, W65C22S"
    pin_names: ClassVar[Mapping[str, str]] = {**{f"RS{n}": f"A{n}" for n in range(4)}, "CS2": "CS2B"}
    own_phi2: ClassVar[bool] = True  # [WDC] Table 4-3b; the R6522 has it on pin 25, from memory

    @classmethod
    def registers(cls, settings: Ports6522Settings) -> tuple[Register, ...]:
        """The sixteen registers, names as [R] prints them."""
        return board_registers(settings)

    @classmethod
    def chip_selects(cls, settings: Ports6522Settings) -> Mapping[str, bool]:
        """CS1 high and CS2B low (from memory, pin descriptions of both parts)."""
        return {"CS1": True, "CS2B": False}

    @classmethod
    def contacts(cls, settings: Ports6522Settings) -> Mapping[int, str]:
        """Those of the 40-pin package, from memory."""
        ports = {n: f"PA{n - 2}" if n < 10 else f"PB{n - 10}" for n in range(2, 18)}
        data = {n: f"D{33 - n}" for n in range(26, 34)}
        selects = {n: f"RS{38 - n}" for n in range(35, 39)}
        others = {1: "VSS", 18: "CB1", 19: "CB2", 20: "VCC", 21: "IRQB", 22: "RWB", 23: "CS2B", 24: "CS1", 25: "PHI2"}
        return {**others, **ports, **data, **selects, 34: "RESB", 39: "CA2", 40: "CA1"}

    @classmethod
    def pins(cls, settings: Ports6522Settings) -> tuple[PinSpec, ...]:
        """INT, the control lines and both ports."""
        return board_pins(settings)

    def left_unreset(self, cycle: int) -> None:
        """Ports, directions and controls hold whatever they happen to hold; no flag is set. From memory."""
        noise = self.slot.noise("registers without RESET", len(_CLEARED_BY_RESET))
        for (offset, sets), value in zip(_CLEARED_BY_RESET.items(), noise, strict=True):
            self.write(offset, value | sets, cycle)

    # reads ------------------------------------------------------------------------------------------------------------

    def peek(self, offset: int, cycle: int) -> int:
        """Register as a read in `cycle` would give it."""
        if cycle >= self._quiet_until:
            self._account(cycle)
        return _PEEKS[offset](self, cycle)

    def _input_b(self, cycle: int) -> int:
        held = self._acr & 0x02 and self._ifr & CB1
        pins = self._latched_b if held else self._port_b.levels(cycle)
        value = self._orb & self._ddrb | pins & ~self._ddrb & 0xFF
        if self._on_pb7:  # the port shows the timer's level (from memory)
            value = value & 0x7F | self._t1.pb7 << 7
        return value

    def _input_a(self, cycle: int) -> int:
        held = self._acr & 0x01 and self._ifr & CA1
        return self._latched_a if held else self._port_a.levels(cycle)

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

    # writes -----------------------------------------------------------------------------------------------------------

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
            self.slot.report("flags-cleared-together", cycle, told.cleared_together(value, lost))
        self._ifr &= ~value & 0x7F

    def _write_ier(self, value: int, cycle: int) -> None:
        self._ier = (self._ier | value if value & 0x80 else self._ier & ~value) & 0x7F

    # open inputs ------------------------------------------------------------------------------------------------------

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
            names = [pin.spec.name for n, pin in enumerate(port.pins) if found >> n & 1]
            self.slot.report("open-input-read", cycle, told.open_input_read(names, self.settings.open_inputs))

    def _was_reported(self, offset: int) -> bool:
        return bool(self._open_reported & (1 if offset else 2))

    # for people and engines -------------------------------------------------------------------------------------------

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

    def standstill(self, bit: str, cycle: int) -> str:
        """Flags whose source is off, not started or joined to nothing; INT and bit 7 while none of them can come."""
        self.advance(cycle)
        if bit in FLAGS:
            return "" if self._ifr >> FLAGS.index(bit) & 1 else self._no_flag(bit)
        if bit not in ("IRQ", "INT") or self._ifr & self._ier:
            return ""
        if not self._ier:
            waiting = [name for n, name in enumerate(FLAGS) if self._ifr >> n & 1]
            flags = f"{' and '.join(waiting)} {'is' if len(waiting) == 1 else 'are'} set, and " if waiting else ""
            return f"{flags}IER enables no flag (bit 7 of the byte written there is 1 to enable, 0 to disable)"
        reasons = {name: self._no_flag(name) for n, name in enumerate(FLAGS) if self._ier >> n & 1}
        if not all(reasons.values()):
            return ""
        return "; ".join(f"{name} is enabled, but {reason}" for name, reason in reasons.items())

    def set_up(self, cycle: int) -> bool:
        """A flag is set or enabled: something was started, or is awaited."""
        self.advance(cycle)
        return self._ier != 0 or self._ifr & (T1 | T2 | SR) != 0

    def left_undone(self, cycle: int) -> str:
        """A port that was written, with all of its pins inputs; an interrupt enabled for a control line that is open.

        RESET clears output and direction registers, and IER.
        """
        found = [
            f"OR{letter} holds ${value:02X} and DDR{letter} is $00: all pins of port {letter} are inputs, and nothing "
            "of it appears"
            for letter, value, outputs, lines in (
                ("A", self._ora, self._ddra, self._a),
                ("B", self._orb, self._ddrb | 0x80 * self._on_pb7, self._b),
            )
            if value and not outputs and not lines.answers
        ]
        found += [
            f"IER enables {name}, and {name} is joined to nothing: it asks by the noise it picks up, or never"
            for n, name in enumerate(FLAGS)
            if self._ier >> n & 1 and name[0] == "C" and self.slot.pin(name).line is None and self._is_input(name)
        ]
        return "; ".join(found)

    def _is_input(self, name: str) -> bool:
        """Whether an edge on a control line would set its flag."""
        lines = self._a if name[1] == "A" else self._b
        return not standstill.of_control_line(self.slot.pin(name), lines, self._sr, noisy=True)

    def _no_flag(self, bit: str) -> str:
        if bit == "SR":
            return standstill.of_shift_register(self._sr, self._cb1)
        if bit == "T1":
            return standstill.of_timer(1, runs=bool(self._acr & 0x40) or self._t1.armed, open_pulses=False)
        if bit == "T2":
            is_open = self._t2.counts_pulses and self._pb6.line is None and not self._ddrb & 0x40
            return standstill.of_timer(2, runs=self._t2.armed, open_pulses=is_open and not self._noisy)
        lines = self._a if bit[1] == "A" else self._b
        return standstill.of_control_line(self.slot.pin(bit), lines, self._sr, noisy=self._noisy)

    def words(self, cycle: int) -> list[str]:
        """Ports, timers, shift register, flags and who is told of them."""
        self.advance(cycle)
        return [
            port_words("A", self._port_a.levels(cycle), self._ora, self._ddra),
            port_words("B", self._port_b.levels(cycle), self._orb, self._ddrb),
            *timer_words(self._t1, self._t2, cycle, free_run=bool(self._acr & 0x40), on_pb7=self._on_pb7),
            *control_words(self._sr, self._a, self._b),
            *flag_words(self._ifr, self._ier),
        ]


_CLEARED_BY_RESET = {0x0: 0, 0x1: 0, 0x2: 0, 0x3: 0, 0xB: 0, 0xC: 0, 0xE: 0x80}
"""By register, bits that a write must have to set what it names: ports, directions, controls, interrupts enabled."""

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
