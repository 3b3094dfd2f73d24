"""Two pad sockets with nothing behind them: LATCH and CLOCK in, a data line each out, for port pins of a 6522.

The program makes latch and clock itself, or the board has an oscillator for the clock alone, as when a 6522's shift
register takes the bits in. Everything happens edge by edge.

Faithful to: CD4021B in the pad.
Left out: propagation delay of the data line (160 to 350 ns, less than a cycle of the machines here), contact bounce.
Sources: see `pad_chain`.
"""

from __future__ import annotations

from fractions import Fraction
from itertools import count
from typing import Any, ClassVar

import attrs

from simkit.contract import (
    BYTE,
    FLAG,
    FURTHEST,
    Card,
    Drive,
    PadsPort,
    PinSpec,
    Shape,
    SimkitError,
    Slot,
    many,
    parse_hz,
    remembers,
    saved,
    setting,
    whole,
)
from simkit_cards.pads.pad_chain import ALL_RELEASED, BUTTONS, PARTS

PADS = (1, 2)


@attrs.frozen(kw_only=True)
class PadSocketsSettings:
    """How this board is wired."""

    oscillator: str = setting(
        "", help='own pad clock, e.g. "99.7 kHz", which CLOCK then puts out; "": CLOCK is an input'
    )
    after_last_bit: int = setting(0, one_of=(0, 1), help="level at the pad's serial input; 0 in the classic pad")
    plugged_1: bool = setting(True, help="a pad is in socket 1 at power-on")
    plugged_2: bool = setting(True, help="a pad is in socket 2 at power-on")
    part: str = setting("CD4021B", one_of=("CD4021B", "CD4021BC"), help="shift register in the pad")
    limits: str = setting("worst-case", one_of=("worst-case", "typical"), help="column of its data sheet that counts")
    slow_part: bool = setting(False, help="a clock that comes too soon after the latch, or too fast, does not shift")


def _a_pad(shape: Shape) -> Shape:
    """A value for each pad, saved in the order of PADS."""
    return many(shape, len(PADS)).into(
        lambda values: dict(zip(PADS, values, strict=True)), lambda kept: [kept[pad] for pad in PADS]
    )


_EARLIER = whole(-1, FURTHEST)  # a cycle, -1 before the first time


