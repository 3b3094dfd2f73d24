"""A bench that writes down what can be seen of its card from outside, and what the card does while it is only asked."""

from __future__ import annotations

import marshal
import zlib
from collections.abc import Callable
from operator import attrgetter
from typing import Any, TypeVar

from simkit.backplane import answers
from simkit.backplane.guarded_ports import sent_byte
from simkit.contract.card import Card
from simkit.contract.errors import SimkitError
from simkit.contract.events import EventTable
from simkit.contract.findings import Findings
from simkit.contract.lines import Drive, Pin, PinSpec
from simkit.contract.ports import KeysPort, LampsPort, ScreenPort, SerialPort
from simkit.testing.bench import SLOT, Bench
from simkit.testing.contract.seen import Save, Seen

_T = TypeVar("_T")

MAX_CALLS_A_CYCLE = 1_000
"""Events of one cycle; a card that arms an event for the very cycle it happens in would never come to an end."""

_LOADING = "load"

_VALUE = attrgetter("value")

_ALIKE = ("wait_cycles", "holds_program", "standstill")
"""Questions that `Card` answers alike for every offset or bit, unless a card answers them itself."""

OFFSETS_TRIED = 32
"""Offsets of a large card at which it is asked."""


class WitnessBench(Bench):
    """The bench of the contract test; arguments as for `Bench`.

    Attributes:
        log: what was seen, in order.
        armed: names of events that were armed.
        fired: names of events that came.
        moved: names of pins that the card moved.
        misdeeds: what the card did where it may do nothing, one sentence each.
        was_unfinished: the card said once that something was begun.
        had_lazy_level: an output was once computed only when asked.
    """

    def __init__(self, *arguments: Any, **options: Any) -> None:
        self.log: list[Seen] = []
        self.armed: set[str] = set()
        self.fired: set[str] = set()
        self.moved: set[str] = set()
        self.misdeeds: list[str] = []
        self.was_unfinished = False
        self.had_lazy_level = False
        self._asking = ""
        super().__init__(*arguments, **options)
        answers = bool(self._bus.where(0))
        self._some_offsets = range(0, self.offsets if answers else 0, max(1, self.offsets // OFFSETS_TRIED))
        self._speaks = {name: _is_its_own(self.card, name) for name in _ALIKE}
        self._pins = list(self.connector.pins.values())
        self._lines_out = [
            (name, port) for name, port in sorted(self.connector.ports.items()) if isinstance(port, SerialPort)
        ]
        self._plain = self._plain_buffers()
        self._announced = False
        self._bus.watchers.add(memory=self._memory_changed)

    def _make_pin(self, spec: PinSpec) -> Pin:
        return _WitnessPin(spec, self)

    def _make_findings(self) -> Findings:
        return _WitnessFindings(self)

    def _make_events(self) -> EventTable:
        return _WitnessEvents(self)

    def resume(self, save: Save) -> None:
        """Go on from a state; what was seen before is forgotten."""
        self.load(
            {**save.state, "card": answers.state(save.state["card"])}, save.cycle
        )  # a card may keep what it is given
        self.log.clear()

    # what the card does ---------------------------------------------------------------------------------------------

    def begin(self) -> None:
        """Run phase 0 of the current cycle, once."""
        if self._begun < self.cycle:
            if self._plain == (None, None):
                super().begin()
            else:
                before, self._announced = self.memory_sum(), False
                super().begin()
                self._look_at_memory(before)
        self.note_sent()  # in the cycle in which it left, however often a script looks

    def _drive(self, hand: Pin, level: bool | None) -> None:
        before, self._announced = self.memory_sum(), False
        super()._drive(hand, level)
        self._look_at_memory(before)

    def _memory_changed(self, slot: int, start: int, end: int) -> None:
        self._announced = True
        self.did("announced a change of memory")

    def _look_at_memory(self, before: tuple[int | None, ...]) -> None:
        if not self._announced and self.memory_sum() != before:
            self.misdeeds.append(
                f"In cycle {self.cycle} plain memory changed without `slot.changed`; an engine goes on with the old."
            )

    def load_card(self, state: dict[str, Any]) -> None:
        """Have the card alone take back a state."""
        joined = [pin for pin in self.connector.pins.values() if pin.line is not None]
        values = [pin.value for pin in joined]
        outer, self._asking = self._asking, _LOADING
        try:
            super().load_card(state)
        finally:
            self._asking = outer
            for pin, value in zip(joined, values, strict=True):
                if pin.value is not value:
                    self.misdeeds.append(f"load moved pin {pin.spec.name}, whose level comes back with its line.")

    def saw(self, kind: str, *rest: Any) -> None:
        """Write down what happened."""
        self.log.append((kind, self.cycle, *rest))

    def did(self, what: str) -> None:
        """The card did something that shows outside; a misdeed while it is only asked."""
        if self._asking not in ("", _LOADING):  # the machine's own state is loaded after the cards'
            self.misdeeds.append(f"In cycle {self.cycle} {self._asking} {what}; a question must change nothing.")

    @property
    def is_asking(self) -> bool:
        """Whether the card is only asked, or loaded."""
        return bool(self._asking)

    def question(self, name: str, call: Callable[..., _T], *arguments: Any) -> _T:
        """Ask the card something that changes nothing.

        Args:
            name: how sentences call the question.
            call: the card's or port's method.
            arguments: for it.
        """
        pins = self._pin_values()
        outer, self._asking = self._asking, name
        try:
            return self.ask(call, *arguments)
        finally:
            self._asking = outer
            if self._pin_values() != pins:
                moved = next(pin for pin, old in zip(self._pins, pins, strict=True) if pin.value != old)
                self.misdeeds.append(
                    f"In cycle {self.cycle} {name} moved pin {moved.spec.name}; a pin moves in an event, an access, "
                    "`outside` or `pin_changed`, never elsewhere."
                )

    def _pin_values(self) -> list[bool | None]:
        return list(map(_VALUE, self._pins))

    def note_sent(self) -> None:
        """Take from the serial ports what has left them."""
        for name, port in self._lines_out:
            while port.sent:
                entry = port.sent.popleft()
                sent_byte(self._seat, port, entry)
                self.saw("sent", name, *entry)

    def pin_levels(self) -> dict[str, bool]:
        """Level of every joined output in the current cycle; an open one nobody sees."""
        pins = self.connector.pins
        return {name: self.level(name) for name in self.joined_pins if pins[name].spec.drive is not Drive.INPUT}

    def follow(self) -> None:
        """Follow every line from now on, as a trace does: outputs computed on demand move by themselves."""
        self.begin()
        for name in self._hands:
            line = self.connector.pin(name).line
            assert line is not None
            self.ask(line.follow, self.cycle)
        self._bus.settle(self.cycle)

    @property
    def joined_pins(self) -> list[str]:
        """Pins that the machine could move."""
        return sorted(self._hands)

    @property
    def next_start(self) -> int:
        """First cycle that has not begun."""
        return max(self.cycle, self._begun + 1)

    @property
    def armed_now(self) -> dict[str, int]:
        """Cycle of each event that is armed, by name."""
        return {str(name): int(str(cycle)) for cycle, _, name in self._bus.agenda.events.save()}

    # questions ------------------------------------------------------------------------------------------------------

    def state(self) -> Any:
        """The card's saved state as plain data.

        Raises:
            SimkitError: it is no table, or holds something else than JSON values and bytes.
        """
        return self.question("save", self._seat.save, self.cycle)

    def snapshot(self) -> bytes:
        """The card's saved state as bytes, to be compared; `marshal.loads` makes plain data of them."""
        state = self.question("save", self.card.save, self.cycle)
        try:
            return marshal.dumps(state, 2)  # later versions write equal states in several ways
        except ValueError:
            return marshal.dumps(answers.state(state), 2)

    def look(self) -> dict[str, Any]:
        """Everything that can be seen of the card in the current cycle, its state included."""
        self.begin()
        return {
            "state": self.state(),
            "bus": self._bus.save(),
            "reads": {offset: self.raw_peek(offset) for offset in self.some_offsets()},
            "pins": self.pin_levels(),
            "ports": self.ports(),
            "memory": self.memory_sum(),
            "words": self.words(),
            "unfinished": self.unfinished(),
            "waits": self.waits(),
        }

    def level(self, pin: str) -> bool:
        """Level of a pin in the current cycle."""
        self.begin()
        self.had_lazy_level |= self.connector.pin(pin).lazy_level is not None
        return self.question(f"the level of {pin}", self.connector.pin(pin).level, self.cycle)

    def words(self) -> list[str]:
        """What it looks like inside."""
        return self.question("words", self._seat.words, self.cycle)

    def tell_program(self) -> tuple[bytes, list[bool]]:
        """What it says of the program in it: what is in its ROM, and where instructions may stand."""
        rom = self.question("rom", self._seat.rom)
        asked = self.some_offsets() if self._speaks["holds_program"] else self.some_offsets()[:1]
        places = [self.question("holds_program", self._seat.holds_program, offset) for offset in asked]
        return bytes(rom or b""), places

    def some_offsets(self) -> range:
        """Every offset that the card answers at, or some spread over a memory."""
        return self._some_offsets

    def raw_peek(self, offset: int, cycle: int | None = None) -> int:
        """What the card says a read would give, undriven bits included; in the current cycle unless given."""
        return self.question(f"peek({offset})", self._seat.peek, offset, self.cycle if cycle is None else cycle)

    def steady_until(self, offset: int, cycle: int | None = None) -> int:
        """What the card promises for a register."""
        when = self.cycle if cycle is None else cycle
        return self.question(f"steady_until({offset})", self._seat.steady_until, offset, when)

    def wait_cycles(self, offset: int, is_write: bool) -> int:
        """Cycles by which the card delays an access."""
        return self.question(f"wait_cycles({offset})", self._seat.wait_cycles, offset, is_write, self.cycle)

    def waits(self) -> list[int]:
        """Delays of reads and writes by offset; a card that leaves the word to `Card` has none."""
        if not self._speaks["wait_cycles"]:
            return []
        return [self.wait_cycles(offset, is_write) for offset in self.some_offsets() for is_write in (False, True)]

    def unfinished(self) -> str:
        """What the program has begun, by the card's word."""
        found = self.question("unfinished", self._seat.unfinished, self.cycle)
        self.was_unfinished |= bool(found)
        return found

    def standstills(self) -> list[str | bool]:
        """What will not come by itself, by the card's word: each named bit, each request, and whether it is awaited."""
        if not self._speaks["standstill"]:
            return []
        bits = {bit for register in self._seat.registers for bit in register.bits if bit}
        bits |= {name for name, pin in self.connector.pins.items() if pin.spec.request}
        found = [self.question(f"standstill({bit!r})", self._seat.standstill, bit, self.cycle) for bit in sorted(bits)]
        return [*found, self.question("set_up", self._seat.set_up, self.cycle)]

    def left_undone(self, cycle: int) -> str:
        """What the program never finished, by the card's word."""
        return self._seat.left_undone(cycle)

    def ports(self, *, screens: bool = True) -> dict[str, Any]:
        """What leaves the ports.

        Args:
            screens: pictures too, which take long.
        """
        found: dict[str, Any] = {}
        for name, port in sorted(self._seat.ports.items()):
            calls: dict[str, Callable[[int], Any]] = {}
            if isinstance(port, ScreenPort):
                calls = {"frames": port.frames, "border": port.border}
                if screens:
                    calls |= {"pixels": port.pixels, "text": port.text}
            elif isinstance(port, SerialPort):
                calls = {"byte_cycles": port.byte_cycles, "clear_to_send": port.clear_to_send}
            elif isinstance(port, LampsPort):
                calls = {"levels": port.levels}
            elif isinstance(port, KeysPort):
                calls = {"ready_at": port.ready_at}
            for part, call in calls.items():
                found[f"{name}.{part}"] = self.question(f"the {part} of port {name!r}", call, self.cycle)
        return found

    def memory_sum(self) -> tuple[int | None, ...]:
        """Sums over the card's plain memory, one for reads and one for writes."""
        return tuple(None if buffer is None else zlib.crc32(buffer) for buffer in self._plain)

    def _plain_buffers(self) -> tuple[bytearray | memoryview | None, ...]:
        memory = self.question("plain_memory", self.card.plain_memory)
        return (None, None) if memory is None else (memory.read, memory.write)

    def keeps_buffers(self) -> bool:
        """Whether the plain memory is still the buffer that engines were given."""
        return all(new is old for new, old in zip(self._plain_buffers(), self._plain, strict=True))

    @property
    def readable_memory(self) -> bytearray | memoryview | None:
        """Plain memory that engines read without calling the card; none while it is hidden."""
        return None if self._bus.reach.hidden else self._plain[0]

    @property
    def writable_memory(self) -> bytearray | memoryview | None:
        """Plain memory that engines write without calling the card; none while it is hidden."""
        return None if self._bus.reach.hidden else self._plain[1]


class _WitnessPin(Pin):
    __slots__ = ("_bench",)

    def __init__(self, spec: PinSpec, bench: WitnessBench) -> None:
        super().__init__(spec, SLOT)
        self._bench = bench

    def drive(self, value: bool | None, cycle: int) -> None:
        before, bench = self.value, self._bench
        super().drive(value, cycle)
        if self.value is before:
            return
        if self.line is not None and (self.lazy_level is None or self.watched):
            bench.moved.add(self.spec.name)
            bench.saw("pin", self.spec.name, self.value)
        if cycle != bench.cycle and not bench.is_asking:
            bench.misdeeds.append(f"In cycle {bench.cycle} pin {self.spec.name} was driven as if in cycle {cycle}.")


class _WitnessFindings(Findings):
    def __init__(self, bench: WitnessBench) -> None:
        super().__init__()
        self._bench = bench

    def add(self, rule: str, cycle: int, message: str, **where: int | None) -> None:
        super().add(rule, cycle, message, **where)
        if where.get("slot") != SLOT:
            return  # of the lines: outputs that fight, told when somebody works their level out
        self._bench.saw("finding", rule, cycle, message, where.get("address"))
        self._bench.did(f"reported {rule}")


class _WitnessEvents(EventTable):
    __slots__ = ("_bench", "_calls", "_cycle")

    def __init__(self, bench: WitnessBench) -> None:
        super().__init__()
        self._bench = bench
        self._cycle = -1
        self._calls = 0

    def at(self, cycle: int, slot: int, name: str) -> None:
        if self.armed(slot, name) != cycle:
            self._bench.did(f"armed event {name!r}")
        super().at(cycle, slot, name)
        self._bench.armed.add(name)

    def cancel(self, slot: int, name: str) -> None:
        if self.armed(slot, name) is not None:
            self._bench.did(f"cancelled event {name!r}")
        super().cancel(slot, name)

    def pop_due(self, cycle: int) -> tuple[int, int, str] | None:
        due = super().pop_due(cycle)
        if due is not None:
            self._calls = self._calls + 1 if self._cycle == cycle else 1
            self._cycle = cycle
            if self._calls > MAX_CALLS_A_CYCLE:
                raise SimkitError(f"Event {due[2]!r} is armed again and again for cycle {cycle}, in which it happens.")
            self._bench.fired.add(due[2])
            self._bench.saw("event", due[2])
        return due


def _is_its_own(card: Card, name: str) -> bool:
    """Whether a card answers a question itself, by its class or by what it put in its place."""
    return getattr(getattr(card, name), "__func__", None) is not getattr(Card, name)
