"""Bus logger: a microcontroller with 16 address and 8 data inputs that notes what is on the bus in each cycle.

Faithful to: a microcontroller board with its inputs on the bus, clocked by PHI2 (common practice). It notes what its
pins carry: with wires that are exchanged or reversed it notes other addresses and bytes than there are, and the machine
runs as well as without it.
Left out: an R/W input that is wired wrong; cycles that are too fast for the microcontroller.

It drives nothing and takes each cycle:

    select = "xxxx xxxx xxxx xxxx"
    output_enable = "GND"
    write_enable = "PHI2"

On a machine with it each access is made by Python, some fifty times as slowly.
"""

from __future__ import annotations

from typing import ClassVar

import attrs

from simkit.contract import BYTE, CYCLE, FLAG, WORD, Card, StateError, many, remembers, row, saved, setting

MOST_SHOWN = 16
"""Cycles that `words` shows."""


@attrs.frozen(kw_only=True)
class BusLoggerSettings:
    """What it keeps."""

    keeps: str = setting(
        "last",
        one_of=("last", "first"),
        help="the last cycles, or the first since power-on",
    )
    depth: int = setting(256, low=1, high=4096, help="cycles that it keeps")


@remembers
class BusLogger(Card):
    """Notes cycle, address, byte and R/W as its pins show them."""

    kind: ClassVar[str] = "bus-logger"
    title: ClassVar[str] = "Bus logger"
    Settings: ClassVar[type] = BusLoggerSettings
    faithful_to: ClassVar[str] = "a microcontroller as bus logger"

    _log: list[tuple[int, int, int, bool]] = saved(many(row(CYCLE, WORD, BYTE, FLAG)), [])

    @classmethod
    def address_pins(cls, settings: BusLoggerSettings) -> int:
        """All of them."""
        return 16

    def holds_program(self, offset: int) -> bool:
        """It drives nothing."""
        return False

    def power_on(self, cycle: int) -> None:
        """Nothing is noted yet."""
        self._log.clear()

    def write(self, offset: int, value: int, cycle: int) -> None:
        """A cycle is on the bus, a read or a write."""
        full = len(self._log) >= self.settings.depth
        if full and self.settings.keeps == "first":
            return
        if full:
            del self._log[0]
        self._log.append((cycle, offset, value, not self.slot.reading))

    def check_state(self) -> None:
        """It holds no more than it keeps."""
        if len(self._log) > self.settings.depth:
            raise StateError("log", f"has {len(self._log)} cycles, of {self.settings.depth} that are kept")

    @property
    def log(self) -> tuple[tuple[int, int, int, bool], ...]:
        """What it has noted, oldest first: cycle, address, byte, whether R/W was low."""
        return tuple(self._log)

    def words(self, cycle: int) -> list[str]:
        """The last cycles noted, or the first."""
        shown = self._log[:MOST_SHOWN] if self.settings.keeps == "first" else self._log[-MOST_SHOWN:]
        return [
            f"cycle {at}: {'wrote' if low else 'read'} ${byte:02X} at ${address:04X}"
            for at, address, byte, low in shown
        ]
