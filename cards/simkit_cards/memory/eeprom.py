"""EEPROM that is written in circuit, a byte or a page at a time: the part's own state machine.

A write opens a load; further bytes of its page follow within t_BLC of each other; then the part writes for t_WC, and
gives its status where it is read. Three or six writes at published addresses switch the software data protection.

Faithful to: the 28C family in the table below.
Left out: the hold-off of 5 ms behind power-on (a reset circuit is longer), 12 V on OE or A9, pulse widths (see the
timing budget), the output RDY/BUSY of 28C64 and 28C65. A write that power interrupts stores nothing; a real part may
store some of it.

Sources: Microchip (Atmel), AT28C256 data sheet 0006, sections Byte Write, Page Write, DATA Polling, Toggle Bit,
Software Data Protection, figures "Software Data Protection Enable/Disable Algorithm" with their notes 2 to 4, table
"Page Mode Characteristics"; the same of AT28C64B, AT28HC64B, AT28HC256 and AT28C010; AT28C64 (Byte
Write, DATA Polling); Xicor X28C256; Intersil X28HC256 (2001), pages 3 and 7; ON Semiconductor,
CAT28LV65, figures 10 to 13. What is not there is from memory, and says so.
"""

from __future__ import annotations

from functools import partial
from math import ceil, floor
from typing import Any, Protocol

import attrs

from simkit.contract import (
    BUFFER,
    BYTE,
    COUNT,
    CYCLE,
    FLAG,
    Slot,
    StateError,
    choice,
    many,
    remembers,
    row,
    saved,
)


@attrs.frozen(kw_only=True)
class EepromPart:
    """What parts differ in.

    Attributes:
        size: bytes.
        page: bytes that are written together; 1: the part knows no pages.
        load_us: t_BLC, the longest time from one byte of a page to the next.
        write_us: t_WC, the longest that the part writes.
        protection: whether it has software data protection.
        toggle: whether bit 6 of the status changes with each read; otherwise bit 7 alone tells.
    """

    size: int
    page: int = 64
    load_us: int = 150
    write_us: int = 10_000
    protection: bool = True
    toggle: bool = True


_BYTES = partial(EepromPart, size=8192, page=1, load_us=0, protection=False, toggle=False)
"""AT28C64: byte write only, DATA polling only."""

EEPROMS = {
    "28C64": _BYTES(write_us=1_000),  # from memory
    "28C64E": _BYTES(write_us=200),
    "28C64B": EepromPart(size=8192),
    "28C64BF": EepromPart(size=8192, write_us=2_000),
    "28HC64BF": EepromPart(size=8192, write_us=2_000),
    "28C65": EepromPart(size=8192, page=32, load_us=100, write_us=5_000),  # from memory, but for the 100 us
    "28C256": EepromPart(size=32_768),
    "28C256F": EepromPart(size=32_768, write_us=3_000),
    "28HC256F": EepromPart(size=32_768, write_us=3_000),
    "X28C256": EepromPart(size=32_768, load_us=100, write_us=5_000),
    "X28HC256": EepromPart(size=32_768, page=128, load_us=100, write_us=3_000),
    "28C010": EepromPart(size=131_072, page=128),
}
"""By the name that `part` has; F is the faster grade, E the fast byte write."""

FIRST, SECOND = 0x5555, 0x2AAA
"""Addresses of the sequences; of an 8 KiB part their low 13 bits: 1555 and 0AAA."""
ENABLE = ((FIRST, 0xAA), (SECOND, 0x55), (FIRST, 0xA0))
DISABLE = ((FIRST, 0xAA), (SECOND, 0x55), (FIRST, 0x80), (FIRST, 0xAA), (SECOND, 0x55), (FIRST, 0x20))
SEQUENCES = {"enable": ENABLE, "disable": DISABLE}

BYTES = many(row(COUNT, BYTE)).into(lambda pairs: [tuple(pair) for pair in pairs])
"""(offset, byte) of writes."""


class EepromSettings(Protocol):
    """What the settings of the card say of the part."""

    @property
    def part(self) -> str:
        """Its name in EEPROMS."""

    @property
    def protected(self) -> bool:
        """Software data protection is on at first."""

    @property
    def write_us(self) -> int:
        """How long it writes; 0: as long as its sheet allows."""


