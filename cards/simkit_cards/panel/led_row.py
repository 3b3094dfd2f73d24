"""Row of lamps: on a latch of its own at an address, or on pins that other cards drive.

Faithful to: 74HC273, 74HC574 with eight LEDs (common practice); on pins, LEDs with drivers that load nothing.
Left out: brightness of lamps that are switched fast.
"""

from __future__ import annotations

from typing import ClassVar

import attrs

from simkit.contract import BYTE, Card, Drive, LampsPort, PinSpec, Register, Slot, remembers, saved, setting

MAX_LAMPS = 16


@attrs.frozen(kw_only=True)
class LedRowSettings:
    """How the lamps are wired."""

    joined: str = setting(
        "address", one_of=("address", "pins"), help="a latch at an address, or pins L0, L1, ... joined to lines"
    )
    count: int = setting(8, low=1, high=MAX_LAMPS, help="number of lamps; at an address 8 at most")
    lit_by: str = setting("high", one_of=("high", "low"), help="level that lights a lamp")
    labels: str = setting(
        "", help="what is printed beside the lamps, leftmost (highest bit) first, with commas between"
    )
    cleared_by_reset: bool = setting(True, help="the latch is a 74HC273 with its clear pin on RESET; else a 74HC574")


@remembers
class LedRow(Card):
    """Shows bits as lamps."""

    kind: ClassVar[str] = "led-row"
    title: ClassVar[str] = "Lamps"
    Settings: ClassVar[type] = LedRowSettings
    faithful_to: ClassVar[str] = "74HC273 or 74HC574 with LEDs"

    _value: int = saved(BYTE, 0)

    @classmethod
    def registers(cls, settings: LedRowSettings) -> tuple[Register, ...]:
        """The latch, if there is one."""
        if settings.joined == "pins":
            return ()
        bits = tuple(f"L{n}" for n in range(min(settings.count, 8)))
        return (Register(0, "lamps", "w", bits=bits, write_effect="lights lamps", writes_wait=True),)

    @classmethod
    def pins(cls, settings: LedRowSettings) -> tuple[PinSpec, ...]:
        """One input a lamp, if there is no latch; an open one stays dark."""
        if settings.joined == "address":
            return ()
        dark = settings.lit_by == "low"
        return tuple(PinSpec(name=f"L{n}", drive=Drive.INPUT, open_level=dark) for n in range(settings.count))

    def __init__(self, settings: LedRowSettings, slot: Slot) -> None:
        super().__init__(settings, slot)
        self._count = settings.count if settings.joined == "pins" else min(settings.count, 8)
        names = [name.strip() for name in settings.labels.split(",") if name.strip()]
        numbers = [f"L{n}" for n in reversed(range(self._count))]
        self._labels = tuple((names + numbers[len(names) :])[: self._count])
        slot.port(LampsPort("lamps", self._labels, self._levels))

    def power_on(self, cycle: int) -> None:
        """Whatever the flip-flops fall into."""
        self._value = self.slot.noise("latch", 1)[0]

    def reset(self, asserted: bool, cycle: int) -> None:
        """Clears the latch where it has a clear pin."""
        if asserted and self.settings.cleared_by_reset:
            self._value = 0

    def _levels(self, cycle: int) -> tuple[bool, ...]:
        lit = self.settings.lit_by == "high"
        if self.settings.joined == "pins":
            levels = [self.slot.pin(f"L{n}").level(cycle) for n in range(self._count)]
        else:
            levels = [bool(self._value >> n & 1) for n in range(self._count)]
        return tuple(level is lit for level in reversed(levels))

    def peek(self, offset: int, cycle: int) -> int:
        """What the latch holds; a read of the bus does not get it."""
        return self._value

    def write(self, offset: int, value: int, cycle: int) -> None:
        """Take the byte."""
        self._value = value

    def words(self, cycle: int) -> list[str]:
        """Which lamps are lit."""
        lit = [label for label, on in zip(self._labels, self._levels(cycle), strict=True) if on]
        return [f"lit: {', '.join(lit)}" if lit else "all lamps dark"]
