"""The shift register of a 6522: its clock edges computed from the cycle number.

An access in cycle 0 starts it in the modes that stop after eight bits. CB1 then changes every half period: one cycle
under PHI2, the low latch of timer 2 plus two cycles under timer 2 ([R], [WDC] shift register modes). It falls first, so
a byte takes 16 half periods. The first fall comes 1.5 cycles under PHI2, N + 2.5 cycles under timer 2, after the access
has ended ([WDC] Figures 2-10 and 2-11): one cycle later than the half period alone, so that a byte under PHI2 sets the
flag in cycle 17. Under an outside clock the flag comes with the eighth rise of CB1 where bits are taken (011), and with
its eighth fall where they are put out (111; [WDC] Figure 2-12).
CB2 changes when CB1 falls and is taken when CB1 rises (from memory); so is the first edge of mode 100, which a write to
ACR starts, one half period after that write.
Left out: what timer 2's counter reads while it paces the shift register.
"""

from __future__ import annotations

import attrs

from simkit.contract import BYTE, CYCLE, FLAG, NEVER, StateError, saved, whole

OFF = 0b000
FREE_RUN = 0b100
BY_TIMER = (0b001, 0b100, 0b101)
BY_PHI2 = (0b010, 0b110)
BY_CB1 = (0b011, 0b111)

START_CYCLES = 1
"""What an access that starts a byte adds before the first half period. [WDC] Figures 2-10 and 2-11"""

EDGES_PER_BYTE = 16
MODE_WORDS = (
    "off",
    "in, paced by timer 2",
    "in, paced by PHI2",
    "in, clocked by CB1",
    "out for ever, paced by timer 2",
    "out, paced by timer 2",
    "out, paced by PHI2",
    "out, clocked by CB1",
)


@attrs.define(eq=False)
class ShiftRegister:
    """Eight bits that leave from bit 7 and enter at bit 0.

    Attributes:
        value: the eight bits.
        mode: bits 4 to 2 of ACR.
        cb1: level of CB1 where the shift register makes it.
        cb2: level of CB2 where the shift register makes it.
        edges: clock edges left of the byte under way; 0 when it rests.
    """

    value: int = saved(BYTE, 0)
    mode: int = saved(whole(0, 7), OFF)
    cb1: bool = saved(FLAG, True)
    cb2: bool = saved(FLAG, True)
    edges: int = saved(whole(0, EDGES_PER_BYTE), 0)
    _edge: int = saved(CYCLE, NEVER)  # cycle of the next edge of its own clock

    def power_on(self, value: int) -> None:
        """Take the contents a part happens to hold at power-up."""
        self.value = value
        self.reset()

    def reset(self) -> None:
        """RESET turns it off and leaves the bits alone. [R] RESET."""
        self.mode = OFF
        self.cb1 = self.cb2 = True
        self.edges = 0
        self._edge = NEVER

    @property
    def makes_clock(self) -> bool:
        """Whether CB1 is its output."""
        return self.mode in BY_TIMER or self.mode in BY_PHI2

    @property
    def shifts_out(self) -> bool:
        """Whether CB2 is its output."""
        return self.mode >= FREE_RUN

    @property
    def starts_by_access(self) -> bool:
        """Whether an access to the register starts a byte."""
        return self.mode not in (OFF, FREE_RUN)

    @property
    def next_edge(self) -> int:
        """Cycle of the next edge of its own clock, NEVER when it rests."""
        return self._edge

    def select(self, mode: int, cycle: int, half_cycles: int) -> None:
        """ACR bits 4 to 2 were written in `cycle`; a new mode ends the byte under way."""
        if mode == self.mode:
            return
        self.mode = mode
        self.edges = 0
        self._edge = cycle + half_cycles if mode == FREE_RUN else NEVER
        self.cb1 = True

    def access(self, cycle: int, half_cycles: int) -> None:
        """The register was read or written in `cycle`: a new byte starts."""
        if not self.starts_by_access:
            return
        self.edges = EDGES_PER_BYTE
        if self.makes_clock:
            self.cb1 = True
            self._edge = cycle + START_CYCLES + half_cycles

    def advance(self, cycle: int, half_cycles: int, cb2_level: bool) -> bool:
        """Make the edges up to and with `cycle`; returns whether a byte ended, which sets the flag.

        Args:
            cycle: edges in it are made.
            half_cycles: cycles between edges; the same since the last advance.
            cb2_level: level of the CB2 pin; the same since the last advance.
        """
        if self._edge > cycle:
            return False
        if self.mode == FREE_RUN:
            skipped = (cycle - self._edge) // half_cycles // EDGES_PER_BYTE
            self._edge += skipped * EDGES_PER_BYTE * half_cycles  # eight rotations change nothing
        ended = False
        while self._edge <= cycle:
            ended |= self._step(not self.cb1, cb2_level)
            self._edge = NEVER if ended else self._edge + half_cycles
        return ended

    def clocked(self, level: bool, cb2_level: bool) -> bool:
        """CB1 changed as an outside clock; returns whether that was the eighth that counts, which sets the flag."""
        if self.mode not in BY_CB1:
            return False
        self._shift(level, cb2_level)
        if level is self.shifts_out:
            return False  # bits are taken at rises and put out at falls
        self.edges = (self.edges or EDGES_PER_BYTE) - 2  # goes on without an access
        return self.edges == 0

    def _step(self, level: bool, cb2_level: bool) -> bool:
        self.cb1 = level
        self._shift(level, cb2_level)
        if self.mode == FREE_RUN:
            return False
        self.edges -= 1
        return self.edges == 0

    def _shift(self, level: bool, cb2_level: bool) -> None:
        if not level and self.shifts_out:
            self.cb2 = bool(self.value & 0x80)
            self.value = (self.value << 1 | self.value >> 7) & 0xFF
        elif level and not self.shifts_out:
            self.value = (self.value << 1 | cb2_level) & 0xFF

    def check_state(self) -> None:
        """Its own clock has edges to come when a byte is under way, or for ever."""
        if self._edge != NEVER and not (self.makes_clock and (self.edges or self.mode == FREE_RUN)):
            raise StateError("edge", f"is to come in cycle {self._edge}, but nothing is shifted: mode {self.mode}")
