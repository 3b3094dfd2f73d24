"""The bus: which cards an address selects, who drives the data lines, and the phases of a cycle that are not the CPU's.

Everything static about a machine is compiled in decode.py: a page that is one card's plain memory and nothing else is
a memoryview that an engine indexes without asking anybody; every other access comes to `read` and `write`. There is one
table for each combination of the lines that cards drive into selects (banks); a change of such a line swaps the table.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Sequence
from functools import partial
from heapq import heapify, heappop, heappush
from typing import Any, NoReturn, Protocol, TypeVar

from simkit.backplane import answers
from simkit.backplane.banks import Banks, decode_lines
from simkit.backplane.blame import failure
from simkit.backplane.board import Board
from simkit.backplane.conductors import CpuData, DataPins, open_bus_levels, through
from simkit.backplane.cycle import KIND_WORDS, SYNC, BusCycle, Kind
from simkit.backplane.decode import Pages, Plan, Table, driven_masks
from simkit.backplane.guard import Guard
from simkit.backplane.guarded_ports import guarded_ports, takes
from simkit.backplane.joining import as_cards_reach
from simkit.backplane.overdue import overdue_watch
from simkit.backplane.recording import RecordHandle, Recording
from simkit.backplane.records import DECODING, REPEAT, WRITE, Sink
from simkit.backplane.seat import Seat
from simkit.backplane.select import ALL
from simkit.backplane.vectors import VECTORS
from simkit.backplane.wiring import Wiring
from simkit.contract.card import Card
from simkit.contract.errors import CardMisuse, SimkitError
from simkit.contract.events import EVENTS, NEVER, EventTable
from simkit.contract.findings import Findings
from simkit.contract.lines import Drive, Line, Pin
from simkit.contract.nets import Nets
from simkit.contract.shapes import CYCLE, FLAG, TEXT, Shape, StateError, many, record, row, whole
from simkit.contract.turn import BETWEEN, WAITED, Turn

_T = TypeVar("_T")

_RTI = 0x40
_SEQUENCES = (Kind.INTERRUPT, Kind.RESET)

Ways = tuple[list[memoryview | None], list[memoryview | None]]
"""Views of 256 pages for reads, and for writes."""

RECORDING = "records"
"""Why pages are taken from the reference engine while bus cycles are recorded; the core records them itself."""
BESIDE = "bystanders"
"""Why they are while somebody stands by, who looks at the core's records."""

MOST_CALLS_A_CYCLE = 4_096
"""Calls of `event` in one cycle: a card that arms an event for the very cycle it happens in would never end."""

LONGEST_HOLD = 20_000_000
"""Cycles for which RDY may be low in one access; a run cannot end before."""
LONGEST_HOLD_WITHOUT_EVENTS = 65_536
"""The same where no event and nothing from outside is to come that could let it go."""

OUTSIDE_MACHINE = -1
"""Slot number of outside events that concern the machine itself (reset button, RDY from a test)."""


def _argument(value: Any) -> str | int:
    if not isinstance(value, str | int):
        raise StateError("", f"{value!r:.40} is neither a text nor a whole number")
    return value


_NOBODY = Plan((), (), ())
"""What an access reaches while BE floats the bus of the CPU."""

OUTSIDE = many(row(CYCLE, whole(OUTSIDE_MACHINE), TEXT, TEXT, many(Shape(_argument)).into(tuple)))
"""What is saved of outside events: (cycle, slot, port, action, arguments)."""
OPEN_PINS = many(row(whole(), TEXT, FLAG))
"""What is saved of pins that are joined to nothing and driven: (slot, name, level)."""


class Engine(Protocol):
    """What the bus sets in an engine, and the two values it reads."""

    cycle: int
    last: int  # byte the data lines held in the previous cycle
    horizon: int  # the engine calls `Bus.begin(cycle)` before an access in a cycle at or after it
    rd: list[memoryview | None]  # 256 pages; None: call `Bus.read`
    wr: list[memoryview | None]  # 256 pages; None: call `Bus.write`
    recent: Sequence[tuple[int, int]]  # (cycle, pc) of the last instructions begun
    x: int  # the register
    attention: bool  # set when IRQ, NMI, RESET, RDY or SO moved, or memory changed: looked at after the instruction

    def leave_to_reference(self, opcodes: Iterable[int], whose: object) -> None:
        """Have each bus cycle of these opcodes come from Python; none takes them back."""


Tap = Callable[[int, int, int, bool, Kind, Plan], None]
"""The kit's own probe, without the record that `BusCycle` is: (cycle, address, data, is_write, kind, plan)."""

Seen = Callable[[bool], None]
"""Told of an access of one address, in its cycle: is_write."""

OutsideEvent = tuple[int, int, str, str, tuple[Any, ...]]
"""(cycle, slot, port, action, arguments)."""

Before = Callable[[int, int, bool, Kind, Plan], None]
"""As `Tap` before the access: (cycle, address, is_write, kind, plan)."""


class Bystander(Protocol):
    """Watches a machine without keeping the core from running."""

    def core_begins(self) -> None:
        """The core is about to run; what it does is in the records, but for accesses that cards answer."""

    def core_ended(self) -> None:
        """It has come back, between two instructions or behind an exception."""


class CpuLines(Protocol):
    """Lines of the CPU that somebody hears, moved access by access."""

    released: bool  # BE is low: nothing of the CPU's is on the bus
    vector: bool  # set by the engine while it fetches a vector
    outputs: tuple[str, ...]  # names of those that the CPU drives

    def begin(self, kind: Kind, cycle: int, x: int) -> None:
        """An access is put out, before it is decoded; x is the register."""

    def ended(self, kind: Kind, value: int) -> None:
        """It is over."""


