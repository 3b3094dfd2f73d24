"""ROM card: an image at the bottom of the part, the rest as erased.

The machine reads the image file and hands the bytes over with `insert`; the card opens no file. A read-only part
ignores a write, which is reported, since the program meant something by it. An EEPROM or a flash named as
`part` is written by the program: see `eeprom` and `flash` beside this file. What was written is kept without power, and
in states and recordings; the image file stays as it is. OE low blocks writes (Microchip AT28C256 data sheet 0006,
Hardware Protection; of flash from memory).

Sources: of the parts that are written, the data sheets named in `eeprom` (Microchip AT28C256 and its family, Xicor
X28C256, Intersil X28HC256) and `flash` (SST 39SF010A/020A/040).
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import Any, ClassVar

import attrs

from simkit.contract import TEXT, Card, PlainMemory, Slot, StateError, load_data, setting, to_data
from simkit_cards.memory.eeprom import EEPROMS, Eeprom
from simkit_cards.memory.flash import FLASHES, Flash
from simkit_cards.memory.pins import MEMORY_PINS, contacts

ERASED = 0xFF
"""Erased cells read as ones (common practice for EPROM, EEPROM and flash)."""

SIZES = tuple(1 << n for n in range(10, 20))
READ_ONLY = "read-only"
IGNORED_WRITE = "write-to-rom"
"""Rule of the finding."""
SIZE = 32_768


@attrs.frozen(kw_only=True)
class RomSettings:
    """The part in the socket."""

    size: int = setting(SIZE, unit="bytes", one_of=SIZES, help="size of a read-only part, e.g. 32768 for a 27256")
    fill: int = setting(ERASED, low=0, high=255, help="byte where the image has none")
    part: str = setting(
        READ_ONLY,
        one_of=(READ_ONLY, *EEPROMS, *FLASHES),
        help=f"what the program writes: {', '.join((*EEPROMS, *FLASHES))}; read-only: EPROM, or WE tied high. "
        "28C64 and 28C64E write bytes alone, and have bit 7 to poll but no toggle bit",
    )
    protected: bool = setting(
        False, help="28C parts: software data protection is on when it comes out of the programmer"
    )
    write_us: int = setting(
        0, unit="us", low=0, high=20_000, help="28C parts: how long this one writes; 0: the longest its sheet allows"
    )

    def __attrs_post_init__(self) -> None:
        """What only one kind of part has is asked of no other."""
        part = EEPROMS.get(self.part)
        if self.size not in (SIZE, _size_of(self)):
            raise ValueError(f"size: a {self.part} has {_size_of(self)} bytes, not {self.size}; leave size out.")
        if self.protected and (part is None or not part.protection):
            raise ValueError(f"protected: a {self.part} part has no software data protection.")
        if self.write_us and self.part in FLASHES:
            raise ValueError(f"write_us: it is a 28C part's, not a {self.part} one's.")


def _size_of(settings: RomSettings) -> int:
    """Bytes of the part."""
    if settings.part in EEPROMS:
        return EEPROMS[settings.part].size
    return FLASHES[settings.part][0] if settings.part in FLASHES else settings.size


class Rom(Card):
    """Gives what the image holds, or what the program wrote."""

    kind: ClassVar[str] = "rom"
    title: ClassVar[str] = "ROM"
    Settings: ClassVar[type] = RomSettings
    faithful_to: ClassVar[str] = "27256 and its relatives, 28C64, 28C256, 28C010, 39SF010A/020A/040"
    model: ClassVar[int] = 3
    winning_strobe: ClassVar[str] = "output"
    pin_names: ClassVar[Mapping[str, str]] = MEMORY_PINS

    @classmethod
    def contacts(cls, settings: RomSettings) -> Mapping[int, str]:
        """Those of 28C256 and 28C64, and of the 27256 kind of EPROM, from memory."""
        if settings.part in FLASHES:
            return {}
        if settings.part in EEPROMS:
            return contacts("A14", "A13", "WE") if _size_of(settings) == 32_768 else contacts("", "", "WE")
        return contacts("VPP", "A13", "A14") if _size_of(settings) == 32_768 else {}

    @classmethod
    def address_pins(cls, settings: RomSettings) -> int:
        """As many as the size needs."""
        return (_size_of(settings) - 1).bit_length()

    @classmethod
    def image_size(cls, settings: RomSettings) -> int:
        """The whole part."""
        return _size_of(settings)

    def __init__(self, settings: RomSettings, slot: Slot) -> None:
        super().__init__(settings, slot)
        self._size = size = _size_of(settings)
        self._memory = slot.memory(size)
        self._fill()
        self._part: Eeprom | Flash | None = None
        if settings.part in EEPROMS:
            self._part = Eeprom(settings, slot, self._memory)
        elif settings.part in FLASHES:
            self._part = Flash(settings.part, slot, self._memory)

    def _fill(self) -> None:
        """The image, and the filler behind it."""
        self._memory[:] = self.image + bytes([self.settings.fill]) * (self._size - len(self.image))

    def power_on(self, cycle: int) -> None:
        """As it came out of the programmer; `keep` brings back what was written since."""
        if self._part is not None:
            self._fill()
            self._part.begin()
            self.slot.hide_memory(False)
            self.slot.changed(0, self._size)

    def insert(self, image: bytes) -> None:
        """Put an image in, at offset 0 of the part.

        Raises:
            ValueError: the image is empty or larger than the part.
        """
        size = self._size
        if not image:
            raise ValueError("the image is empty")
        if len(image) > size:
            raise ValueError(f"the image has {len(image)} bytes, the part {size}")
        self.image = image
        self._fill()
        self.slot.changed(0, size)

    def peek(self, offset: int, cycle: int) -> int:
        """Byte at the offset, or the status of a part that is being written."""
        if isinstance(self._part, Flash):
            return self._part.peek(offset, cycle)
        if self._part is not None and self._part.busy:
            return self._part.status(cycle)
        return self._memory[offset]

    def read(self, offset: int, cycle: int) -> int:
        """As `peek`; the toggle bit of a status changes with each read."""
        if isinstance(self._part, Flash):
            return self._part.read(offset, cycle)
        if self._part is not None and self._part.busy:
            return self._part.read(cycle)
        return self._memory[offset]

    def write(self, offset: int, value: int, cycle: int) -> None:
        """A write pulse at a part that takes it; any other ignores it, and that is reported."""
        if self._part is not None:
            self._part.write(offset, value, cycle)
            return
        self.slot.report(
            IGNORED_WRITE, cycle, f"A write of ${value:02X} to {self.slot.accessed} went to ROM, which cannot take it."
        )

    def event(self, name: str, cycle: int) -> None:
        """A write is over."""
        if self._part is not None and self._part.busy:
            self._part.written(cycle)

    def plain_memory(self) -> PlainMemory:
        """Reads need no call, writes are reported, or begin something."""
        return PlainMemory(self._memory, None, ignores_writes=self._part is None, reports=IGNORED_WRITE)

    def rom(self) -> memoryview:
        """What is in the part: the image, and what was written since."""
        return self._memory

    def kept(self, cycle: int) -> dict[str, Any]:
        """What was written stays."""
        return {} if self._part is None else self._part.kept()

    def keep(self, kept: dict[str, Any]) -> None:
        """It is still there."""
        if self._part is not None:
            self._part.keep(kept)
            self.slot.changed(0, self._size)

    def save(self, cycle: int) -> dict[str, Any]:
        """Of a part that nothing writes only the hash of the contents, since they come from the image."""
        return {"sha256": self._sha256()} if self._part is None else to_data(self._part)

    def load(self, state: dict[str, Any]) -> None:
        """Take the contents back, or check that the same image is in the socket."""
        if self._part is None:
            if load_data(self, state, sha256=TEXT)["sha256"] != self._sha256():
                raise StateError("sha256", "another image is in the socket than when the state was saved")
            return
        load_data(self._part, state)
        self.slot.hide_memory(self._part.hidden if isinstance(self._part, Flash) else self._part.busy)
        self.slot.changed(0, self._size)

    def _sha256(self) -> str:
        return hashlib.sha256(self._memory).hexdigest()

    def words(self, cycle: int) -> list[str]:
        """Sizes in words, and what the part does."""
        kind = "part" if self._part is None else self._part.name
        first = f"image of {len(self.image)} bytes in a {kind} of {self._size}"
        return [first, *(() if self._part is None else self._part.words())]
