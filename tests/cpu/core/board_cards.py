"""Cards that do to an engine whatever a card can."""

from typing import Any, ClassVar

import attrs
from simkit_cards.memory.sram import Sram

from simkit.contract.card import Card
from simkit.contract.events import NEVER
from simkit.contract.lines import Drive, PinSpec
from simkit.contract.registers import PlainMemory, Register
from simkit.contract.slot import Slot


@attrs.frozen
class NoSettings:
    pass


class Pressed(KeyboardInterrupt):
    """Ctrl-C as a test presses it, so that a person's own still ends the run."""


@attrs.frozen
class Trip:
    """What goes wrong in the first call of the card at or after a cycle.

    Attributes:
        at: the cycle.
        error: what is raised.
        late: raised when the card has done what it was called for.
    """

    at: int
    error: type[BaseException]
    late: bool


class Ticker(Card):
    """A register for each thing a card can do to an engine; it logs every access."""

    kind = "ticker"
    Settings = NoSettings
    trip: Trip | None = None
    STATUS, ACKNOWLEDGE, CLOCK, BANK, IRQ_IN, NMI_IN, COMMAND, BANK_IN = range(8)
    log: list[tuple[int, str, int, int]]
    promises: ClassVar[bool] = True

    @classmethod
    def registers(cls, settings: Any) -> tuple[Register, ...]:
        driven = {cls.STATUS: 0xC0, cls.BANK_IN: 0}
        return tuple(Register(n, f"r{n}", "rw", driven=driven.get(n, 0xFF)) for n in range(8))

    @classmethod
    def pins(cls, settings: Any) -> tuple[PinSpec, ...]:
        return (
            PinSpec(name="INT", drive=Drive.OPEN_DRAIN),
            PinSpec(name="NMI", drive=Drive.OPEN_DRAIN),
            PinSpec(name="BANK", drive=Drive.PUSH_PULL),
        )

    def __init__(self, settings: Any, slot: Slot) -> None:
        super().__init__(settings, slot)
        self.log = []
        self.ticks = 0
        self.pending = False
        self.second_bank = False

    def peek(self, offset: int, cycle: int) -> int:
        if offset == self.STATUS:
            return 0x80 if self.pending else 0x00
        if offset == self.ACKNOWLEDGE:
            return self.ticks & 0xFF
        if offset == self.CLOCK:  # moves by time alone, without an event
            return cycle >> 7 & 0xFF
        return cycle & 0xFF

    def _stumble(self, cycle: int, *, late: bool) -> None:
        trip = self.trip
        if trip is not None and cycle >= trip.at and late is trip.late:
            self.trip = None
            raise trip.error("tripped")

    def read(self, offset: int, cycle: int) -> int:
        self._stumble(cycle, late=False)
        value = self.peek(offset, cycle)
        self.log.append((cycle, "read", offset, value))
        if offset == self.ACKNOWLEDGE:
            self.pending = False
            self.slot.pin("INT").drive(None, cycle)
        self._stumble(cycle, late=True)
        return value

    def write(self, offset: int, value: int, cycle: int) -> None:
        self._stumble(cycle, late=False)
        self._write(offset, value, cycle)
        self._stumble(cycle, late=True)

    def _write(self, offset: int, value: int, cycle: int) -> None:
        self.log.append((cycle, "write", offset, value))
        if offset == self.BANK:
            self.second_bank = bool(value & 1)
            self.slot.pin("BANK").drive(self.second_bank, cycle)
        elif offset == self.IRQ_IN:
            self.slot.at(cycle + 1 + value, "irq")
        elif offset == self.COMMAND:  # pulls at once: it counts from the next cycle
            self.pending = True
            self.slot.pin("INT").drive(False, cycle)
        elif offset == self.NMI_IN:
            self.slot.at(cycle + 1 + value, "nmi")
        elif offset == self.BANK_IN:  # the other bank then
            self.slot.at(cycle + 1 + value, "bank")

    def event(self, name: str, cycle: int) -> None:
        self._stumble(cycle, late=False)
        self.log.append((cycle, name, 0, 0))
        if name == "irq":
            self.ticks += 1
            self.pending = True
            self.slot.pin("INT").drive(False, cycle)
        elif name == "bank":
            self.second_bank = not self.second_bank
            self.slot.pin("BANK").drive(self.second_bank, cycle)
        elif name == "nmi":
            self.slot.pin("NMI").drive(False, cycle)
            self.slot.at(cycle + 9, "nmi over")
        else:
            self.slot.pin("NMI").drive(None, cycle)

    def steady_until(self, offset: int, cycle: int) -> int:
        until = NEVER if self.trip is None else max(self.trip.at, cycle)
        if offset == self.CLOCK and self.promises:
            return min(until, ((cycle >> 7) + 1) << 7)
        if offset != self.STATUS or not self.promises:
            return cycle
        return min(until, self.slot.armed("irq") or NEVER)


