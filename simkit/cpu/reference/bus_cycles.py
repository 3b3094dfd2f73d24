"""The bus cycles of the CPU: registers, one read or write at a time, and the pieces instructions are made of.

py65's MPU with everything that touches memory replaced. Nothing here decides what comes next; engine.py does. What the
pieces do is written in `simkit/cpu/isa/bus_texts.py`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from py65.devices.mpu6502 import MPU

from simkit.backplane.bus import Bus
from simkit.backplane.cycle import Kind
from simkit.backplane.held import LONGEST_HOLD_WITHOUT_EVENTS, refuse_hold
from simkit.contract.events import NEVER
from simkit.cpu.reference.compiled import pieces

if TYPE_CHECKING:
    from simkit.contract.lines import Pin

DATA = Kind.DATA


class ResetPulled(Exception):  # noqa: N818 - a signal inside the engine, not an error
    """RESET is low in the cycle that begins: the instruction under way is given up."""


_SLOTS = """
pc a x y sp n z c v d i
cycle last horizon rd wr attention gate
began first polls masked magic cmos irq_line recent quick pulls_ready
"""
_PIECES = pieces()


class BusCycles(MPU):  # type: ignore[misc]  # py65 ships no type information
    """Registers and bus cycles. See `simkit.backplane.cpu_side.Engine` for what the bus sets.

    Attributes:
        pc, a, x, y, sp: registers, settable between instructions.
        p: flags as pushed by hardware: bit 5 always 1, bit 4 always 0 (there is no latch behind it).
        n, z, c, v, d, i: the flags apart: N is bit 7 of n; Z is set when z is 0; the others when not 0; c is 0 or 1.
        cycle: number of the next bus cycle, since power-on.
        began: first cycle of the last access, before repeats and stretching.
        first: cycle in which the opcode was fetched.
        polls: cycles at whose end the instruction decides about interrupts; None: its penultimate cycle.
        masked: I as it stands at that decision.
        pulls_ready: the pin with which WAI pulls RDY low, where somebody hears it.
        gate: called at the beginning of every cycle while somebody steps by cycles.
    """

    __slots__ = tuple(_SLOTS.split())  # faster than a dictionary: every instruction uses these
    pc: int
    sp: int

    p = property(_PIECES["flags"], _PIECES["set_flags"])
    operand = _PIECES["operand"]
    data = _PIECES["data"]
    dummy = _PIECES["dummy"]
    push = _PIECES["push"]
    pull = _PIECES["pull"]
    take_branch = _PIECES["take_branch"]
    take_branch_on_bit = _PIECES["take_branch_on_bit"]
    enter_handler = _PIECES["enter_handler"]
    fetch_vector = _PIECES["fetch_vector"]

    def __init__(self, bus: Bus, *, cmos: bool, stretch: bool, magic: int) -> None:
        self.cmos = cmos
        self.magic = magic
        self.rd: list[memoryview | None] = [None] * 256
        self.wr: list[memoryview | None] = [None] * 256
        self.horizon = NEVER
        self.attention = False
        self.gate: Callable[[], None] | None = None
        self.polls: tuple[int, ...] | None = None
        self._bus = bus
        self._bus_read = bus.accesses.read
        self._bus_write = bus.accesses.write
        self._stretch = stretch
        self._stalled_at = -1
        self.pulls_ready: Pin | None = None
        self._ready = bus.nets.line("RDY")
        self._reset = bus.nets.line("RESET")
        self.irq_line = bus.nets.line("IRQ")
        super().__init__(memory=())  # ends with reset()

    @property
    def last_cycle_stalled(self) -> bool:
        """RDY held the bus cycle just done."""
        return bool(self._stalled_at == self.began)

    # bus cycles -----------------------------------------------------------------------------------------------------

    def read_cycle(self, address: int, kind: Kind) -> int:
        """One read, with the repeats that RDY or wait states cost."""
        if self.gate is not None:
            self.gate()
        cycle = self.cycle
        if cycle >= self.horizon:
            self._bus.agenda.begin(cycle)
        if not self._reset.level:
            raise ResetPulled
        self.began = cycle
        page = self.rd[address >> 8]
        if page is not None:
            value = page[address & 0xFF]
        elif self._bus.may_stall or not self._ready.level:
            value = self._stalling_read(address, kind)
        else:
            value = self._bus_read(address, cycle, kind)
        self.last = value
        self.cycle += 1
        return value

    def write_cycle(self, address: int, value: int, kind: Kind = DATA) -> None:
        """One write, with the waiting that RDY (W65C02S only) or stretching costs."""
        if self.gate is not None:
            self.gate()
        cycle = self.cycle
        if cycle >= self.horizon:
            self._bus.agenda.begin(cycle)
        if not self._reset.level:
            raise ResetPulled
        self.began = cycle
        page = self.wr[address >> 8]
        if page is not None:
            page[address & 0xFF] = value
        elif self._bus.may_stall or not self._ready.level:
            self._stalling_write(address, value, kind)
        else:
            self._bus_write(address, value, cycle, kind)
        self.last = value
        self.cycle += 1

    def _stalling_read(self, address: int, kind: Kind) -> int:
        while self._bus.glitches.waits:
            self._next_pass()
        waits = self._bus.accesses.wait_cycles(address, False, kind)
        if self._stretch:
            self._stretch_clock(waits)
            waits = 0
        while waits > 0 or (not self._ready.level and self._is_held()):
            self.last = self._bus_read(address, self.cycle, kind, stalled=True)
            self._stalled_at = self.began
            self._next_pass()
            waits -= 1
            if self.cycle - self.began >= LONGEST_HOLD_WITHOUT_EVENTS:
                refuse_hold(self._bus, self.cycle - self.began)
        return self._bus_read(address, self.cycle, kind)

    def _stalling_write(self, address: int, value: int, kind: Kind) -> None:
        while self._bus.glitches.waits:
            self._next_pass()
        waits = self._bus.accesses.wait_cycles(address, True, kind)
        if self._stretch:
            self._stretch_clock(waits)
            waits = 0
        if self.cmos:  # the NMOS part does not stop in write cycles
            while waits > 0 or (not self._ready.level and self._is_held()):
                self._bus_write(address, value, self.cycle, kind, stalled=True)
                self.last = value
                self._next_pass()
                waits -= 1
                if self.cycle - self.began >= LONGEST_HOLD_WITHOUT_EVENTS:
                    refuse_hold(self._bus, self.cycle - self.began)
        self._bus_write(address, value, self.cycle, kind)

    def _is_held(self) -> bool:
        """RDY is low, and not by the CPU's own hand alone."""
        own = self.pulls_ready
        if own is None or own.value is not False:
            return True
        return any(pin is not own and pin.value is False for pin in self._ready.pins)

    def _stretch_clock(self, cycles: int) -> None:
        """PHI2 stays high: periods pass, the one access happens in the last."""
        for _ in range(cycles):
            self._next_pass()

    def _next_pass(self) -> None:
        self.cycle += 1
        if self.gate is not None:
            self.gate()
        if self.cycle >= self.horizon:
            self._bus.agenda.begin(self.cycle)
        if not self._reset.level:
            raise ResetPulled