class RunWatcher(Protocol):
    """Is told when the CPU runs: for an instruction, a cycle, or long."""

    def about_to_run(self) -> None:
        """It stands still, and is about to run."""

    def has_run(self, error: BaseException | None) -> None:
        """It stands still again; with an error the instruction under way was given up where it was."""


class WatchHandle:
    """Holds what `Bus.add_watch` attached; `remove` takes it off."""

    def __init__(self, bus: Bus, attached: list[tuple[list[Any], Any]], *, slow: bool) -> None:
        self._bus = bus
        self._attached = attached
        for calls, call in attached:
            calls.append(call)
        if slow:
            bus.require_slow(self, True)
        bus.watched_anew()

    @property
    def attached(self) -> bool:
        """Whether it has not been taken off."""
        return bool(self._attached)

    def remove(self) -> None:
        """Take it off; a second time does nothing."""
        for calls, call in self._attached:
            calls.remove(call)
        self._attached = []
        self._bus.require_slow(self, False)
        self._bus.watched_anew()


class Bus:
    """Routes accesses to cards and runs phase 0 of each cycle.

    Attributes:
        nets: the lines.
        wiring: what is done to lines for all.
        events: pending calls of cards.
        findings: where broken rules are kept.
        seats: the cards, in slot order.
        access_address: address of the access under way, None between accesses.
        generation: number that rises whenever the decoding or plain memory changed other than by a store.
        recording: what is recorded.
        banks: all decode tables.
        outside_watchers: told of every outside event as it is taken: (cycle, slot, port, action, arguments).
        access_kind: what the CPU does in a read under way that reaches cards.
        before: called before an access reaches cards that are not plain memory, as `taps`, without the data.
        seen: whom to tell of each access of an address.
        seen_pages: their pages, of which no engine reads or writes memory itself.
        hidden: slots of cards whose memory gives something else for a while: each access must come to them.
        at_once: how many want no write to wait.
        taps: called after every access that goes through `read` and `write`, repeats of stalled ones left out.
        bystanders: who is told when the core runs.
        cpu_lines: those of SYNC, VPB, MLB and BE that somebody hears; None: nobody hears any.
        turn: when a card may act.
        guard: calls the cards.
        run_watchers: who is told when the CPU runs.
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
        self.findings = findings
        self.nets = Nets(findings)
        overdue_watch().begin()
        self.turn = Turn()
        self.turn.owe = self._owe
        self.guard = Guard(self.turn, lambda: self.access_address, self._alarm)
        self.events = EventTable()
        self.seats: list[Seat] = []
        self.access_address: int | None = None
        self.access_kind: Kind | None = None
        self._late: dict[int, int] = {}  # instruction by cycle of writes that are handed over
        self._late_slot = 0  # and to whom
        self.generation = 0
        self.may_stall = False
        self.probes: list[Callable[[BusCycle], None]] = []
        self.taps: list[Tap] = []
        self.before: list[Before] = []
        self.memory_watchers: list[Callable[[int, int, int], None]] = []
        self.outside_watchers: list[Callable[[OutsideEvent], None]] = []
        self.bystanders: list[Bystander] = []
        self.run_watchers: list[RunWatcher] = []
        self.recording = Recording(self.nets, self._recorded_anew, self._now)
        self._by_slot: dict[int, Seat] = {}
        self._seed = seed
        self.wiring = Wiring() if wiring is None else wiring
        self._keeps, self._pulled = open_bus_levels(open_bus, self.wiring)
        self._cpu_data = CpuData.of(self.wiring, self._pulled)
        self._on_lines = (
            0  # byte on the backplane in the access that was last made by a card, where the CPU's is another
        )
        self._mix = contention == "mix"
        self._outside: list[tuple[int, int, int, str, str, tuple[Any, ...]]] = []
        self._outside_count = 0
        self._engine: Engine | None = None
        self.banks = Banks([], (), self.wiring)
        self._table, self._decoding = self.banks.present  # and its number
        self._table_is_stale = False  # a line that stands in selects has moved in the access under way
        self._slow_reasons: set[object] = set()
        self.seen: dict[int, list[Seen]] = {}
        self.seen_pages = frozenset[int]()
        self.hidden = frozenset[int]()
        self.cpu_lines: CpuLines | None = None
        self._shown = self.banks.present[0].rd, self.banks.present[0].wr  # plain memory that is not hidden
        self._views: dict[tuple[Table, frozenset[int]], Ways] = {}
        self.at_once = 0
        self._slow_pages: list[memoryview | None] = [None] * 256
        self.machine_events: dict[str, Callable[[tuple[Any, ...], int], None]] = {}

    # building -------------------------------------------------------------------------------------------------------

    def seat(self, seat: Seat) -> None:
        """Plug a card in.

        Raises:
            CardError: what it says of itself cannot be, or it fails when asked.
        """
        seat.guard = guard = self.guard
        board = Board.of(type(seat.card), seat.settings, seat.name, seat.slot)
        seat.registers, seat.address_pins, seat.image_size = board.registers, board.address_pins, board.image_size
        reached = 1 << min(seat.address_pins, 16)
        seat.plain = guard.ask(seat, BETWEEN, "plain_memory", check=partial(answers.plain_memory, reached=reached))
        seat.waits = type(seat.card).wait_cycles is not Card.wait_cycles
        seat.driven = driven_masks(seat.registers)
        seat.data, cpu = DataPins.of(seat.wiring.pin_entries()), self._cpu_data
        of_cpu = (None, None) if cpu is None else (cpu.gives, cpu.takes)
        of_card = (None, None) if seat.data is None else (seat.data.takes, seat.data.gives)
        seat.takes_data, seat.gives_data = through(of_cpu[0], of_card[0]), through(of_card[1], of_cpu[1])
        seat.crossed = any((self.wiring.line_entries(), seat.wiring.line_entries(), seat.wiring.pin_entries()))
        slot = seat.connector
        slot.seal()
        seat.ports = guard.ask(seat, BETWEEN, "__init__", function=partial(guarded_ports, seat))
        for pin in slot.pins.values():
            pin.turn = self.turn
            pin.asks = partial(guard.level, seat)
            pin.followed = seat.followed
            if pin.spec.listens:
                pin.notify = guard.bound(seat, "pin_changed")
            if pin.group is not None:
                pin.group.turn = self.turn
        self.seats.append(seat)
        self.seats.sort(key=lambda s: s.slot)
        self._by_slot[seat.slot] = seat

    def attach(self, engine: Engine) -> None:
        """Join the engine; call once all cards are seated and the lines joined."""
        self._engine = engine
        self.turn.asked = ""
        lines = decode_lines(self.seats, self.nets, self.wiring)
        self.banks = Banks(self.seats, lines, self.wiring, (self._keeps, self._pulled))
        for line in self.banks.lines:
            self.nets.observe(line.name, self._decode_line_changed)
        for name in ("IRQ", "NMI", "RESET", "RDY", "SO"):
            self.nets.observe(name, self._attend)
        self.nets.observe(as_cards_reach("RESET", self.wiring), self._reset_moved)
        if self.cpu_lines is not None:
            self.require_slow(self.cpu_lines, True)
        ready = self.nets.line("RDY")
        moves = bool(ready.pins) or bool(ready.bridged) or not ready.level
        self.may_stall = moves or any(seat.waits for seat in self.seats)
        self.require_slow("RDY low", not ready.level)
        self.redecode()

    def redecode(self) -> None:
        """Work all decode tables out again, after wiring or memory buffers changed."""
        self.banks.forget()
        self._views.clear()
        self._renew()
        self._choose_table()
        self._set_horizon()

    def _renew(self) -> None:
        """Decoding or plain memory is no longer what an engine may remember."""
        assert self._engine is not None
        self.generation += 1
        self._engine.attention = True

    def add_watch(
        self,
        *,
        probe: Callable[[BusCycle], None] | None = None,
        before: Before | None = None,
        tap: Tap | None = None,
        memory: Callable[[int, int, int], None] | None = None,
        outside: Callable[[OutsideEvent], None] | None = None,
        bystander: Bystander | None = None,
        run: RunWatcher | None = None,
    ) -> WatchHandle:
        """Have what happens told, until the handle's `remove`.

        Args:
            probe: called after every bus cycle.
            before: called before every access that reaches cards, without its data.
            tap: called after every access, repeats of stalled ones left out.
            memory: told when plain memory changed other than by a store: (slot, start, end).
            outside: told of every outside event as it is taken.
            bystander: with one, `before` and `tap` are called for what the reference engine does and for what cards
                answer; the rest of what the core does comes in records alone.
            run: told when the CPU begins to run and when it has.
        """
        pairs = (
            (self.probes, probe),
            (self.before, before),
            (self.taps, tap),
            (self.memory_watchers, memory),
            (self.outside_watchers, outside),
            (self.bystanders, bystander),
            (self.run_watchers, run),
        )
        attached = [(calls, call) for calls, call in pairs if call is not None]
        sees_all = probe is not None or (bystander is None and (before is not None or tap is not None))
        return WatchHandle(self, attached, slow=sees_all)

    def see(self, address: int, call: Seen) -> None:
        """Have every access of an address told, but for repeats of stalled ones; the rest stays as fast."""
        self.seen.setdefault(address, []).append(call)
        self._seen_anew()

    def see_no_more(self, address: int, call: Seen) -> None:
        """Take back what `see` did."""
        self.seen[address].remove(call)
        if not self.seen[address]:
            del self.seen[address]
        self._seen_anew()

    def _seen_anew(self) -> None:
        self.seen_pages = frozenset(address >> 8 for address in self.seen)
        self._set_pages()
        self._renew()

    def let_no_write_wait(self, wanted: bool) -> None:
        """Have cards told of each write in its cycle, so that what comes of it is known then; or take that back."""
        self.at_once += 1 if wanted else -1
        self._renew()

    def watched_anew(self) -> None:
        """Who watches has changed.

        With bystanders the reference engine shows each of its accesses; while somebody taps, no write to a card waits.
        """
        self.require_slow(BESIDE, bool(self.bystanders))
        self._renew()

    def require_slow(self, reason: object, wanted: bool) -> None:
        """Have every access come to `read` and `write` while any reason stands (watches, cycle steps, RDY low)."""
        if wanted:
            self._slow_reasons.add(reason)
        else:
            self._slow_reasons.discard(reason)
        self._set_pages()

    @property
    def pages(self) -> tuple[Pages, Pages]:
        """Pages of plain memory that reads and writes reach, banks as they are."""
        return self._table.read_pages, self._table.write_pages

    @property
    def table(self) -> Table:
        """Decoding with the banks as they are; keeps its identity while `banks.remade` stays."""
        return self._table

    @property
    def slow(self) -> bool:
        """Whether somebody must see every access as it is made, so that all go through `read` and `write`."""
        return bool(self._slow_reasons - {RECORDING, BESIDE})

    def record(
        self, sink: Sink, *, registers: str = "", lines: Iterable[str] = (), decoding: bool = False
    ) -> RecordHandle:
        """Have every bus cycle recorded from now on, until the handle's `remove`; see `Recording.begin`."""
        return self.recording.begin(sink, registers=registers, lines=lines, decoding=decoding)

    def _now(self) -> int:
        return self._engine.cycle if self._engine is not None else 0

    def _recorded_anew(self) -> None:
        """Something else is recorded than before."""
        self.require_slow(RECORDING, self.recording.ring is not None)
        if self._engine is not None:
            self._engine.leave_to_reference((_RTI,) if self.recording.handlers else (), self)
            self._renew()

    def _choose_table(self) -> None:
        self._table_is_stale = False
        table, number = self.banks.present
        if table is not self._table:
            self._table = table
            self._renew()
        if self.recording.ring is not None and self.recording.decodings and number != self._decoding:
            since = max(self.banks.since, self._now())  # of a state that was loaded it counts from this cycle on
            self.recording.ring.add(since, number, 0, DECODING)
        self._decoding = number
        self._set_pages()

    def hide_memory(self, slot: int, hidden: bool) -> None:
        """Have each access of a card's memory come to the card, or no longer."""
        now = self.hidden | {slot} if hidden else self.hidden - {slot}
        if now == self.hidden:
            return
        self.hidden = now
        if self._engine is not None:
            self._set_pages()
            self._renew()

    @property
    def shown(self) -> Ways:
        """Views of the pages of plain memory that reads and writes reach without asking a card."""
        return self._shown

    def _shown_of(self, table: Table) -> Ways:
        if not self.hidden:
            return table.rd, table.wr
        key = table, self.hidden
        found = self._views.get(key)
        if found is None:
            rd, wr = (
                [None if page is None or page.slot in self.hidden else page.view for page in pages]
                for pages in (table.read_pages, table.write_pages)
            )
            found = self._views[key] = rd, wr
        return found

    def _set_pages(self) -> None:
        self._shown = self._shown_of(self._table)
        engine = self._engine
        if engine is None:
            return
        if self._slow_reasons:
            engine.rd = engine.wr = self._slow_pages
        elif self.seen_pages:
            engine.rd, engine.wr = (
                [None if number in self.seen_pages else page for number, page in enumerate(pages)]
                for pages in self._shown
            )
        else:
            engine.rd, engine.wr = self._shown

    def _decode_line_changed(self, line: Line, cycle: int) -> None:
        if self.access_address is None:
            self._choose_table()
        else:  # the table counts from the next access, and other lines may still move in this one
            self._table_is_stale = True

    def _attend(self, line: Line, cycle: int) -> None:
        assert self._engine is not None
        self._engine.attention = True
        if line.name == "RDY":
            self.require_slow("RDY low", not line.level)

    def _reset_moved(self, line: Line, cycle: int) -> None:
        for seat in self.seats:
            arrives = seat.reset_arrives(line.asserted)
            if arrives is not None and arrives is not seat.reset_arrives(not line.asserted):
                seat.reset(arrives, cycle)

    # phase 0 --------------------------------------------------------------------------------------------------------

    def arm(self, cycle: int, slot: int, name: str) -> None:
        """Arm a card's event."""
        self.events.at(cycle, slot, name)
        self._set_horizon()

    def disarm(self, slot: int, name: str) -> None:
        """Cancel a card's event."""
        self.events.cancel(slot, name)
        self._set_horizon()

    def access_pc(self, cycle: int) -> int | None:
        """The instruction that makes the access of `cycle`, under way or handed over late; None between accesses."""
        if self.access_address is None or self._engine is None:
            return None
        if self._late:
            under_way = self._by_slot[self._late_slot].connector.late
            return self._late.get(cycle if under_way is None else under_way)
        recent = self._engine.recent
        return recent[-1][1] if recent else None

    @property
    def late_cycle(self) -> int | None:
        """Cycle of the write that is being handed over late, or None."""
        return self._by_slot[self._late_slot].connector.late if self._late else None

    @property
    def reading(self) -> bool:
        """Whether the access under way is a read."""
        return self.access_address is not None and self.access_kind is not None

    @property
    def spare_read(self) -> bool:
        """Whether the access under way is a read that the CPU makes for want of anything better."""
        return self.access_kind is Kind.DUMMY

    @property
    def program_read(self) -> bool:
        """Whether the read under way fetches an opcode, or a vector."""
        if self.access_kind in _SEQUENCES:  # a BRK's cannot be told from data, but its opcode was fetched before
            return self.access_address is not None and self.access_address >= VECTORS["NMI"]
        return self.access_kind is Kind.FETCH

    def armed(self, slot: int, name: str) -> int | None:
        """Cycle a card's event is armed for, or None."""
        return self.events.armed(slot, name)

    def schedule(self, cycle: int, slot: int, port: str, action: str, arguments: tuple[Any, ...]) -> None:
        """Queue an outside event for `cycle`; events of one cycle keep their order."""
        self._outside_count += 1
        heappush(self._outside, (cycle, self._outside_count, slot, port, action, arguments))
        self._set_horizon()

    def takes(self, slot: int, port: str, action: str, arguments: tuple[Any, ...]) -> bool:
        """Whether an outside event could happen on this machine."""
        if slot == OUTSIDE_MACHINE:
            return action in self.machine_events and len(arguments) == 1
        seat = self._by_slot.get(slot)
        found = seat.ports.get(port) if seat is not None else None
        return seat is not None and found is not None and takes(seat, found, action, arguments)

    def forget_outside(self) -> None:
        """Drop the outside events not yet taken."""
        self._outside.clear()
        self._set_horizon()

    def pending_outside(self) -> list[tuple[int, int, int, str, str, tuple[Any, ...]]]:
        """Outside events not yet taken, soonest first: (cycle, order, slot, port, action, arguments)."""
        return sorted(self._outside, key=lambda e: e[:2])

    def _set_horizon(self) -> None:
        if self._engine is not None:
            soonest = self.events.horizon
            if self._outside and self._outside[0][0] < soonest:
                soonest = self._outside[0][0]
            self._engine.horizon = soonest if self.guard.owed is None else 0

    def _alarm(self) -> None:
        """Something is owed: phase 0 of the next cycle raises it, or the end of the run."""
        if self._engine is not None:
            self._engine.attention = True
            self._engine.horizon = 0

    def _owe(self, slot: int, misuse: CardMisuse) -> None:
        """A card did something while nobody had called it."""
        who = self._by_slot[slot].name if slot in self._by_slot else f"slot {slot}"
        self.guard.owe(failure(misuse, who, "its own code", slot=slot))

    def begin(self, cycle: int) -> None:
        """Phase 0: outside events, then card events, stamped `cycle` or earlier; then let lines settle.

        Raises:
            CardError: a card failed, now or where nobody could tell.
        """
        nets, turn = self.nets, self.turn
        if self.guard.owed is not None:
            self.raise_owed()
        turn.cycle = cycle
        seat: Seat | None = None
        method = "outside"
        calls = 0
        try:
            while self._outside and self._outside[0][0] <= cycle:
                _, _, slot, port, action, arguments = heappop(self._outside)
                seat = None  # whom a watcher calls is no card
                for watcher in self.outside_watchers:
                    watcher((cycle, slot, port, action, arguments))
                seat = self._by_slot.get(slot)
                if seat is None:
                    self.machine_events[action](arguments, cycle)
                else:
                    seat.advance(cycle)
                    seat.card.outside(port, action, arguments, cycle)
                nets.settle(cycle)
            method = "event"
            while (due := self.events.pop_due(cycle)) is not None:
                _, slot, name = due
                seat = self._by_slot[slot]
                seat.card.event(name, cycle)
                if nets.queue:
                    nets.settle(cycle)
                calls += 1
                if calls >= MOST_CALLS_A_CYCLE:
                    self._never_ends(seat, name, cycle)
        except BaseException as error:  # noqa: BLE001 - a stranger's card
            self._tell(error, seat, method, cycle)
        finally:
            turn.cycle = BETWEEN
            if nets.unsettled:  # only when phase 0 was broken off
                nets.drop_unsettled()
            self._set_horizon()

    def raise_owed(self) -> None:
        """Raise what a card did where nobody could tell, if there is anything.

        Raises:
            CardError: a card failed.
        """
        try:
            self.guard.raise_owed()
        finally:
            self._set_horizon()

    def _never_ends(self, seat: Seat, name: str, cycle: int) -> None:
        """Go no further in a cycle in which one event after another is due."""
        misuse = CardMisuse(
            f"came for the {MOST_CALLS_A_CYCLE}th time in cycle {cycle}: it is armed again and again for the cycle in "
            "which it happens",
            "Arm it for a later one.",
        )
        told = failure(misuse, seat.name, f"event {name!r:.60}", slot=seat.slot)
        self.guard.let_pass(told)
        raise told

    def _told(self, error: BaseException, seat: Seat | None, method: str, cycle: int) -> BaseException:
        """What to raise for what came out of an access, or of lines that settle: of a card accessed, or of one told."""
        pin = self.nets.notifying
        if pin is not None:
            seat, method = self._by_slot.get(pin.slot, seat), "pin_changed"
        return error if seat is None else self.guard.told(error, seat, method, cycle)

    def _tell(self, error: BaseException, seat: Seat | None, method: str, cycle: int) -> NoReturn:
        told = self._told(error, seat, method, cycle)
        if told is self.guard.owed:  # another card's, that has got through
            self.guard.owed = None
        if told is error:
            raise error
        raise told from told.__cause__

    # phases 2 to 4, and 6 -------------------------------------------------------------------------------------------

    def wait_cycles(self, address: int, is_write: bool, kind: Kind = Kind.DATA) -> int:
        """Cycles by which the selected cards delay an access that begins (the longest wish counts)."""
        if self.cpu_lines is not None:  # which cards these are may depend on them
            self._move_cpu_lines(self.cpu_lines, kind, self._now())
        table = self._table
        if is_write:
            plan = table.writes.get(address) or table.write_plan(address)
        else:
            plan = table.reads.get(address) or table.read_plan(address)
        longest = 0
        for seat, offset in plan.waiters:
            cycles = self.guard.wait_cycles(seat, offset, is_write, self._now())
            if cycles > longest:
                longest = cycles
        return longest

    def held(self, cycle: int, began: int) -> None:
        """RDY has been low for long; go no further where nothing could let it go any more.

        Args:
            cycle: the present one.
            began: cycle in which the access began.

        Raises:
            CardError: naming the card that holds it.
        """
        ready = self.nets.line("RDY")
        able = [pin for pin in self.nets.drivers("RDY") if pin.spec.name != "CPU RDY"]  # that pulls under WAI alone
        pulled = ready.pull is False and all(pin.spec.drive is Drive.OPEN_DRAIN and pin in ready.pins for pin in able)
        if ready.tied is False or pulled or not able:
            remedy = "Take that out of the wiring: no instruction comes to its end."
            raise SimkitError("RDY is held low by the wiring for good.", remedy=remedy)
        own = next((pin.spec.name for pin in able if pin.value is False and pin.spec.name.startswith("CPU ")), None)
        if own is not None:
            remedy = "Put a flip-flop in between, or take that out of the wiring: no access comes to its end."
            raise SimkitError(f"{own} holds RDY low, which keeps it low: the CPU waits for itself.", remedy=remedy)
        waits = self.events.horizon < NEVER or bool(self._outside)
        if cycle - began < (LONGEST_HOLD if waits else LONGEST_HOLD_WITHOUT_EVENTS):
            return
        did = f"has held RDY low for {cycle - began} cycles"
        remedy = "The CPU stands within an instruction then, and no run comes to its end: let go of RDY in an event."
        for pin in self.nets.line("RDY").pins:
            seat = self._by_slot.get(pin.slot)
            if pin.value is False and seat is not None:
                raise failure(CardMisuse(did, remedy), seat.name, f"pin {pin.spec.name}", slot=seat.slot)
        raise SimkitError(f"RDY was held low for {cycle - began} cycles, by no card.", remedy=remedy)

    def read(self, address: int, cycle: int, kind: Kind, *, stalled: bool = False) -> int:
        """One read cycle: the byte on the data lines at the end of PHI2.

        Args:
            address: on the address lines.
            cycle: its number.
            kind: what the CPU does.
            stalled: the cycle repeats because RDY is low; cards whose strobes are gated with ready do not see it.
        """
        lines = self.cpu_lines
        if lines is not None:
            self._move_cpu_lines(lines, kind, cycle)
        table = self._table
        plan = table.reads.get(address) or table.read_plan(address)
        if lines is not None and lines.released:
            plan = _NOBODY
        page = self._shown[0][address >> 8]
        shown = (
            self._cpu_data is not None and self.probes
        )  # a page holds what the CPU takes, and a probe sees the lines
        if page is not None and not stalled and plan is not _NOBODY and not shown:
            value = page[address & 0xFF]
        else:
            if self.before and not stalled:
                for call in self.before:
                    call(cycle, address, False, kind, plan)
            self.access_kind = kind
            if stalled:
                plan = plan.stalled()
            value = self._read_cards(plan, address, cycle)
        if self.seen and not stalled:
            for seen in tuple(self.seen.get(address, ())):
                seen(False)
        if self.taps and not stalled:
            for tap in self.taps:
                tap(cycle, address, value, False, kind, plan)
        if lines is not None and not stalled:
            lines.ended(kind, value)
        if self.recording.ring is not None:
            self.recording.ring.add(cycle, address, value, kind | REPEAT if stalled else kind)
        if self.probes:
            self._show(cycle, address, value, False, kind, plan)
        return value

    def write(self, address: int, value: int, cycle: int, kind: Kind, *, stalled: bool = False) -> None:
        """One write cycle: every selected card whose write strobe is true takes the byte.

        Args:
            address: on the address lines.
            value: byte the CPU drives.
            cycle: its number.
            kind: what the CPU does.
            stalled: the cycle repeats because RDY is low (W65C02S only); as in `read`.
        """
        lines = self.cpu_lines
        if lines is not None:
            self._move_cpu_lines(lines, kind, cycle)
        table = self._table
        plan = table.writes.get(address) or table.write_plan(address)
        if lines is not None and lines.released:
            plan = _NOBODY
        page = self._shown[1][address >> 8]
        if page is not None and plan is not _NOBODY:
            page[address & 0xFF] = value
        else:
            if self.before and not stalled:
                for call in self.before:
                    call(cycle, address, True, kind, plan)
            if stalled:
                plan = plan.stalled()
            value = self._write_cards(plan, address, value, cycle)
        if self.seen and not stalled:
            for seen in tuple(self.seen.get(address, ())):
                seen(True)
        if self.taps and not stalled:
            for tap in self.taps:
                tap(cycle, address, value, True, kind, plan)
        if lines is not None and not stalled:
            lines.ended(kind, value)
        if self.recording.ring is not None:
            self.recording.ring.add(cycle, address, value, kind | WRITE | REPEAT if stalled else kind | WRITE)
        if self.probes:
            self._show(cycle, address, value, True, kind, plan)

    def _move_cpu_lines(self, lines: CpuLines, kind: Kind, cycle: int) -> None:
        assert self._engine is not None
        lines.begin(kind, cycle, self._engine.x)

    def _read_cards(self, plan: Plan, address: int, cycle: int) -> int:
        nets, turn = self.nets, self.turn
        self.access_address = address
        nets.delay = 1
        turn.cycle = cycle
        engine = self._engine
        assert engine is not None
        cpu = self._cpu_data
        value = (engine.last if cpu is None else cpu.gives[engine.last]) & self._keeps | self._pulled
        seat: Seat | None = None
        method = "read"
        try:
            if len(plan.drivers) == 1:
                seat, offset, mask = plan.drivers[0]
                byte = seat.card.read(offset, cycle)
                if type(byte) is not int or byte >> 8:
                    byte = answers.byte(byte)
                if seat.data is not None:
                    byte = seat.on_the_lines(byte, offset)
                value = byte if mask == 0xFF else byte & mask | value & ~mask
            elif plan.drivers:
                value = self._contend(plan, value, address, cycle)
            for seat, offset in plan.takers:
                method = "write"
                seen = value if cpu is None else cpu.lines[value]
                seat.card.write(offset, seen if seat.data is None else seat.data.takes[seen], cycle)
            if nets.queue:
                nets.settle(cycle)
        except BaseException as error:  # noqa: BLE001 - a stranger's card
            self._tell(error, seat, method, cycle)
        finally:
            self._leave_access()
        if cpu is None:
            return value
        self._on_lines = cpu.lines[value]
        return cpu.taken(value, engine.last)

    def _write_cards(self, plan: Plan, address: int, value: int, cycle: int) -> int:
        """Gives the byte on the data lines: another than the CPU's where a card fights it."""
        nets, turn = self.nets, self.turn
        self.access_address = address
        nets.delay = 1
        turn.cycle = WAITED if plan.may_wait else cycle
        seat: Seat | None = None
        method = "write"
        cpu = self._cpu_data
        on_lines = value if cpu is None else cpu.gives[value]
        try:
            if plan.drivers:
                on_lines = self._fight_cpu(plan, on_lines, address, cycle)
                value = on_lines if cpu is None else cpu.takes[on_lines]
            self._on_lines = on_lines
            for seat, offset in plan.takers:
                seat.card.write(offset, on_lines if seat.data is None else seat.data.takes[on_lines], cycle)
            if nets.queue:
                nets.settle(cycle)
        except BaseException as error:  # noqa: BLE001 - a stranger's card
            self._tell(error, seat, method, cycle)
        finally:
            self._leave_access()
        return value

    def _leave_access(self) -> None:
        """Nothing of an access is left when it ends, also by whatever a card raised, or by Ctrl-C."""
        nets = self.nets
        nets.delay = 0
        self.turn.cycle = BETWEEN
        self.access_address = None
        self.access_kind = None
        if nets.queue or nets.notifying is not None:  # only when the access was broken off
            nets.drop_unsettled()
        if self._table_is_stale:
            self._choose_table()

    def write_late(
        self, address: int, values: bytes, cycles: Sequence[int], before: bytes, pcs: Sequence[int] = ()
    ) -> None:
        """Writes that waited, one after the other at one address; all of them, also when the card fails at one.

        Args:
            address: at which a write may wait (`Table.waiting_pages`).
            values: bytes that the CPU drove.
            cycles: cycle of each.
            before: byte on the data lines in the cycle before each.
            pcs: instruction of each.

        Raises:
            CardError: the card failed; at the first of the writes that it names.
        """
        self._late = dict(zip(cycles, pcs, strict=False))
        ((seat, offset),) = self._table.write_plan(address).takers
        if seat.takes_data is not None:
            values, before = values.translate(seat.takes_data), before.translate(seat.takes_data)
        self._late_slot = seat.slot
        self.access_address = address
        self.nets.delay = 1
        self.turn.cycle = WAITED
        first: BaseException | None = None
        start = 0
        try:
            while start < len(values):
                try:
                    seat.card.write_late(offset, values[start:], cycles[start:], before[start:])
                    break
                except BaseException as error:  # noqa: BLE001 - Ctrl-C, too: the CPU has made the writes behind it
                    under_way = seat.connector.late
                    if first is None:
                        at = cycles[start] if under_way is None else under_way
                        own = type(seat.card).write_late is not Card.write_late
                        first = self._told(error, seat, "write_late" if own else "write", at)
                    start = len(values) if under_way is None else cycles.index(under_way) + 1
        finally:
            seat.connector.let_see(None)
            self._late = {}
            self._leave_access()
        if first is not None:
            raise first

    def peek(self, address: int, cycle: int, last: int) -> int:
        """Byte a read would give, without any effect; `last` stands for the open bus."""
        plan = self._table.read_plan(address)
        cpu = self._cpu_data
        value = (last if cpu is None else cpu.gives[last]) & self._keeps | self._pulled
        value = self._together(plan, value, cycle, [seat.peek(offset, cycle) for seat, offset, _ in plan.drivers])
        return value if cpu is None else cpu.taken(value, last)

    def steady_until(self, address: int, cycle: int) -> int:
        """A read of the address has no effect and gives the same byte before the cycle given back."""
        plan = self._table.read_plan(address)
        if plan.takers or len(plan.drivers) > 1:
            return cycle
        return min((seat.steady_until(offset, cycle) for seat, offset, _ in plan.drivers), default=NEVER)

    def where(self, address: int, *, is_write: bool = False) -> list[tuple[Seat, int]]:
        """Cards that an access at `address` reaches, with the offset each sees."""
        plan = self._table.write_plan(address) if is_write else self._table.read_plan(address)
        if is_write:
            return list(plan.takers)
        return [(seat, offset) for seat, offset, _ in plan.drivers]

    def seen_at(self, address: int) -> tuple[int, int] | None:
        """Which byte a read of an address sees, banks as they are: slot of the card, offset in it; None: no card's."""
        drivers = self._table.read_plan(address).drivers
        return (drivers[0][0].slot, drivers[0][1]) if drivers else None

    def is_plain_page(self, page: int) -> bool:
        """Whether reads of a whole page reach one card's plain memory, at offsets that follow one another."""
        plain = self._table.read_pages[page]
        return plain is not None and not plain.is_copy

    def drive_tables(self) -> list[tuple[Seat, int, int]]:
        """For each card: truth tables of the addresses at which it drives reads and takes writes, banks as they are."""
        return [(seat, read, write) for seat, read, _, write, _ in self._table.selects]

    def data_before(self, slot: int) -> int:
        """Byte that a card's data pins saw in the cycle before the one under way."""
        if self._engine is None:
            return 0xFF  # power is still off
        seat = self._by_slot[slot]
        return self._engine.last if seat.takes_data is None else seat.takes_data[self._engine.last]

    def memory_changed(self, slot: int, start: int, end: int) -> None:
        """Bytes of a card's plain memory changed other than by a store of the CPU."""
        if self._engine is None:
            return  # an image goes into its socket while the machine is put together: `attach` decodes
        seat = self._by_slot[slot]
        plain = seat.plain
        if plain is not None and plain.ignores_writes and seat.crossed:
            self.redecode()  # permuted copies, made of ROM alone, are stale
        elif plain is not None:
            self._renew()
        try:
            for watcher in self.memory_watchers:
                watcher(slot, start, end)
        except BaseException as error:
            self.guard.let_pass(error)
            raise

    def _contend(self, plan: Plan, value: int, address: int, cycle: int) -> int:
        value = self._together(plan, value, cycle, [seat.read(offset, cycle) for seat, offset, _ in plan.drivers])
        masks = [mask for _, _, mask in plan.drivers]
        fighting = [
            seat.name
            for number, (seat, _, mask) in enumerate(plan.drivers)
            if any(mask & other for other in masks[:number] + masks[number + 1 :])
        ]
        if fighting:
            names = " and ".join(fighting)
            self.findings.add(
                "contention", cycle, f"{names} drive the data lines together at ${address:04X}.", address=address
            )
        return value

    def _together(self, plan: Plan, value: int, cycle: int, given: list[int]) -> int:
        """Byte on the data lines when the drivers of a plan give theirs; `value` stays where none of them drives."""
        driving: list[tuple[int, int]] = []  # byte on the bus, driven mask
        for (seat, offset, mask), byte in zip(plan.drivers, given, strict=True):
            driving.append((seat.on_the_lines(byte, offset), mask))
        if self._mix and len(driving) > 1:
            return self._mixed(driving, value, cycle)
        result, driven = 0xFF, 0
        for byte, mask in driving:
            result &= byte | ~mask
            driven |= mask
        return result & driven | value & ~driven

    def chance(self, name: str, cycle: int) -> float:
        """A number from 0 up to 1 that depends on seed, name and cycle alone."""
        digest = hashlib.blake2b(f"{self._seed}/{name}/{cycle}".encode(), digest_size=8).digest()
        return int.from_bytes(digest) / 2**64

    def _mixed(self, driving: list[tuple[int, int]], value: int, cycle: int) -> int:
        """On each data line one of those that drive it wins, seeded."""
        digest = hashlib.blake2b(f"{self._seed}/contention/{cycle}".encode(), digest_size=8).digest()
        for bit in range(8):
            levels = [byte & 1 << bit for byte, mask in driving if mask >> bit & 1]
            if levels:
                value = value & ~(1 << bit) | levels[digest[bit] % len(levels)]
        return value

    def _fight_cpu(self, plan: Plan, value: int, address: int, cycle: int) -> int:
        for seat, offset, mask in plan.drivers:
            byte = seat.on_the_lines(seat.read(offset, cycle), offset)
            value &= byte | ~mask & 0xFF
            if not mask:
                continue
            self.findings.add(
                "contention",
                cycle,
                f"{seat.name} drives the data lines while the CPU writes ${address:04X}: its output enable ignores RW.",
                address=address,
                slot=seat.slot,
            )
        return value

    def _show(self, cycle: int, address: int, value: int, is_write: bool, kind: Kind, plan: Plan) -> None:
        lines = {name: line.level_shown(cycle) for name, line in self.nets.lines.items()}
        drivers = tuple(seat.slot for seat, _, mask in plan.drivers if mask)
        data = value if self._cpu_data is None else self._on_lines
        seen = BusCycle(
            cycle, address, data, is_write, kind in SYNC, KIND_WORDS[kind], drivers, plan.selected, lines, value
        )
        for probe in tuple(self.probes):
            probe(seen)

    def settle(self, cycle: int) -> None:
        """Let lines settle outside of accesses and events: at power-on."""
        self.turn.cycle = cycle
        try:
            self.nets.settle(cycle)
        except BaseException as error:  # noqa: BLE001 - a stranger's card
            self._tell(error, None, "", cycle)
        finally:
            self.turn.cycle = BETWEEN
            self.nets.drop_unsettled()

    def call_card(self, seat: Seat, cycle: int, call: Callable[..., _T], *arguments: Any) -> _T:
        """Have a card do something outside of the accesses and events of a cycle, by one of its functions.

        Raises:
            CardError: the card failed.
        """
        return self.guard.call(seat, cycle, getattr(call, "__name__", "call"), *arguments, function=call)

    # snapshot -------------------------------------------------------------------------------------------------------

    def save(self) -> dict[str, Any]:
        """State for a snapshot, without the cards."""
        state = {
            "events": self.events.save(),
            "outside": [[c, s, p, a, list(args)] for c, _, s, p, a, args in self.pending_outside()],
            "lines": self.nets.save(),
        }
        if pins := self._open_pins():
            state["open_pins"] = [[pin.slot, pin.spec.name, pin.value] for pin in pins if pin.value is not None]
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
        shapes = {"events": EVENTS, "outside": OUTSIDE, "lines": Shape(self.nets.checked)}
        new = record(**shapes, **({"open_pins": OPEN_PINS} if open_pins else {})).take(state)
        for place, (_, slot, port, action, arguments) in enumerate(new["outside"]):
            if not self.takes(slot, port, action, arguments):
                raise StateError(f"outside[{place}]", f"nothing takes {action!r} at {port!r} of slot {slot}")
        for place, (_, slot, _) in enumerate(new["events"]):
            if slot not in self._by_slot:
                raise StateError(f"events[{place}]", f"is for slot {slot}, which has no card")
        driven = {(slot, name): value for slot, name, value in new.get("open_pins", ())}
        for slot, name in set(driven) - {(pin.slot, pin.spec.name) for pin in open_pins}:
            raise StateError("open_pins", f"names {name!r} of slot {slot}, which is no pin joined to nothing")
        self.nets.adopt(new["lines"])
        self.events.load(new["events"])
        self._outside = [(cycle, order, *what) for order, (cycle, *what) in enumerate(new["outside"], start=1)]
        heapify(self._outside)
        self._outside_count = len(self._outside)
        for pin in open_pins:
            pin.value = driven.get((pin.slot, pin.spec.name))
        self.require_slow("RDY low", not self.nets.line("RDY").level)
        self._renew()
        self._choose_table()
        self._set_horizon()
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
