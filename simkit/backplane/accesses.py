"""The accesses of a cycle, phases 2 to 4 and 6: what is decoded is called, the bytes are combined, and it is told.

Where a page is one card's plain memory and nothing else an engine indexes that itself (`reach.py`); every other access
comes to `read` and `write`.
"""

from __future__ import annotations

from collections.abc import Sequence

from simkit.backplane import answers
from simkit.backplane.access import Access
from simkit.backplane.cpu_side import CpuLines, Engine
from simkit.backplane.cycle import KIND_WORDS, SYNC, BusCycle, Kind
from simkit.backplane.data_lines import DataLines
from simkit.backplane.decode import Plan
from simkit.backplane.faults import Lingering
from simkit.backplane.glitches import Glitches
from simkit.backplane.guard import Guard
from simkit.backplane.reach import Reach
from simkit.backplane.recording import Recording
from simkit.backplane.records import REPEAT, WRITE
from simkit.backplane.seat import Seat
from simkit.backplane.watchers import Watchers
from simkit.contract.card import Card
from simkit.contract.nets import Nets
from simkit.contract.turn import BETWEEN, WAITED, Turn

_NOBODY = Plan((), (), ())
"""What an access reaches while BE floats the bus of the CPU."""


class Accesses:
    """Makes the accesses of one backplane, from and to its parts.

    Args:
        nets: the lines, which settle within an access.
        turn: when a card may act.
        guard: tells what cards raise.
        access: the access under way.
        reach: what accesses reach.
        data_lines: what the data lines carry.
        watchers: who is told.
        recording: what is recorded.
        glitches: what no level of a line says.

    Attributes:
        cpu_lines: those of SYNC, VPB, MLB and BE that somebody hears; None: nobody hears any.
        made: accesses that cards were asked for one by one, up to now; those of plain memory, rounds of a waiting loop
            that are not made, and writes that wait do not count.
    """

    def __init__(
        self,
        nets: Nets,
        turn: Turn,
        guard: Guard,
        access: Access,
        reach: Reach,
        data_lines: DataLines,
        watchers: Watchers,
        recording: Recording,
        glitches: Glitches,
    ) -> None:
        self._nets = nets
        self._turn = turn
        self._guard = guard
        self._access = access
        self._reach = reach
        self._data_lines = data_lines
        self._watchers = watchers
        self._recording = recording
        self._glitches = glitches
        self._engine: Engine | None = None
        self.cpu_lines: CpuLines | None = None
        self.made = 0

    def attach(self, engine: Engine) -> None:
        """The engine makes accesses from now on."""
        self._engine = engine
        if self.cpu_lines is not None:
            self._reach.require_slow(self.cpu_lines, True)

    def wait_cycles(self, address: int, is_write: bool, kind: Kind = Kind.DATA) -> int:
        """Cycles by which the selected cards delay an access that begins (the longest wish counts)."""
        if self.cpu_lines is not None:  # which cards these are may depend on them
            self._move_cpu_lines(self.cpu_lines, kind, self._present)
        table = self._reach.table
        if is_write:
            plan = table.writes.get(address) or table.write_plan(address)
        else:
            plan = table.reads.get(address) or table.read_plan(address)
        longest = 0
        for seat, offset in plan.waiters:
            cycles = self._guard.wait_cycles(seat, offset, is_write, self._present)
            if cycles > longest:
                longest = cycles
        return longest

    def read(self, address: int, cycle: int, kind: Kind, *, stalled: bool = False) -> int:
        """One read cycle: the byte on the data lines at the end of PHI2.

        Args:
            address: on the address lines.
            cycle: its number.
            kind: what the CPU does.
            stalled: the cycle repeats because RDY is low; cards whose strobes are gated with ready do not see it.
        """
        lines, watchers = self.cpu_lines, self._watchers
        if lines is not None:
            self._move_cpu_lines(lines, kind, cycle)
        reach = self._reach
        table = reach.table
        plan = table.reads.get(address) or table.read_plan(address)
        if lines is not None and lines.released:
            plan = _NOBODY
        odd = not stalled and self._glitches.in_the_way
        whole = plan
        if odd:
            plan = self._before_access(plan, address, cycle, is_write=False)
        page = reach.shown[0][address >> 8]
        # A page holds what the CPU takes, and a probe sees the lines.
        shown = self._data_lines.cpu is not None and (watchers.probes or watchers.data)
        if page is not None and not stalled and plan is not _NOBODY and not shown and not odd:
            value = page[address & 0xFF]
        else:
            if watchers.before and not stalled:
                for call in watchers.before:
                    call(cycle, address, False, kind, plan)
            self._access.kind = kind
            self.made += plan.selected != ()
            if stalled:
                plan = plan.stalled()
            value = self._read_cards(plan, address, cycle)
        if odd:
            value = self._after_read(whole, address, value, cycle)
        if watchers.seen and not stalled:
            for seen in tuple(watchers.seen.get(address, ())):
                seen(False)
        if watchers.taps and not stalled:
            for tap in watchers.taps:
                tap(cycle, address, value, False, kind, plan)
        if lines is not None and not stalled:
            lines.ended(kind, value)
        if self._recording.ring is not None:
            self._recording.ring.add(cycle, address, value, kind | REPEAT if stalled else kind)
        if watchers.data:
            self._show_data(value)
        if watchers.probes:
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
        lines, watchers = self.cpu_lines, self._watchers
        if lines is not None:
            self._move_cpu_lines(lines, kind, cycle)
        reach = self._reach
        table = reach.table
        plan = table.writes.get(address) or table.write_plan(address)
        if lines is not None and lines.released:
            plan = _NOBODY
        odd = not stalled and self._glitches.in_the_way
        whole, driven = plan, value
        if odd:
            plan = self._before_access(plan, address, cycle, is_write=True)
        page = reach.shown[1][address >> 8]
        if page is not None and plan is not _NOBODY and not odd:
            page[address & 0xFF] = value
        else:
            if watchers.before and not stalled:
                for call in watchers.before:
                    call(cycle, address, True, kind, plan)
            self.made += plan.selected != ()
            if stalled:
                plan = plan.stalled()
            value = self._write_cards(plan, address, value, cycle)
        if odd:
            self._after_write(whole, address, driven, cycle)
        if watchers.seen and not stalled:
            for seen in tuple(watchers.seen.get(address, ())):
                seen(True)
        if watchers.taps and not stalled:
            for tap in watchers.taps:
                tap(cycle, address, value, True, kind, plan)
        if lines is not None and not stalled:
            lines.ended(kind, value)
        if self._recording.ring is not None:
            self._recording.ring.add(cycle, address, value, kind | WRITE | REPEAT if stalled else kind | WRITE)
        if watchers.data:
            self._show_data(value)
        if watchers.probes:
            self._show(cycle, address, value, True, kind, plan)

    # glitches -------------------------------------------------------------------------------------------------------

    def _before_access(self, plan: Plan, address: int, cycle: int, *, is_write: bool) -> Plan:
        """Strobes of the cycle before that outlast its address end; gives what this access does of its plan."""
        glitches = self._glitches
        for one in glitches.due(Lingering.ADDRESS):
            if one.slot in plan.selected:
                seat = next(seat for seat, *_ in self._reach.table.selects if seat.slot == one.slot)
                offset = self._reach.table.offset(seat, address, is_write=is_write)
                self._write_cards(Plan((), ((seat, offset),), (one.slot,)), address, one.value, cycle)
        plan = glitches.of_plan(plan)
        return glitches.without_late(plan) if is_write else plan

    def _after_read(self, plan: Plan, address: int, value: int, cycle: int) -> int:
        """What comes after a read; gives the byte that the CPU takes."""
        again = self._glitches.twice(plan)
        if again is not None and again.drivers:
            value = self._read_cards(again, address, cycle)
        self._end_late(address, value, cycle)
        return value

    def _after_write(self, plan: Plan, address: int, value: int, cycle: int) -> None:
        """What comes after a write of a byte."""
        glitches = self._glitches
        made = glitches.of_plan(plan)
        again = glitches.twice(plan)
        if again is not None:
            self._write_cards(again, address, value, cycle)
        self._end_late(address, value, cycle)
        glitches.written(made, value)

    def _end_late(self, address: int, value: int, cycle: int) -> None:
        """Strobes of the cycle before that outlast its data store the byte of this one."""
        glitches, on_lines = self._glitches, self._data_lines.on_lines
        for one in glitches.due(Lingering.DATA):
            seat = next(seat for seat, *_ in self._reach.table.selects if seat.slot == one.slot)
            self._write_cards(Plan((), ((seat, one.offset),), (one.slot,)), address, value, cycle)
            self._data_lines.on_lines = on_lines
        if not glitches.in_the_way:
            self._reach.require_slow(glitches, False)

    def _move_cpu_lines(self, lines: CpuLines, kind: Kind, cycle: int) -> None:
        assert self._engine is not None
        lines.begin(kind, cycle, self._engine.x)

    def _read_cards(self, plan: Plan, address: int, cycle: int) -> int:
        nets, turn = self._nets, self._turn
        self._access.address = address
        nets.delay = 1
        turn.cycle = cycle
        engine = self._engine
        assert engine is not None
        data = self._data_lines
        cpu = data.cpu
        value = (engine.last if cpu is None else cpu.gives[engine.last]) & data.keeps | data.pulled
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
                value = data.contend(plan, value, address, cycle)
            for seat, offset in plan.takers:
                method = "write"
                seen = value if cpu is None else cpu.lines[value]
                seat.card.write(offset, seen if seat.data is None else seat.data.takes[seen], cycle)
            if nets.queue:
                nets.settle(cycle)
        except BaseException as error:  # noqa: BLE001 - a stranger's card
            self._guard.tell_of_cycle(error, seat, method, cycle)
        finally:
            self._leave_access()
        if cpu is None:
            return value
        data.on_lines = cpu.lines[value]
        return cpu.taken(value, engine.last)

    def _write_cards(self, plan: Plan, address: int, value: int, cycle: int) -> int:
        """Gives the byte on the data lines: another than the CPU's where a card fights it."""
        nets, turn = self._nets, self._turn
        self._access.address = address
        nets.delay = 1
        turn.cycle = WAITED if plan.may_wait else cycle
        seat: Seat | None = None
        method = "write"
        data = self._data_lines
        cpu = data.cpu
        on_lines = value if cpu is None else cpu.gives[value]
        try:
            if plan.drivers:
                on_lines = data.fight_cpu(plan, on_lines, address, cycle)
                value = on_lines if cpu is None else cpu.takes[on_lines]
            data.on_lines = on_lines
            for seat, offset in plan.takers:
                seat.card.write(offset, on_lines if seat.data is None else seat.data.takes[on_lines], cycle)
            if nets.queue:
                nets.settle(cycle)
        except BaseException as error:  # noqa: BLE001 - a stranger's card
            self._guard.tell_of_cycle(error, seat, method, cycle)
        finally:
            self._leave_access()
        return value

    def _leave_access(self) -> None:
        """Nothing of an access is left when it ends, also by whatever a card raised, or by Ctrl-C."""
        nets = self._nets
        nets.delay = 0
        self._turn.cycle = BETWEEN
        self._access.address = None
        self._access.kind = None
        if nets.queue or nets.notifying is not None:  # only when the access was broken off
            nets.drop_unsettled()
        if self._reach.stale:
            self._reach.choose_table()

    def _show_data(self, value: int) -> None:
        data = value if self._data_lines.cpu is None else self._data_lines.on_lines
        for call in self._watchers.data:
            call(data)

    def _show(self, cycle: int, address: int, value: int, is_write: bool, kind: Kind, plan: Plan) -> None:
        lines = {name: line.level_shown(cycle) for name, line in self._nets.lines.items()}
        drivers = tuple(seat.slot for seat, _, mask in plan.drivers if mask)
        data = value if self._data_lines.cpu is None else self._data_lines.on_lines
        seen = BusCycle(
            cycle, address, data, is_write, kind in SYNC, KIND_WORDS[kind], drivers, plan.selected, lines, value
        )
        for probe in tuple(self._watchers.probes):
            probe(seen)

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
        ((seat, offset),) = self._reach.table.write_plan(address).takers
        if seat.takes_data is not None:
            values, before = values.translate(seat.takes_data), before.translate(seat.takes_data)
        self._access.begin_late(address, seat.connector, cycles, pcs)
        self._nets.delay = 1
        self._turn.cycle = WAITED
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
                        first = self._guard.told_of_cycle(error, seat, "write_late" if own else "write", at)
                    start = len(values) if under_way is None else cycles.index(under_way) + 1
        finally:
            seat.connector.let_see(None)
            self._access.end_late()
            self._leave_access()
        if first is not None:
            raise first

    @property
    def _present(self) -> int:
        return self._engine.cycle if self._engine is not None else 0
