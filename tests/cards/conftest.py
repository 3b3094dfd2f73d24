"""A bench for single cards: a bus with one card in slot 3, driven access by access without a CPU."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import pytest

from simkit.bus import Bus, Kind, Seat
from simkit.card import Card, Slot
from simkit.findings import Findings
from simkit.lines import Pin
from simkit.select import Expression, Select

SLOT = 3
BASE = 0x7F10


class _Engine:
    def __init__(self) -> None:
        self.cycle = 0
        self.last = 0x7F
        self.horizon = 0
        self.rd: list[memoryview | None] = [None] * 256
        self.wr: list[memoryview | None] = [None] * 256
        self.attention = False


class CardBench:
    """One card on a bus; cycles only go forward, and events run as the machine would run them."""

    def __init__(
        self,
        card: type[Card],
        hz: int | Fraction = 2_000_000,
        seed: int = 1,
        lines: dict[str, str] | None = None,
        phases: dict[str, Fraction] | None = None,
        **settings: Any,
    ) -> None:
        self.findings = Findings()
        self.bus = Bus(self.findings, seed=seed)
        self.engine = _Engine()
        self.slot = Slot(SLOT, Fraction(hz), seed, self.findings, self.bus, phases)
        self.settings = card.Settings(**settings)
        for spec in card.pins(self.settings):
            pin = self.slot.pins[spec.name] = Pin(spec, SLOT)
            if lines and spec.name in lines:
                self.bus.wiring.line(lines[spec.name]).join(pin)
        self.card = card(self.settings, self.slot)
        select = Select(("0111 1111 0001 xxxx",))
        seat = Seat(self.card, SLOT, card.kind, select, Expression("RW"), Expression("not RW and PHI2"))
        self.bus.seat(seat)
        self.bus.attach(self.engine)
        self.cycle = 0
        self.card.power_on(0)

    @property
    def port(self) -> Any:
        """The card's only port."""
        (port,) = self.slot.ports.values()
        return port

    def to(self, cycle: int) -> None:
        """Go to a cycle; everything due up to and in it happens."""
        assert cycle >= self.cycle
        while self.engine.horizon <= cycle:
            self.bus.begin(max(self.cycle, self.engine.horizon))
        self.cycle = cycle

    def read(self, offset: int, cycle: int | None = None) -> int:
        """Read a register in a cycle, the next one unless given."""
        self.to(self.cycle + 1 if cycle is None else cycle)
        self.engine.last = self.bus.read(BASE + offset, self.cycle, Kind.DATA)
        return self.engine.last

    def write(self, offset: int, value: int, cycle: int | None = None) -> None:
        """Write a register in a cycle, the next one unless given."""
        self.to(self.cycle + 1 if cycle is None else cycle)
        self.bus.write(BASE + offset, value, self.cycle, Kind.DATA)
        self.engine.last = value

    def outside(self, action: str, *arguments: Any, at: int | None = None) -> None:
        """Schedule an outside event at the card's only port."""
        cycle = self.cycle + 1 if at is None else at
        self.bus.schedule(cycle, SLOT, self.port.name, action, arguments)

    def level(self, line: str) -> bool:
        """Level of a line now."""
        return self.bus.wiring.line(line).level


@pytest.fixture(scope="session")  # a class, so that property tests may use it
def card_bench() -> type[CardBench]:
    """The bench, to be called with a card class and its settings."""
    return CardBench
