"""Flash that is written in circuit by command sequences: the part's own state machine.

Nothing is stored without a sequence. A byte program clears bits; an erase sets all bits of a sector, or of the part.
While it works the part gives its status where it is read.

Faithful to: SST39SF010A, SST39SF020A, SST39SF040.
Left out: pulse widths, the 150 ns of entering and leaving the identification, the one odd status that may be read as
the work ends (SST39LF200A data sheet DS25001A, page 8, of a sister: read twice more before calling it an error).

Sources: SST, SST39SF010A/020A/040 data sheet S71147-02 (May 2001), Table 4 "Software Command Sequence" with note 1,
sections Byte-Program, Sector-Erase, Chip-Erase, Data# Polling, Toggle Bit, Product Identification; Microchip DS25022B
(2013). Times of erase, D7 while erasing, bits 5 to 0 of the status and that a program ANDs are from memory.
"""

from __future__ import annotations

from math import ceil
from typing import Any

from simkit.contract import BUFFER, BYTE, COUNT, CYCLE, FLAG, Slot, StateError, choice, remembers, saved, whole

FLASHES = {"39SF010A": (131_072, 0xB5), "39SF020A": (262_144, 0xB6), "39SF040": (524_288, 0xB7)}
"""Bytes and device code by part."""
MAKER_CODE = 0xBF
SECTOR = 4096
ERASED = 0xFF
COMMAND_PINS = 0x7FFF
"""Sequences look at A14 to A0 alone (Table 4, note 1)."""

FIRST, SECOND = 0x5555, 0x2AAA
PROGRAM, SECTOR_ERASE, CHIP_ERASE, IDENTIFY, READ = "program", "sector", "chip", "identify", "read"
TIMES_US = {PROGRAM: 20, SECTOR_ERASE: 25_000, CHIP_ERASE: 100_000}
"""Longest times; those of erase from memory."""
IDLE = 0
ADDRESSED = 3
"""Step behind AA, 55, A0: the next write is the byte."""
STEPS: dict[tuple[int, int, int], int | str] = {
    (0, FIRST, 0xAA): 1,
    (1, SECOND, 0x55): 2,
    (2, FIRST, 0xA0): ADDRESSED,
    (2, FIRST, 0x80): 4,
    (2, FIRST, 0x90): IDENTIFY,
    (2, FIRST, 0xF0): READ,
    (4, FIRST, 0xAA): 5,
    (5, SECOND, 0x55): 6,
    (6, FIRST, 0x10): CHIP_ERASE,
}
"""What follows on a write: by (step, address, byte) the next step, or what the part does."""


