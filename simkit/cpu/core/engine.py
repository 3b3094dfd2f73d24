"""The CPU with the core beside it: the core runs where nothing can interfere, the reference does everything else.

`run` is the reference's. Where that does quick instructions one after another, up to a cycle before anything can happen
from outside, this one lets the core go on. The core asks Python for every access that plain memory does not answer, and
leaves

- before the limit, so that the instruction in whose cycles something happens is always the reference's;
- before an instruction that is the reference's (`limits.LEFT_TO_REFERENCE`), or behind its opcode where Python had to
  be asked for that;
- behind an instruction in which a line, the decoding or plain memory moved, and behind one that may let IRQ in. In the
  rest of that instruction every cycle is Python's, as the reference makes it.

It never decides about interrupts: that is `Recogniser.decide`, asked when it has left.
"""

from __future__ import annotations

import struct
from collections import deque
from collections.abc import Iterable
from typing import Any

from simkit.backplane.bus import Bus
from simkit.backplane.cycle import Kind
from simkit.backplane.records import FULL, Ring
from simkit.backplane.watchers import Bystander
from simkit.contract.errors import SimkitError
from simkit.contract.findings import Findings
from simkit.cpu.core.instance import NoCoreError
from simkit.cpu.core.layout import (
    EMPTY_TABLES_AT,
    LEAVES_AT,
    LEFT,
    LEFT_FROM_FLOOR,
    LONGS,
    NOTES,
    OFFSET,
    REGISTERS,
    STATE_BYTES,
    TABLES_AT,
    WAITING_AT,
    WAITING_BYTES,
    WORDS,
)
from simkit.cpu.core.left import PAGE, Left
from simkit.cpu.core.limits import LONGEST, MOST_RECORDS
from simkit.cpu.core.memory import Arena
from simkit.cpu.core.notes import Notes
from simkit.cpu.core.room import Room
from simkit.cpu.core.tables import PageTables
from simkit.cpu.core.waiting import Rounds
from simkit.cpu.reference.bus_cycles import ResetPulled
from simkit.cpu.reference.engine import LAST_NOTES, BeforeLoop, ExactCpu, make_exact

ENGINES = ("auto", "exact", "core")
"""auto: the core where it can be had; exact: the reference alone; core: the core, refused where it cannot be had."""

SLICE_CYCLES = 1_000_000
"""Most cycles between two moments at which Ctrl-C and whoever called get their turn."""

RECORDED = LONGEST * (LAST_NOTES + 1)
"""Cycles before the end of a run in which no round of a waiting loop is skipped: the last instructions are noted."""