@remembers
class PadSockets(Card):
    """Two CD4021B with their buttons."""

    kind: ClassVar[str] = "pad-sockets"
    title: ClassVar[str] = "Pad sockets"
    Settings: ClassVar[type] = PadSocketsSettings
    faithful_to: ClassVar[str] = "CD4021B"

    _levels: dict[int, int] = saved(_a_pad(BYTE), dict.fromkeys(PADS, ALL_RELEASED))
    _plugged: dict[int, bool] = saved(_a_pad(FLAG), dict.fromkeys(PADS, True))
    # Bit 0 is on the data line, bit i comes after i clocks.
    _stages: dict[int, int] = saved(_a_pad(BYTE), dict.fromkeys(PADS, 0))
    _latched: bool = saved(FLAG, False)
    _last_rise: int = saved(_EARLIER, -1)
    _last_latch: int = saved(_EARLIER, -1)  # cycle of the last change of LATCH

    @classmethod
    def pins(cls, settings: PadSocketsSettings) -> tuple[PinSpec, ...]:
        """Latch and clock for both pads, a data line each."""
        own = bool(settings.oscillator)
        data = (
            PinSpec(
                name=f"DATA_{n}", drive=Drive.THREE_STATE, help=f"pad {n}: 0 is a pressed button; open without a pad"
            )
            for n in PADS
        )
        return (
            PinSpec(name="LATCH", drive=Drive.INPUT, listens=True, open_level=False, help="high: load the buttons"),
            PinSpec(
                name="CLOCK",
                drive=Drive.PUSH_PULL if own else Drive.INPUT,
                listens=not own,
                open_level=False,
                help="each rise shifts by one",
            ),
            *data,
        )

    def __init__(self, settings: PadSocketsSettings, slot: Slot) -> None:
        super().__init__(settings, slot)
        part = self._part = PARTS[settings.part, settings.limits]
        # Least cycles that keep each limit: looked up at every edge, where a division of fractions takes long.
        self._latch_cycles = next(n for n in count() if self._ns(n) >= part.min_latch_ns)
        self._removal_cycles = next(n for n in count() if self._ns(n) >= part.removal_ns)
        self._period_cycles = next(n for n in count() if self._ns(n) * part.max_clock_hz >= 1e9)
        self._data = [(number, slot.pin(f"DATA_{number}")) for number in PADS]
        try:
            hz = parse_hz(settings.oscillator) if settings.oscillator else Fraction(0)
        except SimkitError as error:
            error.slot, error.field = slot.number, "oscillator"
            raise
        self._edges = slot.crystal(2 * hz, "oscillator") if hz else None
        slot.port(PadsPort("pads", PADS, BUTTONS))

    def power_on(self, cycle: int) -> None:
        """Anything stands in the registers until the first latch."""
        settings = self.settings
        self._levels = dict.fromkeys(PADS, ALL_RELEASED)
        self._plugged = {1: settings.plugged_1, 2: settings.plugged_2}
        self._stages = dict(zip(PADS, self.slot.noise("stages", len(PADS)), strict=True))
        self._latched = self.slot.pin("LATCH").level(cycle)
        self._last_rise = self._last_latch = -1
        if self._edges is not None:
            self._clock_edge(cycle)
        self._follow(cycle)

    def outside(self, port: str, action: str, arguments: tuple[Any, ...], cycle: int) -> None:
        """A button, or a pad plugged in or out; a pad comes with all buttons released and anything in its register."""
        number = arguments[0]
        if action in ("plug", "unplug"):
            self._plugged[number] = action == "plug"
            self._levels[number] = ALL_RELEASED
            self._stages[number] = int(self.slot.chance(f"stages {number}", cycle) * 256)
        else:
            bit = 1 << BUTTONS.index(arguments[1])
            self._levels[number] = self._levels[number] & ~bit | (0 if action == "press" else bit)
        self._follow(cycle)

    def pin_changed(self, name: str, level: bool, cycle: int) -> None:
        """LATCH moves, or CLOCK rises."""
        if name == "LATCH":
            self._latch(level, cycle)
        elif level:
            self._shift(cycle)

    def event(self, name: str, cycle: int) -> None:
        """An edge of the own oscillator."""
        if self._clock_edge(cycle):
            self._shift(cycle)

    def _clock_edge(self, cycle: int) -> bool:
        assert self._edges is not None
        tick = self._edges.ticks_at(cycle)
        level = tick % 2 == 1
        self.slot.pin("CLOCK").drive(level, cycle)
        self.slot.at(max(self._edges.first_cycle_at(tick + 1), cycle + 1), "edge")
        return level

    # the parts ------------------------------------------------------------------------------------------------------

    def _ns(self, cycles: int) -> float:
        return float(cycles * 10**9 / self.slot.clock_hz)

    def _latch(self, level: bool, cycle: int) -> None:
        width = cycle - self._last_latch
        if not level and self._last_latch >= 0 and width < self._latch_cycles:
            self.slot.report(
                "pad-latch-too-short",
                cycle,
                f"LATCH was high for {self._ns(width):.0f} ns; the pad needs {self._part.min_latch_ns:.0f} ns.",
            )
        self._latched = level
        self._last_latch = cycle
        self._follow(cycle)

    def _shift(self, cycle: int) -> None:
        if self._latched:
            return
        part = self._part
        broken = False
        removal = cycle - self._last_latch
        if self._last_latch >= 0 and removal < self._removal_cycles:
            broken = True
            self.slot.report(
                "pad-clock-after-latch",
                cycle,
                f"The first pad clock comes {self._ns(removal):.0f} ns after the latch; the pad needs "
                f"{part.removal_ns:.0f} ns.",
            )
        period = cycle - self._last_rise
        if self._last_rise >= 0 and period < self._period_cycles:
            broken = True
            self.slot.report(
                "pad-clock-too-fast",
                cycle,
                f"Two pad clocks are {self._ns(period):.0f} ns apart; the pad follows "
                f"{part.max_clock_hz / 1e6:.3g} MHz.",
            )
        self._last_rise = cycle
        if broken and self.settings.slow_part:
            return
        for number in PADS:
            self._stages[number] = self._stages[number] >> 1 | self.settings.after_last_bit << 7
        self._show(cycle)

    def _follow(self, cycle: int) -> None:
        """While LATCH is high the stages follow the buttons."""
        if self._latched:
            self._stages.update(self._levels)
        self._show(cycle)

    def _show(self, cycle: int) -> None:
        for number, pin in self._data:
            pin.drive(bool(self._stages[number] & 1) if self._plugged[number] else None, cycle)

    # for people -----------------------------------------------------------------------------------------------------

    def words(self, cycle: int) -> list[str]:
        """What each pad does."""
        found = []
        for number in PADS:
            pressed = [name for place, name in enumerate(BUTTONS) if not self._levels[number] >> place & 1]
            held = "holds " + " and ".join(pressed) if pressed else "holds nothing"
            found.append(f"pad {number} {held}" if self._plugged[number] else f"socket {number} is empty")
        return found
