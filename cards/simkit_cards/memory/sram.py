"""Static RAM card: plain memory, full of seeded noise at power-up.

Faithful to: 62256 and its smaller and larger relatives (common practice: contents are undefined at power-up; from
memory, function tables of such parts: with /CS and /WE low it writes and its outputs are off, /OE low or high).
Left out: access time (see the timing budget).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

import attrs

from simkit.contract import BUFFER, Card, PlainMemory, Slot, remembers, saved, setting
from simkit_cards.memory.pins import MEMORY_PINS, contacts

SIZES = tuple(1 << n for n in range(8, 20))
"""Sizes that parts come in, 256 bytes to 512 KiB."""


@attrs.frozen(kw_only=True)
class SramSettings:
    """How this board is fitted."""

    size: int = setting(32_768, unit="bytes", one_of=SIZES, help="size of the memory; smaller than the select repeats")
    fill: int = setting(-1, low=-1, high=255, help="byte at power-up; -1: seeded noise, as a real part holds")


@remembers
class Sram(Card):
    """Keeps what is written to it."""

    kind: ClassVar[str] = "sram"
    title: ClassVar[str] = "RAM"
    model: ClassVar[int] = 2
    Settings: ClassVar[type] = SramSettings
    faithful_to: ClassVar[str] = "62256-type static RAM"
    pin_names: ClassVar[Mapping[str, str]] = MEMORY_PINS
    winning_strobe: ClassVar[str] = "write"

    _memory: memoryview = saved(BUFFER)

    @classmethod
    def chip_selects(cls, settings: SramSettings) -> Mapping[str, bool]:
        """CE low; the 6264 and the 1 Mbit parts have CE2 besides, high when true (from memory, pin descriptions)."""
        return {"CE": False, "CE2": True} if settings.size in (8_192, 131_072) else {"CE": False}

    @classmethod
    def contacts(cls, settings: SramSettings) -> Mapping[int, str]:
        """Those of the 62256 and the 6264, from memory."""
        if settings.size == 32_768:
            return contacts("A14", "A13", "WE")
        return contacts("", "CE2", "WE") if settings.size == 8_192 else {}

    @classmethod
    def address_pins(cls, settings: SramSettings) -> int:
        """As many as the size needs."""
        return (settings.size - 1).bit_length()

    def __init__(self, settings: SramSettings, slot: Slot) -> None:
        super().__init__(settings, slot)
        self._memory = slot.memory(settings.size)

    def power_on(self, cycle: int) -> None:
        """Noise, or the fill byte."""
        size, fill = self.settings.size, self.settings.fill
        self._memory[:] = bytes([fill]) * size if fill >= 0 else self.slot.noise("memory", size)
        self.slot.changed(0, size)

    def peek(self, offset: int, cycle: int) -> int:
        """Byte at the offset."""
        return self._memory[offset]

    def write(self, offset: int, value: int, cycle: int) -> None:
        """Store the byte."""
        self._memory[offset] = value

    def plain_memory(self) -> PlainMemory:
        """The whole buffer, both ways."""
        return PlainMemory(self._memory, self._memory)

    def load(self, state: dict[str, Any]) -> None:
        """Take the contents back."""
        super().load(state)
        self.slot.changed(0, len(self._memory))

    def words(self, cycle: int) -> list[str]:
        """Size in words."""
        return [f"{self.settings.size} bytes of static RAM"]