class SlowTicker(Ticker):
    """One that takes its time: over writes, and over one read, or as long as it is told over everything."""

    wait: int | None = None

    def wait_cycles(self, offset: int, is_write: bool) -> int:
        return int(is_write) + 2 * (offset == self.ACKNOWLEDGE) if self.wait is None else self.wait


class Panel(Card):
    """Two rows of lamps whose writes may wait, a look at one, and registers that hold the CPU and move IRQ.

    Attributes:
        log: (cycle, offset, byte, byte on the data lines before it) of each write to lamps.
        holds: whether the register that holds does so.
    """

    kind = "panel"
    Settings = NoSettings
    LAMPS, LOOK, HOLD, IRQ, MORE, RESET = range(6)
    holds = True

    @classmethod
    def registers(cls, settings: Any) -> tuple[Register, ...]:
        return (
            Register(cls.LAMPS, "lamps", "w", write_effect="lights lamps", writes_wait=True),
            Register(cls.LOOK, "look", "r"),
            Register(cls.HOLD, "hold", "w", write_effect="pulls RDY"),
            Register(cls.IRQ, "irq", "rw", driven=0x81, write_effect="moves IRQ"),
            Register(cls.RESET, "reset", "w", write_effect="pulls RESET"),
            Register(cls.MORE, "more", "w", write_effect="lights lamps", writes_wait=True),
        )

    @classmethod
    def pins(cls, settings: Any) -> tuple[PinSpec, ...]:
        return tuple(PinSpec(name=name, drive=Drive.OPEN_DRAIN) for name in ("WAIT", "INT", "RES"))

    def __init__(self, settings: Any, slot: Slot) -> None:
        super().__init__(settings, slot)
        self.log: list[tuple[int, int, int, int]] = []
        self.lamps = 0
        self.low = False
        self.resets = 0

    def reset(self, asserted: bool, cycle: int) -> None:
        self.resets += asserted

    def peek(self, offset: int, cycle: int) -> int:
        return self.lamps if offset == self.LOOK else self.low

    def write(self, offset: int, value: int, cycle: int) -> None:
        if offset in (self.LAMPS, self.MORE):
            self.lamps = value
            self.log.append((cycle, offset, value, self.slot.data_before))
        elif offset == self.HOLD and self.holds:
            self.slot.pin("WAIT").drive(False, cycle)
            self.slot.at(cycle + 1 + (value & 15), "go")
        elif offset == self.RESET:
            self.slot.pin("RES").drive(False, cycle)
            self.slot.at(cycle + 1 + (value & 3), "free")
        elif offset == self.IRQ:
            self.low = bool(value & 1)
            self.slot.pin("INT").drive(False if self.low else None, cycle)

    def event(self, name: str, cycle: int) -> None:
        self.slot.pin({"go": "WAIT", "free": "RES"}[name]).drive(None, cycle)

    def steady_until(self, offset: int, cycle: int) -> int:
        return NEVER if offset == self.LOOK else cycle


class SlowPanel(Panel):
    """One that takes its time, also over writes that may wait."""

    def wait_cycles(self, offset: int, is_write: bool) -> int:
        return {self.LAMPS: 1, self.LOOK: 2}.get(offset, 0)


class SlowSram(Sram):
    """Memory that needs a wait cycle."""

    def wait_cycles(self, offset: int, is_write: bool) -> int:
        return 1


class Meddler(Sram):
    """Memory that answers each access itself, and moves a line in one of them.

    Attributes:
        left: accesses up to the one in which it does; shared by all on a board.
        line: that line.
        cycles: for which it stays low; 0: up to the access behind.
    """

    def __init__(self, settings: Any, slot: Slot, left: list[int]) -> None:
        super().__init__(settings, slot)
        self.left = left
        self.line, self.cycles = "NMI", 0

    @classmethod
    def pins(cls, settings: Any) -> tuple[PinSpec, ...]:
        return tuple(PinSpec(name=name, drive=Drive.OPEN_DRAIN) for name in ("INT", "NMI", "SO", "RES", "WAIT"))

    def plain_memory(self) -> None:
        return None

    def _meddle(self, cycle: int) -> None:
        self.left[0] -= 1
        if self.left[0] == 0:
            self.slot.pin(self.line).drive(False, cycle)
            if self.cycles:
                self.slot.at(cycle + self.cycles, "free")
        elif not self.cycles:
            self.slot.pin(self.line).drive(None, cycle)

    def read(self, offset: int, cycle: int) -> int:
        self._meddle(cycle)
        return super().read(offset, cycle)

    def write(self, offset: int, value: int, cycle: int) -> None:
        self._meddle(cycle)
        super().write(offset, value, cycle)

    def event(self, name: str, cycle: int) -> None:
        self.slot.pin(self.line).drive(None, cycle)


class Mask(Sram):
    """Memory that takes no stores, and reports them."""

    def write(self, offset: int, value: int, cycle: int) -> None:
        self.slot.report("mask-written", cycle, f"${value:02X} was written to ROM.")

    def plain_memory(self) -> PlainMemory:
        return PlainMemory(self._memory, None, ignores_writes=True, reports="mask-written")