_PC, _LAST, _STORES, _POLLS = (OFFSET[name] // 4 for name in ("pc", "last", "stores", "polls"))
_MASKED, _TABLES, _LEAVE, _ABANDON = (OFFSET[name] // 4 for name in ("masked", "tables", "leave", "abandon"))
_IRQ_LOW, _MAGIC, _NOTED = (OFFSET[name] // 4 for name in ("irq_low", "magic", "noted"))
_RING, _FILLED, _ROOM, _EACH, _FLOOR = (OFFSET[name] // 4 for name in ("ring", "filled", "room", "each", "floor"))
_VECTOR, _FETCHED, _ASKS, _BEGUN = (OFFSET[name] // 4 for name in ("vector", "fetched", "asks", "begun"))
_IGNORES, _IGNORED = (OFFSET[name] // 4 for name in ("ignores", "ignored"))
_ADDRESS, _VALUE, _KIND, _WAITING = (OFFSET[name] // 4 for name in ("address", "value", "kind", "waiting"))
_CYCLE, _STOP, _FIRST = (OFFSET[name] // 8 for name in LONGS)
_REGISTERS = struct.Struct("<12i")  # pc to last
_AT_ENTRY = struct.Struct("<24i")  # pc to irq_low
_KINDS = tuple(Kind)
_DATA = Kind.DATA
_KEY_BYTES = OFFSET["stores"] + 4
assert WORDS[11:24] == (
    "last", "stores", "leave", "abandon", "waiting", "fetched", "begun", "ignored", "asks", "ignores", "vector",
    "tables", "irq_low",
)  # fmt: skip


class CoreCpu(ExactCpu):
    """The reference engine with the core beside it.

    Attributes:
        arena: memory that the core reaches, or None when there is no core.
    """

    def __init__(self, part: str, bus: Bus, findings: Findings, seed: int, **options: Any) -> None:
        self._engine = "exact"
        self._room: Room | None = None
        self._no_core: NoCoreError | None = None
        self._notes: Notes | None = None
        self._generation = -1
        self._failure: BaseException | None = None
        self._ring: Ring | None = None  # of this run of the core, also when nobody wants records any more
        self._limit = self._seen_horizon = 0
        self._entered = 0  # notes at entry
        self._rounds = Rounds()
        self._bystanders: tuple[Bystander, ...] = ()  # of this run of the core
        super().__init__(part, bus, findings, seed, **options)
        self.arena: Arena | None = None
        self._left = Left(part, spare_reads_operand=options.get("indexed_store_spare") == "operand")

    def use(self, room: Room | NoCoreError) -> None:
        """Let the core of a room go on where it can; or be told why there is none."""
        if isinstance(room, NoCoreError):
            self._no_core = room
            return
        self._room = room
        self.arena = room.arena
        self._state_at = room.arena.state_at
        self._tables, self._no_tables = room.arena.at(TABLES_AT), room.arena.at(EMPTY_TABLES_AT)
        state = self._state = room.arena.memory[:STATE_BYTES]
        self._words, self._longs = state.cast("i"), state.cast("q")
        self._words[_MAGIC] = self.magic
        self._notes = Notes(state)
        self._choose_recent()
        state[LEAVES_AT : LEAVES_AT + 256] = self._left.always
        self._pages = PageTables(self._bus, room.arena, state)
        self._words[_RING] = room.arena.ring_at
        self._bus.recording.lies_in(room.arena.ring)
        room.answer(self._answer_read, self._answer_write, self._give_up)

    def leave_to_reference(
        self, opcodes: Iterable[int], whose: object, *, high: Iterable[int] = (), floor: int = PAGE
    ) -> None:
        """Have the reference engine do these opcodes, besides those that are always its own.

        Args:
            opcodes: all that this one wants; none takes them back.
            whose: who wants it.
            high: opcodes that are left only while S is at `floor` or above it.
            floor: a value of S; of several that are wanted the lowest counts.
        """
        self._left.want(whose, opcodes, high, floor)
        self._mark_left()

    def _mark_left(self) -> None:
        """Let the core know what it leaves to the reference."""
        if self._room is not None:
            self._words[_FLOOR] = self._left.mark(self._state, None if self.stops is None else self._arrivals)

    def _stops_changed(self) -> None:
        super()._stops_changed()
        self._mark_left()

    @property
    def engine(self) -> str:
        """Which engine is chosen, one of ENGINES; may be set between instructions."""
        return self._engine

    @engine.setter
    def engine(self, name: str) -> None:
        if name not in ENGINES:
            raise SimkitError(f"There is no engine {name!r}.", remedy=f"Write one of {', '.join(ENGINES)}.")
        if name == "core" and self._no_core is not None:
            raise SimkitError(
                f"There is no core here: {self._no_core}.",
                remedy="Install the package wasmtime, or choose auto: the reference engine runs everything then.",
            )
        self._engine = name
        self._choose_recent()

    def _choose_recent(self) -> None:
        """Notes lie in the core's memory while the core writes them, and in a deque while only the reference does."""
        before = list(self.recent)
        if self._notes is not None and self._engine != "exact":
            self.recent = self._notes
        else:
            self.recent = deque(maxlen=NOTES)
        self.recent.clear()
        self.recent.extend(before)

    def run(self, until: int) -> None:
        """As the reference."""
        with self._going():
            self._run(until)

    # running --------------------------------------------------------------------------------------------------------

    def _run_quick(self, stop: int) -> None:
        if self.arena is None or self._engine == "exact" or self._bus.reach.slow:
            super()._run_quick(stop)
            return
        if self.cycle >= stop:
            return
        if (self._bystanders or self._bus.watchers.bystanders) and not self._tell_bystanders():
            return
        if self._generation != self._bus.reach.generation:
            self._generation = self._bus.reach.generation
            self._pages.put()
        words, longs = self._words, self._longs
        self.attention = False
        asks = not (self._left or self._bystanders or self.stops is not None)
        ignoring = self._pages.ignoring
        ignores = ignoring is not None and self.findings.counts_only(*ignoring)
        _AT_ENTRY.pack_into(
            self._state, 0, self.pc, self.a, self.x, self.y, self.sp, self.n, self.z, self.c, self.v, self.d, self.i,
            self.last, words[_STORES], 0, 0, 0, 0, 0, 0, asks, ignores, self.IRQ, self._tables,
            not self.irq_line.level,
        )  # fmt: skip
        longs[_CYCLE] = self.cycle
        self._entered = words[_NOTED]
        self._rounds.forget()
        self._seen_horizon = self.horizon
        self._limit = stop
        assert self._room is not None
        self._go_on(self._room)
        if words[_BEGUN]:
            self._finish(words[_BEGUN] - 1)

    def _go_on(self, room: Room) -> None:
        """Let the core run, and take registers and cycle back, whatever is raised."""
        words, longs = self._words, self._longs
        try:
            self._ring = self._bus.recording.ring
            self._run_slices(room, self._ring)
        finally:
            # Ctrl-C is raised in calls alone: there is none before registers and cycle are those of the memory.
            held: Any = words[: REGISTERS + 1]
            (
                self.pc, self.a, self.x, self.y, self.sp, self.n, self.z, self.c, self.v, self.d, self.i, self.last,
            ) = held  # fmt: skip
            self.cycle = longs[_CYCLE]
            self._take_back()

    def _run_slices(self, room: Room, ring: Ring | None) -> None:
        """Let the core run until it must leave for good."""
        words, longs = self._words, self._longs
        words[_ROOM] = FULL if ring is not None else 0
        words[_EACH] = self._bus.recording.each
        while True:
            longs[_STOP] = min(self._limit, longs[_CYCLE] + SLICE_CYCLES)
            before = longs[_CYCLE]
            if ring is not None:
                words[_FILLED] = ring.filled
                try:
                    room.run_recorded(self._state_at)
                finally:
                    ring.filled = words[_FILLED]
                if (
                    not (words[_LEAVE] or words[_BEGUN]) and ring.filled + MOST_RECORDS > FULL
                ):  # that is why it came back
                    self.cycle = longs[_CYCLE]
                    ring.empty()
                    if self.attention or ring.failed:
                        return
                    continue
            else:
                room.run(self._state_at)
            if words[_LEAVE] or words[_BEGUN] or longs[_CYCLE] >= self._limit or longs[_CYCLE] < longs[_STOP]:
                return
            assert longs[_CYCLE] > before

    def _tell_bystanders(self) -> bool:
        """The core is about to run; whether it gets anywhere, and all who watch let it."""
        self._bystanders = tuple(self._bus.watchers.bystanders)
        if not self._bystanders:
            return True
        page = self._bus.reach.shown[0][self.pc >> 8]
        left = 0 if page is None else self._state[LEAVES_AT + page[self.pc & 0xFF]]
        if left & LEFT or (left & LEFT_FROM_FLOOR and self.sp >= self._words[_FLOOR]):
            return False  # they need not look: the core would come back at once
        for bystander in self._bystanders:
            bystander.core_begins()
        if not self._bus.reach.slow:
            return True
        for bystander in self._bystanders:  # one of them wants to see what comes
            bystander.core_ended()
        return False

    def last_notes(self, most: int = LAST_NOTES) -> list[tuple[int, int]]:
        """As the reference."""
        notes = self._notes
        return notes.last(most) if notes is not None and self.recent is notes else super().last_notes(most)

    @property
    def before_loop(self) -> BeforeLoop | None:
        """As the reference."""
        return self._notes.before_loop if self._notes is not None and self.recent is self._notes else None

    def show_registers(self) -> None:
        """Take over the registers as the core has them, also while it asks for an access."""
        (
            self.pc, self.a, self.x, self.y, self.sp, self.n, self.z, self.c, self.v, self.d, self.i, self.last,
        ) = _REGISTERS.unpack_from(self._state, 0)  # fmt: skip

    def _take_back(self) -> None:
        """Notes as the core left them; what it could not decide is decided."""
        words, longs = self._words, self._longs
        if words[_IGNORED]:
            assert self._pages.ignoring is not None
            self.findings.count_more(*self._pages.ignoring, words[_IGNORED])
        noted = words[_NOTED] != self._entered
        if noted:
            self.first = longs[_FIRST]
            self.masked = words[_MASKED]
        failure, self._failure = self._failure, None
        late: BaseException | None = None
        if words[_WAITING]:
            try:
                self._hand_over()
            except BaseException as error:  # noqa: BLE001 - raised again when what comes next is decided
                late = error
        for bystander in self._bystanders:
            bystander.core_ended()
        if failure is None and words[_ABANDON]:  # pressed once more before the first could be kept
            failure = KeyboardInterrupt()
        if isinstance(failure, ResetPulled):
            self._given_up_for_reset()
            self._take_so_edge()
            return
        if failure is not None:
            raise failure
        if words[_LEAVE] and not words[_BEGUN]:
            if words[_TABLES] != self._no_tables:
                self.began = self.cycle - 1
            if words[_FETCHED]:
                self.vector_fetched(words[_FETCHED])
            polls = ((self.began - 1,), (), (self.first,), (self.first, self.began - 1))[words[_POLLS]]
            self.due = self.recogniser.decide(polls, bool(self.masked))
            self._take_so_edge()
        elif noted:
            self.began = self.cycle - 1
        if late is not None:
            raise late

    def _finish(self, code: int) -> None:
        """Python was asked for an opcode that is the reference engine's: the rest of the instruction is its."""
        self.attention = False
        try:
            self._step_instruction(code)
        except ResetPulled:
            self._given_up_for_reset()
        self._take_so_edge()

    # what the core asks ---------------------------------------------------------------------------------------------

    def _answer_read(self) -> None:
        words, longs = self._words, self._longs
        if words[_ROOM]:
            self._share_ring()
        if words[_WAITING]:
            self._hand_over()
        cycle = longs[_CYCLE]
        address = words[_ADDRESS]
        self.last = words[_LAST]
        if words[_LEAVE] or self._bus.may_stall:
            self.cycle = cycle
            value = self.read_cycle(address, _KINDS[words[_KIND]])
            longs[_CYCLE] = self.cycle
            words[_LAST] = value
            if self.attention or self.horizon != self._seen_horizon or self.cycle + LONGEST >= self.horizon:
                self._look(self.cycle)
        else:
            # Where in its instruction the read stands belongs to it: a part may read twice at one address.
            key = (
                None
                if words[_ROOM] or self._bus.watchers.seen or self._bus.watchers.at_once
                else (self._state[:_KEY_BYTES].tobytes(), cycle - longs[_FIRST])
            )
            self.began = self.cycle = cycle
            value = words[_LAST] = self._bus_read(address, cycle, _KINDS[words[_KIND]])
            longs[_CYCLE] = cycle + 1
            if self.attention or self.horizon != self._seen_horizon:
                self._look(cycle)
                self._rounds.forget()
            elif key is not None and (period := self._rounds.period(key, address, value, cycle)):
                self._skip_rounds(cycle, period)
        if words[_ROOM]:
            self._give_ring_back()
        words[_ABANDON] = 0  # the answer is whole

    def _skip_rounds(self, cycle: int, period: int) -> None:
        """Let whole rounds of a waiting loop pass, as far as what it reads stays; the read of `cycle` was made."""
        longs = self._longs
        first = longs[_FIRST]
        most = min(self._limit - first - 1, self._until - RECORDED - cycle)
        for address, value in self._rounds.reads:
            if most < period or self._bus.peek(address, cycle, value) != value:
                return
            most = min(most, self._bus.steady_until(address, cycle) - cycle - 1)
        if most < period:
            return
        skipped = most // period * period
        longs[_CYCLE] = cycle + 1 + skipped
        longs[_FIRST] = first + skipped
        longs[_STOP] = min(self._limit, cycle + skipped + SLICE_CYCLES)
        assert self._notes is not None
        self._notes.skip(first, skipped, period)
        self.began = cycle + skipped
        self._rounds.skipped(skipped)

    def _answer_write(self) -> None:
        words, longs = self._words, self._longs
        if words[_ROOM]:
            self._share_ring()
        else:
            self._rounds.forget()
        if words[_WAITING]:
            self._hand_over()
        cycle = longs[_CYCLE]
        value = words[_VALUE]
        self.last = words[_LAST]
        if words[_LEAVE] or self._bus.may_stall:
            self.cycle = cycle
            self.write_cycle(words[_ADDRESS], value)
            longs[_CYCLE] = self.cycle
            words[_LAST] = self.last
            if self.attention or self.horizon != self._seen_horizon or self.cycle + LONGEST >= self.horizon:
                self._look(self.cycle)
        else:
            self.began = self.cycle = cycle
            self._bus_write(words[_ADDRESS], value, cycle, _DATA)
            words[_LAST] = value
            longs[_CYCLE] = cycle + 1
            if self.attention or self.horizon != self._seen_horizon:
                self._look(cycle)
        if words[_ROOM]:
            self._give_ring_back()
        if words[_LEAVE]:  # lines may have moved; a BRK chooses behind its second push
            words[_VECTOR] = self._vector_by(longs[_CYCLE] - 1)
        words[_ABANDON] = 0

    def _share_ring(self) -> None:
        """What Python adds to the ring stands behind what the core put there."""
        assert self._ring is not None
        self._ring.filled = self._words[_FILLED]

    def _give_ring_back(self) -> None:
        """What the core records next stands behind what Python put there."""
        ring = self._ring
        assert ring is not None
        if self.attention or ring.failed:  # nobody wants records any more, or other ones, or a sink has raised
            self._leave()
        self._words[_FILLED] = ring.filled

    def _hand_over(self) -> None:
        """Hand the writes that wait to their cards, in order, those to one address together."""
        count, self._words[_WAITING] = self._words[_WAITING], 0
        entries = self._state[WAITING_AT : WAITING_AT + count * WAITING_BYTES]
        cycles = entries.cast("q")[::2].tolist()
        halves = entries.cast("H")
        pcs, addresses = halves[4::8].tolist(), halves[5::8].tolist()
        values, before = bytes(entries[12::WAITING_BYTES]), bytes(entries[13::WAITING_BYTES])
        start = 0
        failure: BaseException | None = None
        for number in range(1, count + 1):
            if number == count or addresses[number] != addresses[start]:
                here = slice(start, number)
                try:
                    self._bus.accesses.write_late(addresses[start], values[here], cycles[here], before[here], pcs[here])
                except BaseException as error:  # noqa: BLE001 - the writes behind it were made, too
                    failure = failure or error
                start = number
        if failure is not None:
            raise failure

    def _look(self, cycle: int) -> None:
        """An access moved something or waited: go no further than this instruction, or only to another cycle."""
        if self.attention:
            self._leave()
            return
        self._seen_horizon = horizon = self.horizon
        self._limit = min(self._until, horizon - LONGEST + 1)
        self._longs[_STOP] = min(self._longs[_STOP], self._limit)
        if cycle + LONGEST >= horizon:
            self._leave()

    def _leave(self) -> None:
        """The instruction under way is the last one, and what is left of it is made cycle by cycle."""
        self._words[_LEAVE] = 1
        self._words[_TABLES] = self._no_tables

    def _give_up(self, error: BaseException) -> None:
        """Keep what an answer raised; the instruction ends here."""
        words, longs = self._words, self._longs
        self._failure = error
        if not words[_ABANDON]:  # the answer was whole
            words[_ABANDON] = 1
            return
        words[_LAST] = self.last
        longs[_CYCLE] = max(longs[_CYCLE], self.cycle)  # further on where the access waited
        if words[_ROOM]:
            self._give_ring_back()


def make_cpu(
    name: str,
    bus: Bus,
    findings: Findings,
    seed: int,
    *,
    engine: str = "auto",
    room: Room | NoCoreError | None = None,
    **options: Any,
) -> CoreCpu:
    """The CPU of a machine; options as for `make_exact`.

    Raises:
        SimkitError: unknown part, option or engine, or the core is asked for where it cannot be had.
    """
    cpu = make_exact(name, bus, findings, seed, cpu=CoreCpu, **options)
    assert isinstance(cpu, CoreCpu)
    if room is not None:
        cpu.use(room)
    cpu.engine = engine
    return cpu
