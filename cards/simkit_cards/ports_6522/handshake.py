"""The two control lines of one port of a 6522: edges that set flags, handshake and pulse outputs."""

from __future__ import annotations

import attrs

from simkit.contract import CYCLE, FLAG, NEVER, many, saved, whole

HANDSHAKE = 0b100
PULSE = 0b101
OUTPUTS = (0b100, 0b101, 0b110, 0b111)
PULSE_CYCLES = 1
"""A pulse output is low for one cycle. [R] peripheral control register."""

CODE_WORDS = (
    "input, falling edge",
    "input, falling edge, independent",
    "input, rising edge",
    "input, rising edge, independent",
    "handshake output",
    "pulse output",
    "output held low",
    "output held high",
)


@attrs.define(eq=False)
class ControlLines:
    """CA1 with CA2, or CB1 with CB2.

    Attributes:
        code: the three PCR bits of the second line.
        rising: whether the active edge of the first line is the rising one.
        output: level the second line puts out where it is an output.
        pulse_end: cycle in which a pulse is over, NEVER when there is none.
        levels: levels last seen on the first and the second line.
    """

    code: int = saved(whole(0, 7), 0)
    rising: bool = saved(FLAG, False)
    output: bool = saved(FLAG, True)
    pulse_end: int = saved(CYCLE, NEVER)
    levels: list[bool] = saved(many(FLAG, 2), [True, True])

    def reset(self) -> None:
        """RESET makes both inputs with falling active edges. [R] RESET."""
        self.code = 0
        self.rising = False
        self.output = True
        self.pulse_end = NEVER

    @property
    def independent(self) -> bool:
        """Whether a port access leaves the second line's flag alone."""
        return self.code in (0b001, 0b011)

    @property
    def answers(self) -> bool:
        """Whether an access to the port moves the second line."""
        return self.code in (HANDSHAKE, PULSE)

    def select(self, nibble: int) -> None:
        """Four bits of PCR: the edge of the first line in bit 0, the code of the second above."""
        self.rising = bool(nibble & 1)
        code = nibble >> 1 & 7
        if code != self.code:
            self.code = code
            self.output = code != 0b110
            self.pulse_end = NEVER

    def access(self, cycle: int) -> None:
        """The port's data register was accessed in `cycle` in a way that starts a handshake or pulse."""
        if self.answers:
            self.output = False
        if self.code == PULSE:
            self.pulse_end = cycle + 1 + PULSE_CYCLES

    def advance(self, cycle: int) -> None:
        """End a pulse that is over in `cycle`."""
        if self.pulse_end <= cycle:
            self.output = True
            self.pulse_end = NEVER

    def first_changed(self, level: bool) -> bool:
        """The first line moved; returns whether that was the active edge, which also ends a handshake."""
        if level is self.levels[0]:
            return False
        self.levels[0] = level
        active = level is self.rising
        if active and self.code == HANDSHAKE:
            self.output = True
        return active

    def second_changed(self, level: bool) -> bool:
        """The second line moved; returns whether that was an active edge on an input."""
        if level is self.levels[1]:
            return False
        self.levels[1] = level
        return self.code not in OUTPUTS and level is bool(self.code & 2)
