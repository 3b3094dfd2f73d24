"""The bench of a card: one card on a bare bus with a hand on every pin, no CPU; the test is the CPU.

bench = Bench(MyCard, settings={"size": 64})
bench.write(0, 0x41)
bench.run_to(100)
assert not bench.level("INT")
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from fractions import Fraction
from typing import Any, TypeVar

from simkit.backplane.board import Board
from simkit.backplane.bus import Bus
from simkit.backplane.cycle import Kind
from simkit.backplane.guard import call_unplugged
from simkit.backplane.seat import Seat
from simkit.backplane.select import Select, expression
from simkit.contract.card import Card
from simkit.contract.events import EventTable
from simkit.contract.findings import Findings
from simkit.contract.lines import Drive, Pin, PinSpec
from simkit.contract.registers import Register
from simkit.contract.slot import Slot
from simkit.machinefile.settings import make_settings

_T = TypeVar("_T")

SLOT = 1
CLOCK_HZ = Fraction(1_000_000)
IMAGE = bytes(range(256)) * 4
"""What a socket for an image is given."""


class _NoCpu:
    """What the bus needs of an engine."""

    def __init__(self) -> None:
        self.cycle = 0
        self.x = 0
        self.last = 0xFF
        self.horizon = 0
        self.rd: list[memoryview | None] = [None] * 256
        self.wr: list[memoryview | None] = [None] * 256
        self.recent: Sequence[tuple[int, int]] = ()
        self.attention = False

    def leave_to_reference(self, opcodes: Iterable[int], whose: object) -> None:
        """There is no program."""


class Bench:
    """One card on a bus, with a hand on every pin; the caller is the CPU.

    An access happens in the current cycle, which then ends. Each pin is joined to a line of its own name (or to the
    line that `lines` names) together with a three-state output of the bench.

    Args:
        card: its class.
        settings: values that differ from the defaults.
        seed: seed of everything undefined.
        clock_hz: machine clock.
        watched: whether every line is followed, so that outputs move edge by edge.
        joined: whether pins are joined at all; open pins otherwise.
        lines: names of lines by pin, e.g. {"INT": "IRQ"}.

    Attributes:
        cycle: number of the current cycle.
        card: the card.
        findings: what it reported.
    """

    def __init__(
        self,
        card: type[Card],
        settings: Mapping[str, Any] | None = None,
        *,
        seed: int = 1,
        clock_hz: Fraction = CLOCK_HZ,
        watched: bool = True,
        joined: bool = True,
        lines: Mapping[str, str] | None = None,
    ) -> None:
        self.cycle = 0
        self._begun = -1
        self.findings = self._make_findings()
        self.settings: Any = make_settings(card.Settings, settings or {})
        self._bus = Bus(self.findings, seed=seed)
        self._bus.agenda.events = self._make_events()
        slot = Slot(SLOT, clock_hz, seed, self.findings, self._bus)
        who = f"slot {SLOT} ({card.kind})"
        board = Board.of(card, self.settings, who, SLOT)
        self._hands: dict[str, Pin] = {}
        for spec in board.pins:
            pin = slot.pins[spec.name] = self._make_pin(spec)
            if not joined or spec.cable:
                continue
            line = self._bus.nets.line((lines or {}).get(spec.name, f"P_{spec.name}"), pull=spec.open_level)
            line.join(pin)
            if watched:
                line.follow(0)
            hand = self._hands[spec.name] = _hand(f"bench {spec.name}")
            line.join(hand)
        self._reset_button = _hand("bench reset")
        self._bus.nets.line("RESET").join(self._reset_button)
        self.card = call_unplugged(who, "__init__", card, self.settings, slot, slot=SLOT)
        select = Select(("x" * 16,) if board.registers or board.address_pins else ())
        strobes = expression("RW and PHI2"), expression("not RW and PHI2")
        self.connector = slot
        self._seat = Seat(self.card, SLOT, card.kind, select, *strobes, connector=slot, settings=self.settings)
        self._bus.seat(self._seat)
        if board.image_size is not None:
            self._seat.insert(IMAGE)
        self._cpu = _NoCpu()
        self._bus.attach(self._cpu)
        self._seat.power_on()
        for asserted in (True, False):
            self._seat.reset(asserted, 0)
        self._bus.settle(0)

    # What a bench that watches its card puts in their place: see `simkit.testing.contract.witness`.

    def _make_pin(self, spec: PinSpec) -> Pin:
        return Pin(spec, SLOT)

    def _make_findings(self) -> Findings:
        return Findings()

    def _make_events(self) -> EventTable:
        return EventTable()

    # time -----------------------------------------------------------------------------------------------------------

    @property
    def horizon(self) -> int:
        """Cycle of the soonest event."""
        return self._cpu.horizon

    def begin(self) -> None:
        """Run phase 0 of the current cycle, once."""
        if self._begun < self.cycle:
            self._begun = self.cycle
            self._bus.agenda.begin(self.cycle)

    def run_to(self, cycle: int) -> None:
        """Let time pass without an access, up to the start of `cycle`; events come when they are due."""
        while self.cycle < cycle:
            self.begin()
            self._cpu.cycle = self.cycle = min(cycle, max(self.cycle + 1, self._cpu.horizon))

    def run(self, cycles: int) -> None:
        """Let `cycles` cycles pass."""
        self.run_to(self.cycle + cycles)

    # the bus --------------------------------------------------------------------------------------------------------

    @property
    def registers(self) -> tuple[Register, ...]:
        """The board as wired."""
        return self._seat.registers

    @property
    def offsets(self) -> int:
        """Number of offsets the bus can reach: the card's address pins, sixteen of them at most."""
        return 1 << min(self._seat.address_pins, 16)

    def read(self, offset: int) -> int:
        """Read in the current cycle."""
        self.begin()
        value = self._cpu.last = self._bus.accesses.read(offset, self.cycle, Kind.DATA)
        self.run_to(self.cycle + 1)
        return value

    def write(self, offset: int, value: int) -> None:
        """Write in the current cycle."""
        self.begin()
        self._bus.accesses.write(offset, value, self.cycle, Kind.DATA)
        self._cpu.last = value
        self.run_to(self.cycle + 1)

    def peek(self, offset: int) -> int:
        """Byte a read in the current cycle would give."""
        return self._bus.peek(offset, self.cycle, self._cpu.last)

    def ask(self, call: Callable[..., _T], *arguments: Any) -> _T:
        """Call the card as the machine does outside of accesses and events.

        Raises:
            CardError: the card raised.
        """
        return self._bus.call_card(self._seat, self.cycle, call, *arguments)

    # pins and ports -------------------------------------------------------------------------------------------------

    def level(self, pin: str) -> bool:
        """Level of a pin in the current cycle."""
        self.begin()
        return self.connector.pin(pin).level(self.cycle)

    def pin_levels(self) -> dict[str, bool]:
        """Level of every output pin in the current cycle."""
        return {
            name: self.level(name)
            for name, pin in sorted(self.connector.pins.items())
            if pin.spec.drive is not Drive.INPUT
        }

    def pull(self, pin: str, level: bool | None) -> None:
        """Drive the line of a pin from outside in the current cycle, or let it go with None."""
        self._drive(self._hands[pin], level)

    def _drive(self, hand: Pin, level: bool | None) -> None:
        self.begin()
        hand.drive(level, self.cycle)
        self._bus.settle(self.cycle)
        self._bus.agenda.begin(self.cycle)  # what that armed for this very cycle

    def outside(self, port: str, action: str, *arguments: Any) -> None:
        """Have something happen at a port in the current cycle, or in the next when this one has begun."""
        self._bus.agenda.schedule(max(self.cycle, self._begun + 1), SLOT, port, action, arguments)

    def reset(self, cycles: int = 2) -> None:
        """Hold the line RESET low for some cycles."""
        self._drive(self._reset_button, False)
        self.run(cycles)
        self._drive(self._reset_button, None)

    # state ----------------------------------------------------------------------------------------------------------

    def save(self) -> dict[str, Any]:
        """State of card and bus."""
        return {"card": self._seat.save(self.cycle), "bus": self._bus.save(), "last": self._cpu.last}

    def load_card(self, state: dict[str, Any]) -> None:
        """Have the card alone take back a state."""
        self._seat.load(state)

    def load(self, state: Mapping[str, Any], cycle: int) -> None:
        """Go on from a saved state in `cycle`."""
        self.load_card(state["card"])
        self._bus.load(state["bus"])
        self._cpu.last = state["last"]
        self._cpu.cycle = self.cycle = cycle
        self._begun = cycle - 1


def _hand(name: str) -> Pin:
    return Pin(PinSpec(name=name, drive=Drive.THREE_STATE), -1)
