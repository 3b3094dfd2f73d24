"""ROM card: an image at the bottom of the part, the rest as erased.

The machine reads the image file and hands the bytes over with `insert`; the card opens no file. A write changes
nothing and is reported, since the program meant something by it.
"""

from __future__ import annotations

import hashlib
from typing import Any, ClassVar

import attrs

from simkit.contract import TEXT, Card, PlainMemory, Slot, StateError, load_data, setting

ERASED = 0xFF
"""Erased cells read as ones (common practice for EPROM, EEPROM and flash)."""

SIZES = tuple(1 << n for n in range(10, 20))


@attrs.frozen(kw_only=True)
class RomSettings:
    """The part in the socket."""

    size: int = setting(32_768, unit="bytes", one_of=SIZES, help="size of the part, e.g. 32768 for a 28C256 or 27256")
    fill: int = setting(ERASED, low=0, high=255, help="byte where the image has none")


class Rom(Card):
    """Gives what the image holds."""

    kind: ClassVar[str] = "rom"
    Settings: ClassVar[type] = RomSettings
    faithful_to: ClassVar[str] = "27256, 28C256 and their relatives"

    @classmethod
    def address_pins(cls, settings: RomSettings) -> int:
        """As many as the size needs."""
        return (settings.size - 1).bit_length()

    @classmethod
    def image_size(cls, settings: RomSettings) -> int:
        """The whole part."""
        return settings.size

    def __init__(self, settings: RomSettings, slot: Slot) -> None:
        super().__init__(settings, slot)
        self._memory = slot.memory(settings.size)
        self._memory[:] = bytes([settings.fill]) * settings.size

    def insert(self, image: bytes) -> None:
        """Put an image in, at offset 0 of the part.

        Raises:
            ValueError: the image is empty or larger than the part.
        """
        size = self.settings.size
        if not image:
            raise ValueError("the image is empty")
        if len(image) > size:
            raise ValueError(f"the image has {len(image)} bytes, the part {size}")
        self.image = image
        self._memory[:] = image + bytes([self.settings.fill]) * (size - len(image))
        self.slot.changed(0, size)

    def peek(self, offset: int, cycle: int) -> int:
        """Byte at the offset."""
        return self._memory[offset]

    def write(self, offset: int, value: int, cycle: int) -> None:
        """Report it; the part ignores it."""
        self.slot.report(
            "write-to-rom", cycle, f"A write of ${value:02X} to {self.slot.accessed} went to ROM, which cannot take it."
        )

    def plain_memory(self) -> PlainMemory:
        """Reads need no call, writes are reported."""
        return PlainMemory(self._memory, None, ignores_writes=True)

    def save(self, cycle: int) -> dict[str, Any]:
        """Only the hash of the contents: they come from the image."""
        return {"sha256": self._sha256()}

    def load(self, state: dict[str, Any]) -> None:
        """Check that the same image is in the socket."""
        if load_data(self, state, sha256=TEXT)["sha256"] != self._sha256():
            raise StateError("sha256", "another image is in the socket than when the state was saved")

    def _sha256(self) -> str:
        return hashlib.sha256(self._memory).hexdigest()

    def words(self, cycle: int) -> list[str]:
        """Sizes in words."""
        return [f"image of {len(self.image)} bytes in a part of {self.settings.size}"]