@remembers
class Flash:
    """The part in the socket of a ROM card.

    Attributes:
        memory: what it holds.
        busy: it programs or erases.
    """

    memory: memoryview = saved(BUFFER)
    _step: int = saved(whole(0, 6))
    _identifies: bool = saved(FLAG)
    _work: str = saved(choice("none", PROGRAM, SECTOR_ERASE, CHIP_ERASE))
    _at: int = saved(COUNT)  # offset that is programmed, or lies in the sector
    _byte: int = saved(BYTE)
    _ends: int = saved(CYCLE)
    _toggle: bool = saved(FLAG)
    _told: bool = saved(FLAG)

    def __init__(self, name: str, slot: Slot, memory: memoryview) -> None:
        self.name = name
        self._slot = slot
        self.memory = memory
        self._device = FLASHES[name][1]
        self._cycles = {work: max(1, ceil(us * slot.clock_hz / 1_000_000)) for work, us in TIMES_US.items()}
        self.begin()

    def begin(self) -> None:
        """Nothing is under way."""
        self._step, self._work = IDLE, "none"
        self._at = self._byte = self._ends = 0
        self._identifies = self._told = False
        self._toggle = True

    def check_state(self) -> None:
        """What it does lies within the part, and is one thing.

        Raises:
            StateError: it does not.
        """
        if self._at >= len(self.memory):
            raise StateError("at", "lies outside the part")
        if self.busy and (self._step or self._identifies):
            raise StateError("work", "a part that works takes no sequence")

    @property
    def busy(self) -> bool:
        """Whether it programs or erases."""
        return self._work != "none"

    @property
    def hidden(self) -> bool:
        """Whether reads find something else than the memory."""
        return self.busy or self._identifies

    # the bus --------------------------------------------------------------------------------------------------------

    def peek(self, offset: int, cycle: int) -> int:
        """What a read gives."""
        if self.busy:
            seven = 0 if self._work != PROGRAM else ~self._byte & 0x80
            return seven | self._toggle << 6 | int(self._slot.chance("status", cycle) * 64)
        if self._identifies:
            return self._device if offset & 1 else MAKER_CODE  # the other address pins do not matter: from memory
        return self.memory[offset]

    def read(self, offset: int, cycle: int) -> int:
        """A read; the toggle bit changes with each one of the status."""
        value = self.peek(offset, cycle)
        if self.busy:
            self._toggle = not self._toggle
        if self.hidden and self._slot.fetching and not self._told:
            self._told = True
            what = "gives its status" if self.busy else "shows its identification"
            self._slot.report(
                "fetch-from-busy-part",
                cycle,
                f"The program is fetched at {self._slot.accessed} from the {self.name}, which {what}, ${value:02X}.",
            )
        return value

    def write(self, offset: int, value: int, cycle: int) -> None:
        """A write pulse: the next step of a sequence, or its end."""
        if self.busy:
            self._slot.report(
                "write-while-busy",
                cycle,
                f"The {self.name} was at work, up to cycle {self._ends}, when ${value:02X} was written to "
                f"{self._slot.accessed}: it ignores that. Poll bit 7 or bit 6 before the next command.",
            )
            return
        step, self._step = self._step, IDLE
        if step == ADDRESSED:
            self._program(offset, value, cycle)
            return
        follows = STEPS.get((step, offset & COMMAND_PINS, value))
        if follows is None and step == 6 and value == 0x30:
            follows = SECTOR_ERASE
        if follows is None and value == 0xF0:
            follows = READ
        match follows:
            case int():
                self._step = follows
            case "identify":
                self._show(identifies=True)
            case "read":
                self._show(identifies=False)
            case None:
                self._broken(step, value, cycle)
            case work:
                self._begin(work, offset, 0, cycle)

    def _broken(self, step: int, value: int, cycle: int) -> None:
        """Back to reading; nothing is stored."""
        self._show(identifies=False)
        where = self._slot.accessed
        text = (
            f"A write of ${value:02X} to {where} is not the next step of a command of the {self.name}: it "
            "goes back to reading."
            if step
            else f"A write of ${value:02X} to {where} began no command of the {self.name}: nothing is stored."
        )
        self._slot.report("no-flash-command", cycle, text)

    def _program(self, offset: int, value: int, cycle: int) -> None:
        cell = self.memory[offset]
        if value & ~cell:
            self._slot.report(
                "program-without-erase",
                cycle,
                f"${value:02X} was programmed over ${cell:02X} at {self._slot.accessed}: programming only clears bits, "
                f"so the {self.name} will hold ${cell & value:02X}. Erase the sector first.",
            )
        self._begin(PROGRAM, offset, value, cycle)

    def _begin(self, work: str, offset: int, value: int, cycle: int) -> None:
        self._identifies = False
        self._work, self._at, self._byte, self._ends = work, offset, value, cycle + self._cycles[work]
        self._toggle, self._told = True, False
        self._slot.hide_memory(True)
        self._slot.at(self._ends, "written")

    def _show(self, *, identifies: bool) -> None:
        if self._identifies != identifies:
            self._identifies, self._told = identifies, False
            self._slot.hide_memory(identifies)

    def written(self, cycle: int) -> None:
        """The work is over."""
        work, self._work = self._work, "none"
        start, end = self._at, self._at + 1
        if work == PROGRAM:
            self.memory[start] &= self._byte
        else:
            size = SECTOR if work == SECTOR_ERASE else len(self.memory)
            start = self._at // size * size
            end = start + size
            self.memory[start:end] = bytes([ERASED]) * size
        self._slot.hide_memory(False)
        self._slot.changed(start, end)

    # beside the bus -------------------------------------------------------------------------------------------------

    def kept(self) -> dict[str, Any]:
        """What stays without power."""
        return {"memory": bytes(self.memory)}

    def keep(self, kept: dict[str, Any]) -> None:
        """Power is back."""
        self.memory[:] = kept["memory"]

    def words(self) -> list[str]:
        """What it does, in words."""
        if self.busy:
            doing = {PROGRAM: "programs a byte", SECTOR_ERASE: "erases a sector", CHIP_ERASE: "erases all"}[self._work]
            return [f"{doing} at offset ${self._at:05X} until cycle {self._ends}"]
        if self._identifies:
            return ["shows its identification"]
        return [f"waits for step {self._step + 1} of a command"] if self._step else []
