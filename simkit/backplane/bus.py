"""The bus: cards are plugged in and the parts joined; what is asked between accesses, and saved, is here.

What happens in a cycle is in its parts: `agenda` (phase 0), `accesses` (phases 2 to 4, and 6), `reach` (decoding and
pages), `data_lines`, `watchers`, `recording`, `access` (what is under way, as cards are told), `guard` (calls cards).
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable
from typing import Any, TypeVar

from simkit.backplane.access import Access
from simkit.backplane.accesses import Accesses
from simkit.backplane.agenda import Agenda
from simkit.backplane.cpu_side import Engine
from simkit.backplane.data_lines import DataLines
from simkit.backplane.glitches import PENDING, Glitches
from simkit.backplane.guard import Guard
from simkit.backplane.joining import as_cards_reach
from simkit.backplane.overdue import overdue_watch
from simkit.backplane.reach import RECORDING, Reach
from simkit.backplane.recording import HANDLER_ENDS, RecordHandle, Recording
from simkit.backplane.records import Sink
from simkit.backplane.seat import Seat
from simkit.backplane.seating import plug_in
from simkit.backplane.select import ALL
from simkit.backplane.watchers import Watchers
from simkit.backplane.wiring import Wiring
from simkit.contract.events import NEVER
from simkit.contract.findings import Findings
from simkit.contract.lines import Line, Pin
from simkit.contract.nets import Nets
from simkit.contract.shapes import FLAG, TEXT, Shape, StateError, many, record, row, whole
from simkit.contract.turn import BETWEEN, Turn

_T = TypeVar("_T")

OPEN_PINS = many(row(whole(), TEXT, FLAG))
"""What is saved of pins that are joined to nothing and driven: (slot, name, level)."""


class Bus:
    """A backplane with its cards.

    Attributes:
        findings: where broken rules are kept.
        wiring: what is done to lines for all.
        nets: the lines.
        seats: the cards, in slot order.
        by_slot: the same by slot.
        turn: when a card may act.
        guard: calls the cards.
        access: the access under way.
        reach: what accesses reach, and what engines may index.
        watchers: who is told of what happens.
        agenda: what is to come, and phase 0.
        data_lines: what the data lines carry.
        recording: what is recorded.
        glitches: what no level of a line says.
        accesses: makes the accesses.
        may_stall: whether accesses may take more than a cycle.
    """

    def __init__(
        self,
        findings: Findings,
        *,
        seed: int,
        open_bus: str = "last",
        contention: str = "and",
        wiring: Wiring | None = None,
    ) -> None:
        overdue_watch().begin()
        self.findings = findings
        self.wiring = Wiring() if wiring is None else wiring
        self.nets = Nets(findings)
        self.seats: list[Seat] = []
        self.by_slot: dict[int, Seat] = {}
        self.access = Access()
        self.turn = Turn()
        self.guard = Guard(self.turn, self.access, self.nets, self.by_slot, lambda: self.agenda.alarm())
        self.turn.owe = self.guard.owe_misuse
        self.data_lines = DataLines(findings, self.wiring, open_bus=open_bus, contention=contention, seed=seed)
        self.recording = Recording(self.nets, self._recorded_anew, self._now)
        released = self.data_lines.keeps, self.data_lines.pulled
        self.reach = Reach(self.wiring, released, self.access, self.recording)
        self.watchers = Watchers(self.reach)
        self.glitches = Glitches()
        watchers = self.watchers
        self.agenda = Agenda(self.nets, self.turn, self.guard, self.by_slot, watchers.outside, watchers.events)
        self.accesses = Accesses(
            self.nets,
            self.turn,
            self.guard,
            self.access,
            self.reach,
            self.data_lines,
            self.watchers,
            self.recording,
            self.glitches,
        )
        # What slots ask of a part is the part's own (`simkit.contract.host`): they ask often.
        self.arm, self.disarm, self.armed = self.agenda.arm, self.agenda.disarm, self.agenda.armed
        self.hide_memory = self.reach.hide_memory
        self.may_stall = False
        self._seed = seed
        self._engine: Engine | None = None

    # building -------------------------------------------------------------------------------------------------------

    def seat(self, seat: Seat) -> None:
        """Plug a card in.

        Raises:
            CardError: what it says of itself cannot be, or it fails when asked.
        """
        plug_in(seat, self.guard, self.turn, self.wiring, self.data_lines.cpu)
        self.seats.append(seat)
        self.seats.sort(key=lambda s: s.slot)
        self.by_slot[seat.slot] = seat

    def attach(self, engine: Engine) -> None:
        """Join the engine; call once all cards are seated and the lines joined."""
        self._engine = self.access.engine = engine
        self.turn.asked = ""
        self.reach.attach(engine, self.seats, self.nets)
        for name in ("IRQ", "NMI", "RESET", "RDY", "SO"):
            self.nets.observe(name, self._attend)
        self.listen_to_reset(0)
        self.accesses.attach(engine)
        self.settle_stalls()
        self.reach.redecode()
        self.agenda.attach(engine)

    @property
    def reset_line(self) -> Line:
        """RESET as the cards reach it."""
        return self.nets.line(as_cards_reach("RESET", self.wiring))

    def listen_to_reset(self, cycle: int) -> None:
        """Tell the cards of RESET from now on, of the line that they reach."""
        for line in tuple(self.nets.lines.values()):
            if self._reset_moved in line.observers and line is not self.reset_line:
                self.nets.unobserve(line.name, self._reset_moved, cycle)
        if self._reset_moved not in self.reset_line.observers:
            self.nets.observe(self.reset_line.name, self._reset_moved, cycle)

    def settle_stalls(self) -> None:
        """Look whether RDY is low, or may be."""
        ready = self.nets.line("RDY")
        moves = bool(ready.pins) or bool(ready.bridged) or not ready.level
        self.may_stall = moves or self.glitches.stops_clock or any(seat.waits for seat in self.seats)
        self.reach.require_slow("RDY low", not ready.level)

    def record(
        self, sink: Sink, *, registers: str = "", lines: Iterable[str] = (), decoding: bool = False
    ) -> RecordHandle:
        """Have every bus cycle recorded from now on, until the handle's `remove`; see `Recording.begin`."""
        return self.recording.begin(sink, registers=registers, lines=lines, decoding=decoding)

    def _now(self) -> int:
        return self._engine.cycle if self._engine is not None else 0

    def _recorded_anew(self) -> None:
        """Something else is recorded than before."""
        self.reach.require_slow(RECORDING, self.recording.ring is not None)
        if self._engine is not None:
            self._engine.leave_to_reference(HANDLER_ENDS if self.recording.handlers else (), self)
            self.reach.renew()

    def _attend(self, line: Line, cycle: int) -> None:
        assert self._engine is not None
        self._engine.attention = True
        if line.name == "RDY":
            self.reach.require_slow("RDY low", not line.level)

    def _reset_moved(self, line: Line, cycle: int) -> None:
        for seat in self.seats:
            arrives = seat.reset_arrives(line.asserted)
            if arrives is not None and arrives is not seat.reset_arrives(not line.asserted):
                seat.reset(arrives, cycle)

    # what slots ask of the whole --------------------------------------------------------------------------------------

    def data_before(self, slot: int) -> int:
        """Byte that a card's data pins saw in the cycle before the one under way."""
        if self._engine is None:
            return 0xFF  # power is still off
        seat = self.by_slot[slot]
        return self._engine.last if seat.takes_data is None else seat.takes_data[self._engine.last]

    def memory_changed(self, slot: int, start: int, end: int) -> None:
        """Bytes of a card's plain memory changed other than by a store of the CPU."""
        if self._engine is None:
            return  # an image goes into its socket while the machine is put together: `attach` decodes
        seat = self.by_slot[slot]
        plain = seat.plain
        if plain is not None and plain.ignores_writes and seat.crossed:
            self.reach.redecode()  # permuted copies, made of ROM alone, are stale
        elif plain is not None:
            self.reach.renew()
        try:
            for watcher in self.watchers.memory:
                watcher(slot, start, end)
        except BaseException as error:
            self.guard.let_pass(error)
            raise

    # looked up and done between accesses ------------------------------------------------------------------------------

    def peek(self, address: int, cycle: int, last: int) -> int:
        """Byte a read would give, without any effect; `last` stands for the open bus."""
        plan = self.reach.table.read_plan(address)
        data = self.data_lines
        given = [seat.peek(offset, cycle) for seat, offset, _ in plan.drivers]
        value = data.together(plan, data.released(last), cycle, given)
        return value if data.cpu is None else data.cpu.taken(value, last)

    def steady_until(self, address: int, cycle: int) -> int:
        """A read of the address has no effect and gives the same byte before the cycle given back."""
        plan = self.reach.table.read_plan(address)
        if plan.takers or len(plan.drivers) > 1:
            return cycle
        return min((seat.steady_until(offset, cycle) for seat, offset, _ in plan.drivers), default=NEVER)

    def where(self, address: int, *, is_write: bool = False) -> list[tuple[Seat, int]]:
        """Cards that an access at `address` reaches, with the offset each sees."""
        plan = self.reach.table.write_plan(address) if is_write else self.reach.table.read_plan(address)
        if is_write:
            return list(plan.takers)
        return [(seat, offset) for seat, offset, _ in plan.drivers]

    def seen_at(self, address: int) -> tuple[int, int] | None:
        """Which byte a read of an address sees, banks as they are: slot of the card, offset in it; None: no card's."""
        drivers = self.reach.table.read_plan(address).drivers
        return (drivers[0][0].slot, drivers[0][1]) if drivers else None

    def is_plain_page(self, page: int) -> bool:
        """Whether reads of a whole page reach one card's plain memory, at offsets that follow one another."""
        plain = self.reach.table.read_pages[page]
        return plain is not None and not plain.is_copy

    def drive_tables(self) -> list[tuple[Seat, int, int]]:
        """For each card: truth tables of the addresses at which it drives reads and takes writes, banks as they are."""
        return [(seat, read, write) for seat, read, _, write, _ in self.reach.table.selects]

    def chance(self, name: str, cycle: int) -> float:
        """A number from 0 up to 1 that depends on seed, name and cycle alone."""
        digest = hashlib.blake2b(f"{self._seed}/{name}/{cycle}".encode(), digest_size=8).digest()
        return int.from_bytes(digest) / 2**64

    def settle(self, cycle: int) -> None:
        """Let lines settle outside of accesses and events: at power-on."""
        self.turn.cycle = cycle
        try:
            self.nets.settle(cycle)
        except BaseException as error:  # noqa: BLE001 - a stranger's card
            self.guard.tell_of_cycle(error, None, "", cycle)
        finally:
            self.turn.cycle = BETWEEN
            self.nets.drop_unsettled()

    def call_card(self, seat: Seat, cycle: int, call: Callable[..., _T], *arguments: Any) -> _T:
        """Have a card do something outside of the accesses and events of a cycle, by one of its functions.

        Raises:
            CardError: the card failed.
        """
        return self.guard.call(seat, cycle, getattr(call, "__name__", "call"), *arguments, function=call)

    # snapshot ---------------------------------------------------------------------------------------------------------

    def save(self) -> dict[str, Any]:
        """State for a snapshot, without the cards."""
        state = {**self.agenda.save(), "lines": self.nets.save()}
        if pins := self._open_pins():
            state["open_pins"] = [[pin.slot, pin.spec.name, pin.value] for pin in pins if pin.value is not None]
        if self.glitches.possible:
            state["glitches"] = self.glitches.save()
        return state

    def _open_pins(self) -> list[Pin]:
        """Pins that are joined to nothing: what they drive, their card alone sees."""
        pins = (pin for seat in self.seats for _, pin in sorted(seat.connector.pins.items()))
        return [pin for pin in pins if pin.line is None]

    def load(self, state: Any) -> None:
        """Take back what `save` gave; everything is checked before anything changes.

        Raises:
            StateError: it is nothing of the kind, or of another machine.
        """
        open_pins = self._open_pins()
        shapes = {**self.agenda.SHAPES, "lines": Shape(self.nets.checked)}
        shapes |= {"open_pins": OPEN_PINS} if open_pins else {}
        shapes |= {"glitches": PENDING} if self.glitches.possible else {}
        new = record(**shapes).take(state)
        self.agenda.check(new)
        driven = {(slot, name): value for slot, name, value in new.get("open_pins", ())}
        for slot, name in set(driven) - {(pin.slot, pin.spec.name) for pin in open_pins}:
            raise StateError("open_pins", f"names {name!r} of slot {slot}, which is no pin joined to nothing")
        self.glitches.load(new.get("glitches", ()), self.by_slot)
        self.nets.adopt(new["lines"])
        self.agenda.adopt(new)
        for pin in open_pins:
            pin.value = driven.get((pin.slot, pin.spec.name))
        self.reach.require_slow("RDY low", not self.nets.line("RDY").level)
        self.reach.require_slow(self.glitches, self.glitches.in_the_way)
        self.reach.renew()
        self.reach.choose_table()
        self.recording.state_loaded()


def overlaps(bus: Bus) -> list[tuple[Seat, Seat, int]]:
    """Pairs of cards that would drive reads at the same addresses, with the truth table of those addresses."""
    found = []
    tables = bus.drive_tables()
    for number, (first, table, _) in enumerate(tables):
        for second, other, _ in tables[number + 1 :]:
            both = table & other & ALL
            if both:
                found.append((first, second, both))
    return found
