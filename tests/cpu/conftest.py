"""A CPU on a board with 64 KiB of RAM, lines that a test pulls, and a log of every bus cycle."""

import importlib.util
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from types import ModuleType

import pytest
from simkit_cards.memory.sram import Sram, SramSettings

from simkit.backplane.agenda import OUTSIDE_MACHINE
from simkit.backplane.bus import Bus
from simkit.backplane.cycle import BusCycle
from simkit.backplane.seat import Seat
from simkit.backplane.select import Expression, Select
from simkit.contract.card import Card
from simkit.contract.findings import Findings
from simkit.contract.lines import SYSTEM_LINES, Drive, Pin, PinSpec
from simkit.contract.slot import Slot
from simkit.cpu.reference.engine import ExactCpu, make_exact


class Rig:
    """The board. Cards given take their page out of the RAM."""

    def __init__(
        self,
        part: str,
        cards: dict[int, Callable[[Slot], Card]] | None = None,
        pulled: tuple[str, ...] = ("IRQ", "NMI", "RESET", "SO"),
        ready_gated: bool = False,
        **options: object,
    ) -> None:
        self.findings = Findings()
        self.bus = Bus(self.findings, seed=1)
        self.log: list[BusCycle] = []
        pages = sorted(cards or {})
        patterns = tuple(f"{page:08b}xxxxxxxx" for page in pages)
        ram = Sram(SramSettings(size=65536, fill=0), Slot(1, Fraction(1_000_000), 1, self.findings, self.bus))
        self._seat(ram, 1, Select(("x" * 16,), patterns), False)
        self.cards: list[Card] = []
        for slot, page in enumerate(pages, start=2):
            card = (cards or {})[page](Slot(slot, Fraction(1_000_000), 1, self.findings, self.bus))
            for spec in type(card).pins(card.settings):
                pin = card.slot.pins[spec.name] = Pin(spec, slot)
                self.bus.nets.line({"INT": "IRQ", "WAIT": "RDY", "RES": "RESET"}[spec.name]).join(pin)
            self._seat(card, slot, Select((f"{page:08b}xxxxxxxx",)), ready_gated)
            self.cards.append(card)
        self.pins: dict[str, Pin] = {}
        for name in SYSTEM_LINES:
            if name in pulled:
                self.pins[name] = Pin(PinSpec(name=name, drive=Drive.OPEN_DRAIN), -1)
                self.bus.nets.line(name).join(self.pins[name])
        self.bus.agenda.machine_events["line"] = self._line_event
        self.cpu: ExactCpu = make_exact(part, self.bus, self.findings, 1, **options)  # type: ignore[arg-type]
        self.bus.attach(self.cpu)
        ram.power_on(0)
        self.memory: bytearray = ram._memory
        self.cpu.power_on()

    def _seat(self, card: Card, slot: int, select: Select, ready_gated: bool) -> None:
        seat = Seat(card, slot, "test", select, Expression("RW and PHI2"), Expression("not RW and PHI2"))
        seat.ready_gated = ready_gated
        self.bus.seat(seat)

    def _line_event(self, arguments: tuple[object, ...], cycle: int) -> None:
        name, low = arguments
        self.pins[str(name)].drive(False if low else None, cycle)

    def pull(self, name: str, cycle: int, cycles: int | None = None) -> None:
        """Pull a line low from `cycle` on, for so many cycles."""
        self.bus.agenda.schedule(cycle, OUTSIDE_MACHINE, "", "line", (name, True))
        if cycles is not None:
            self.bus.agenda.schedule(cycle + cycles, OUTSIDE_MACHINE, "", "line", (name, False))

    def keep(self) -> None:
        """Remember everything as it is, for `back`."""
        self._kept = (self.bus.save(), self.cpu.save(), bytes(self.memory))

    def back(self) -> None:
        """Everything as it was at `keep`."""
        bus, cpu, memory = self._kept
        self.memory[:] = memory
        self.cpu.load(cpu)
        self.bus.load(bus)
        self.log.clear()

    def watch(self) -> "Rig":
        """Log every bus cycle from now on."""
        self.bus.watchers.probes.append(self.log.append)
        self.bus.reach.require_slow("probes", True)
        return self

    def place(self, address: int, code: bytes | str) -> None:
        """Put bytes into the RAM; text is hexadecimal."""
        data = bytes.fromhex(code) if isinstance(code, str) else code
        self.memory[address : address + len(data)] = data

    def vectors(self, nmi: int = 0x0600, reset: int = 0x0400, irq: int = 0x0500) -> None:
        """Set the three vectors."""
        self.place(0xFFFA, b"".join(v.to_bytes(2, "little") for v in (nmi, reset, irq)))

    def begin(self, pc: int, **registers: int) -> None:
        """Stand before the instruction at `pc`, as if after some program, in the cycle it is."""
        cpu = self.cpu
        cpu.a = cpu.x = cpu.y = 0
        cpu.sp, cpu.p = 0xFF, 0x24
        for name, value in registers.items():
            setattr(cpu, name, value)
        cpu.pc, cpu.reset_due, cpu.due, cpu.waiting, cpu.halted = pc, False, None, False, None

    @property
    def state(self) -> tuple[object, ...]:
        """Everything of the CPU that a program or a test could tell apart."""
        cpu = self.cpu
        return (cpu.pc, cpu.a, cpu.x, cpu.y, cpu.sp, cpu.p, cpu.cycle, cpu.last, cpu.due, cpu.waiting, cpu.halted)

    def accesses(self) -> list[tuple[int, bool]]:
        """(address, is_write) of the logged cycles."""
        return [(c.address, c.is_write) for c in self.log]


@pytest.fixture(scope="session")
def rig() -> type[Rig]:
    """The class of boards; call it with "6502" or "65C02"."""
    return Rig


@pytest.fixture(scope="session")
def published() -> ModuleType:
    """The published cycle tables."""
    spec = importlib.util.spec_from_file_location("published_cycles", Path(__file__).with_name("published_cycles.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