@remembers
class Eeprom:
    """The part in the socket of a ROM card.

    Attributes:
        memory: what it holds.
        protected: software data protection is on; kept without power.
    """

    memory: memoryview = saved(BUFFER)
    protected: bool = saved(FLAG)
    _before: list[tuple[int, int]] = saved(BYTES)  # writes that may become a sequence
    _command: str = saved(choice("none", "enable", "disable"))
    _loaded: list[tuple[int, int]] = saved(BYTES)
    _last: int = saved(CYCLE)  # cycle of the last byte of the load
    _last_byte: int = saved(BYTE)
    _toggle: bool = saved(FLAG)
    busy: bool = saved(FLAG)
    _told: bool = saved(FLAG)  # that the program is fetched from it while it writes

    def __init__(self, settings: EepromSettings, slot: Slot, memory: memoryview) -> None:
        self.name = settings.part
        self.part = part = EEPROMS[settings.part]
        self.memory = memory
        self._settings = settings
        self._slot = slot
        hz = slot.clock_hz
        self._load_cycles = floor(part.load_us * hz / 1_000_000)
        self._write_cycles = max(1, ceil((settings.write_us or part.write_us) * hz / 1_000_000))
        mask = part.size - 1
        self._sequences = {
            name: tuple((at & mask, byte) for at, byte in steps) for name, steps in SEQUENCES.items() if part.protection
        }
        self.begin()

    def begin(self) -> None:
        """Nothing is under way, and the protection is as it came out of the programmer."""
        self.protected = self._settings.protected
        self._before, self._loaded, self._command = [], [], "none"
        self._last = self._last_byte = 0
        self.busy = self._told = False
        self._toggle = True

    def check_state(self) -> None:
        """What is loaded fits the part and itself.

        Raises:
            StateError: it does not.
        """
        if self.protected and not self.part.protection:
            raise StateError("protected", "the part has no protection")
        if not self.busy and (self._loaded or self._before or self._command != "none"):
            raise StateError("busy", "something is loaded, and the part is idle")
        if self._before and (self._command != "none" or self._loaded or not self._may_become(self._before)):
            raise StateError("before", "is not how a sequence begins")
        if self._command != "none" and not self.part.protection:
            raise StateError("command", "the part knows none")
        pages = {offset // self.part.page for offset, _ in self._loaded}
        if len(pages) > 1 or any(offset >= self.part.size for offset, _ in self._loaded):
            raise StateError("loaded", "is not of one page of the part")
        if len({offset for offset, _ in self._loaded}) != len(self._loaded):
            raise StateError("loaded", "holds a byte twice")

    def _may_become(self, writes: list[tuple[int, int]]) -> bool:
        length = len(writes)
        return any(tuple(writes) == steps[:length] and length < len(steps) for steps in self._sequences.values())

    # the bus --------------------------------------------------------------------------------------------------------

    def status(self, cycle: int) -> int:
        """What a read gives while the part loads or writes.

        Bit 7 is the last byte's, inverted, bit 6 changes with each read; the rest is indeterminate (AT28C256, DATA
        Polling, Toggle Bit). AT28C64: bit 6 is, too.
        """
        rest = int(self._slot.chance("status", cycle) * 128)
        if self.part.toggle:
            rest = rest & 0x3F | self._toggle << 6
        return ~self._last_byte & 0x80 | rest

    def read(self, cycle: int) -> int:
        """A read while the part loads or writes."""
        value = self.status(cycle)
        self._toggle = not self._toggle
        if self._slot.fetching and not self._told:
            self._told = True
            self._slot.report(
                "fetch-from-busy-part",
                cycle,
                f"The program is fetched at {self._slot.accessed} from the {self.name} that is being written: it gives "
                f"its status, ${value:02X} here, up to cycle {self._ends} at least.",
            )
        return value

    def write(self, offset: int, value: int, cycle: int) -> None:
        """A write pulse."""
        if self.busy and cycle - self._last > self._load_cycles:
            self._lost(offset, value, cycle)
            return
        if not self.busy:
            self._open()
        self._last, self._last_byte = cycle, value
        self._take(offset, value, cycle)
        self._slot.at(self._ends, "written")

    @property
    def _ends(self) -> int:
        """Cycle in which the part is ready again, when no byte follows."""
        return self._last + self._load_cycles + self._write_cycles

    def _open(self) -> None:
        self.busy, self._toggle, self._told = True, True, False
        self._slot.hide_memory(True)

    def _lost(self, offset: int, value: int, cycle: int) -> None:
        """The part writes, and ignores what comes (from memory)."""
        where = self._slot.accessed
        since = cycle - self._last
        us = float(since / self._slot.clock_hz * 1_000_000)
        page = self.part.page
        if page > 1 and offset // page in {at // page for at, _ in self._loaded + self._before}:
            self._slot.report(
                "page-byte-too-late",
                cycle,
                f"The byte ${value:02X} for {where} came {us:.0f} us after the one before it; the {self.name} waits "
                f"{self.part.load_us} us for the next byte of a page, and was writing. The byte is lost.",
            )
            return
        self._slot.report(
            "write-while-busy",
            cycle,
            f"The {self.name} was writing, up to cycle {self._ends}, when ${value:02X} was written to {where}: the "
            f"byte is lost. Poll bit 7 {'or bit 6 ' if self.part.toggle else ''}before the next write.",
        )

    def _take(self, offset: int, value: int, cycle: int) -> None:
        """A byte of a load: part of a sequence, as long as it may be one, or data."""
        if self._command == "none" and not self._loaded:
            begun = [*self._before, (offset, value)]
            for name, steps in self._sequences.items():
                if tuple(begun) == steps:
                    self._before, self._command = [], name
                    return
            if self._may_become(begun):
                self._before = begun
                return
            self._no_sequence(cycle)
        self._load(offset, value, cycle)

    def _no_sequence(self, cycle: int) -> None:
        """What began like a sequence was data."""
        before, self._before = self._before, []
        for offset, value in before:
            self._load(offset, value, cycle)

    def _load(self, offset: int, value: int, cycle: int) -> None:
        page = self.part.page
        if not self._loaded and self.protected and self._command == "none":
            self._slot.report(
                "write-to-protected",
                cycle,
                f"${value:02X} was written to {self._slot.accessed} (offset ${offset:04X}), and the {self.name}'s data "
                "protection is on: it takes its time, and stores nothing.",
            )
        if page == 1:
            self._loaded = [(offset, value)]
            return
        if self._loaded and offset // page != self._loaded[0][0] // page:
            self._slot.report(
                "page-write-leaves-page",
                cycle,
                f"A byte of another page (offset ${offset:04X}) came into a load of the page at "
                f"${self._loaded[0][0] // page * page:04X}; the sheet of the {self.name} does not allow that. It "
                "goes into the page that is open.",
            )
            offset = self._loaded[0][0] // page * page + offset % page  # from memory
        self._loaded = [one for one in self._loaded if one[0] != offset]
        self._loaded.append((offset, value))

    def written(self, cycle: int) -> None:
        """The write is over."""
        self._no_sequence(cycle)
        if not self.protected or self._command != "none":
            for offset, value in self._loaded:
                self.memory[offset] = value
            if self._command != "none":
                self.protected = self._command == "enable"
        touched = sorted(offset for offset, _ in self._loaded)
        self.busy, self._loaded, self._command = False, [], "none"
        self._slot.hide_memory(False)
        if touched:
            self._slot.changed(touched[0], touched[-1] + 1)

    # beside the bus -------------------------------------------------------------------------------------------------

    def kept(self) -> dict[str, Any]:
        """What stays without power."""
        return {"memory": bytes(self.memory), "protected": self.protected}

    def keep(self, kept: dict[str, Any]) -> None:
        """Power is back."""
        self.memory[:] = kept["memory"]
        self.protected = kept["protected"]

    def words(self) -> list[str]:
        """Protection, and what it does, in words."""
        found = [f"data protection is {'on' if self.protected else 'off'}"] if self.part.protection else []
        if self.busy:
            found.append(f"loads or writes {len(self._loaded)} byte(s) until cycle {self._ends}")
        return found
