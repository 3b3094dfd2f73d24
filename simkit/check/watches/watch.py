"""The running rules: look at every bus cycle and note what hardware would not forgive.

What the reference engine does is seen as it happens. While the core runs, what cards answer is seen as it happens, and
the rest in the records behind it (stretch.py); instructions that the rules must see with their registers are left to
the reference engine, and so is everything while a rule follows each instruction.

Attach it to a machine just switched on: only then is it known which memory was never written.
"""

from __future__ import annotations

from collections.abc import Sequence

from simkit.backplane.cycle import Kind
from simkit.backplane.decode import Plan
from simkit.backplane.recording import RecordHandle
from simkit.backplane.seat import Seat
from simkit.check.image.codemap import JMP_INDIRECT
from simkit.check.image.ground import Ground, Map, Place, code_at
from simkit.check.result.notes import Notes
from simkit.check.watches.bits import OpenBits
from simkit.check.watches.course import Course, seen
from simkit.check.watches.decimal import DecimalFlag
from simkit.check.watches.interrupts import Handlers
from simkit.check.watches.jumps import PageEndJumps
from simkit.check.watches.left import LeftToReference
from simkit.check.watches.lost_changes import Change, LostChanges
from simkit.check.watches.news import News
from simkit.check.watches.nowhere import Nowhere
from simkit.check.watches.ran import Ran
from simkit.check.watches.shared import SharedCells
from simkit.check.watches.spare import SpareCycles
from simkit.check.watches.stack import StackDepth
from simkit.check.watches.stores import Key, Stores
from simkit.check.watches.stretch import WAY, Stretch
from simkit.check.watches.undone import report_undone
from simkit.check.watches.unheard import UnheardRequests
from simkit.check.watches.walks import Walks
from simkit.contract.errors import SimkitError
from simkit.cpu.isa.effects import Effect, effects
from simkit.machine.machine import Machine
from simkit.rom.listing import Listing, Seen

_FETCH, _DATA, _DUMMY, _INTERRUPT, _RESET = Kind.FETCH, Kind.DATA, Kind.DUMMY, Kind.INTERRUPT, Kind.RESET
_ROM, _RAM, _REGISTER, _NOBODY = Ground.ROM, Ground.RAM, Ground.REGISTER, Ground.NOBODY


def _is_plain(effect: Effect) -> bool:
    """Whether an instruction is nothing the running rules look at when it is over."""
    return effect.opcode.documented and "sp" not in effect.writes and "d" not in effect.reads | effect.writes


class Watch:
    """Watches a machine until `stop`.

    Args:
        machine: just switched on.
        listing: of its program, if there is one.
        notes: where findings go, beside those of a power-on before.

    Attributes:
        notes: what was found.
        course: whether the program is still in its code, or how it left it; what follows means nothing then.
    """

    def __init__(self, machine: Machine, listing: Listing | None = None, notes: Notes | None = None) -> None:
        if machine.cycle != 0:
            raise SimkitError(
                f"The check must watch from power-on; the machine stands in cycle {machine.cycle}.",
                remedy="Give it a machine just loaded.",
            )
        self.notes = Notes() if notes is None else notes
        self.notes.seen_at = self._seen_at if listing is not None and listing.shared else None
        self._fetched: tuple[int, Plan] | None = None  # the last fetch that was seen by itself
        self._machine = machine
        self._cpu = machine.cpu
        self._news = News(machine, self.notes)
        self._found = self._news.found
        self._map = Map(machine)
        self._known = self._map.known
        self.course = Course(machine, listing, self._map, self.notes, self._news.stop)
        self._sound = self.course.sound
        self._nowhere = Nowhere(machine, self.notes)
        self._effects = effects(machine.description.cpu)
        self._plain = [_is_plain(effect) for effect in self._effects]
        self._nmos = machine.description.cpu == "6502"
        self._ran = Ran()
        self._handlers = Handlers(machine, self.notes, self._ran)
        self._changes = LostChanges(machine, self._ran)
        self._ports: dict[int, Change] = {}  # registers of cards that handlers write to
        self._frames = self._handlers.frames
        self._requests = self._handlers.requests
        self._damaged = self._handlers.damages.held
        stores = Stores(self._map.memory())
        self._shared = SharedCells(machine, stores)
        self._cells = self._shared.cells
        self._walks = Walks(machine, self._map, self.notes)
        self._stack = StackDepth(self.notes, by_loader=self._cpu.start is not None)
        self._pc: int | None = None  # instruction under way
        self._code = 0
        self._s = 0  # before it
        self._entering: tuple[str, int, bool] | None = None  # cause, address to return to, decimal flag
        self._decimal = DecimalFlag(machine, self.notes, self._frames)
        self._bits = OpenBits(machine, self.notes)
        self._spare = SpareCycles(machine, self.notes)
        self._jumps = PageEndJumps(machine, self.notes)
        self._unheard = UnheardRequests(machine, self.notes)
        self._stretch = Stretch(
            self, self._map, stores, self._shared, self._stack, self._effects, self._ran, self._walks
        )
        self._recording: RecordHandle | None = None
        self._core_runs = False
        self._stood = -1  # cycle for which the core's instruction was looked up
        self._sees_all = False
        self._left = LeftToReference(self._cpu, machine.description.cpu)
        self._decodings = machine.bus.reach.banks.remade
        self._watch = machine.bus.watchers.add(
            before=self._before, tap=self._tap, memory=self._map.written, bystander=self
        )

    def stop(self) -> Notes:
        """Take the watch off and give what it found."""
        if self._watch.attached:
            self._watch.remove()
            self._news.stop()
            self._see_all(False)
            self._left.stop()
            if self._recording is not None:
                self._recording.remove()
            if self.course.lost is None:
                if not self._machine.inside_instruction:
                    self._finish(self._cpu.pc)
                self._news.take(self._pc)
            self._shared.report(self.notes)
            self._handlers.open.report(self.notes)
            self._changes.report(self.notes, {**self._shared.changes(), **self._ports})
            if self.course.lost is None:
                self._decimal.report()
                self._requests.report([frame.cause for frame in self._frames])
                self._unheard.report(irq_taken=self._requests.irq_taken)
                report_undone(self._machine, self.notes)
        return self.notes

    # the core -------------------------------------------------------------------------------------------------------

    def core_begins(self) -> None:
        """Everything up to here was seen; from here on the records tell."""
        if self.course.lost is not None:
            return
        cpu, bus = self._cpu, self._machine.bus
        self._boundary(cpu.pc, cpu.cycle)
        self._choose_view()
        if self._sees_all:
            return
        if self._decodings != bus.reach.banks.remade:
            self._decodings = bus.reach.banks.remade
            self._stretch.forget_decodings()
        if self._recording is None:
            self._recording = bus.record(self._recorded)
        bus.recording.catch_up()
        self._core_runs = True
        self.notes.hold()
        way = self._last_instructions()
        self._stretch.begin(
            bus.reach.table,
            in_handler=bool(self._frames),
            masked=bool(cpu.i),
            way=way,
            cycle=cpu.cycle,
            repeats=bus.may_stall,
        )
        self._left.choose(self._frames, adds=self._decimal.waits_for_use)

    def core_ended(self) -> None:
        """Look at what it did; behind an exception, too."""
        if not self._core_runs:
            return
        self._machine.bus.recording.catch_up()
        self._core_runs = False
        last = self._stretch.last
        if self.course.lost is None and last is not None:
            self._fetched = last[0], self._stretch.plan(last[0])
            self.stand_at(*last)
            if self._found:
                self._news.take(self._pc)
            if self._spare.under_way:
                self._spare.finish(last[0], self._effects[last[1]].opcode.mnemonic)
        self._stretch.end(self._cpu.cycle)
        self.notes.release(self.course.lost_at if self.course.lost is not None else None)
        self._pc = None

    def _recorded(self, records: memoryview) -> None:
        if self._core_runs and self.course.lost is None and self._stretch.take(records) and not self._frames:
            self._requests.idle = False

    def _choose_view(self) -> None:
        """See each instruction as it happens while a rule follows registers through them."""
        self._see_all(bool(self._damaged) or self._bits.waiting or self._handlers.emptied is not None)

    def _see_all(self, wanted: bool) -> None:
        if wanted is not self._sees_all:
            self._sees_all = wanted
            self._machine.bus.reach.require_slow(self, wanted)

    def stand_at(self, pc: int, code: int) -> None:
        """What is looked at now is done by this instruction."""
        self._pc, self._code = pc, code

    def _stand(self, cycle: int) -> None:
        """Look up the core's instruction, if it is one that does the access of `cycle`."""
        if self._core_runs and self._stood != cycle:
            self._stood = cycle
            self._cpu.show_registers()
            _, pc = self._cpu.recent[-1]
            self.stand_at(pc, code_at(self._machine, pc))

    # bus cycles -----------------------------------------------------------------------------------------------------

    def _tap(self, cycle: int, address: int, value: int, is_write: bool, kind: Kind, plan: Plan) -> None:
        if self.course.lost is not None:
            return
        if self._core_runs:
            self._answered(cycle, address, value, is_write, kind, plan)
        elif kind is _FETCH:
            self._fetch(cycle, address, value, plan)
        else:
            self._accessed(cycle, address, value, is_write, kind, plan)

    def _answered(self, cycle: int, address: int, value: int, is_write: bool, kind: Kind, plan: Plan) -> None:
        """An access of an instruction that the core does, answered by Python."""
        ring = self._machine.bus.recording.ring
        assert ring is not None
        place = self._known.get(plan) or self._map(plan, is_write)
        walks_on = is_write and address in self._walks.at and not self._frames
        if walks_on or place.kind is _RAM:
            ring.empty()  # what was stored before counts
            self._stood = -1
            if self.course.lost is not None:
                return
        self._stretch.answered.append(ring.filled)
        if walks_on:
            self._stand(cycle)
            self._walks.entered(address, self._pc or 0, cycle)
        if not is_write or place.kind is not _REGISTER or self._spare.under_way or self._told_between(place):
            self._stand(cycle)
            self._accessed(cycle, address, value, is_write, kind, plan)
        elif self._frames:  # of most writes nothing else is to be said
            self._handlers.touch(place.slot)
            self._stand(cycle)
            self._port_written(address, cycle)
        if self._found:
            self._stand(cycle)
            self._news.take(self._pc)
        if self._bits.waiting or self._spare.under_way:
            self._cpu.attention = True  # the core leaves behind this instruction
            self._choose_view()

    def _told_between(self, place: Place) -> bool:
        """Whether a write of the main program is looked at: handlers use the card too."""
        return not self._frames and place.slot in self._handlers.visited

    def _accessed(self, cycle: int, address: int, value: int, is_write: bool, kind: Kind, plan: Plan) -> None:
        place = self._known.get(plan) or self._map(plan, is_write)
        ground = place.kind
        if ground is _ROM:
            if kind is _INTERRUPT or kind is _RESET:
                self._sequence(kind, address)
            return
        if ground is _RAM:
            if kind is _DATA:
                self.cell_accessed(place, address, value, cycle, is_write=is_write, masked=bool(self._cpu.i))
            elif is_write:
                assert place.shadow is not None
                place.shadow[place.offset] = 1
            if kind is _INTERRUPT or kind is _RESET:
                self._sequence(kind, address)
            return
        if kind is _INTERRUPT or kind is _RESET:
            self._sequence(kind, address)
            if not is_write and ground is _NOBODY and kind is _INTERRUPT:
                self._nowhere.read(address, cycle, self._pc, self._code, "The interrupt sequence reads")
        elif ground is _REGISTER:
            self._register(place, address, value, cycle, kind, plan, is_write)
            if is_write and address in self._walks.at and not self._core_runs and not self._frames:
                self._walks.entered(address, self._pc or 0, cycle)
            if kind is _DATA and not is_write:
                self._bits.read(
                    address, place.slot, plan.drivers[0][2], self._effects[self._code], self._pc or 0, cycle
                )
                self._unheard.looked(place)
                if not self._frames:
                    self._requests.looked(place, cycle)
            elif kind is _DATA and not self._cpu.i and self._told_between(place):
                self._between(plan.takers[0][0], address, cycle)
        elif ground is _NOBODY and kind is _DATA:
            if is_write:
                self._nowhere.written(address, value, cycle, self._pc)
            else:
                self._nowhere.read(address, cycle, self._pc, self._code)

    def cell_accessed(
        self, place: Place, address: int, value: int, cycle: int, *, is_write: bool, masked: bool
    ) -> None:
        """A cell of memory was read or written; `masked`: interrupts were forbidden."""
        shadow = place.shadow
        assert shadow is not None
        if is_write:
            shadow[place.offset] = 1
        elif not shadow[place.offset]:
            self._nowhere.never_written(address, cycle, place, self._pc, self._code)
        key = (place.slot, place.offset)
        if is_write and self._walks.at and not self._frames and self._pc is not None:
            self._walks.stored([(self._pc, address)])
        if address >> 8 != 1 and (is_write or self._frames or key in self._cells):
            self._cell(key, address, value, cycle, is_write, masked)

    def _cell(self, key: Key, address: int, value: int, cycle: int, is_write: bool, forbidden: bool) -> None:
        """A cell of memory outside the stack, which handler and main program may share."""
        pc, effect = self._pc or 0, self._effects[self._code]
        if self._frames:
            self._stretch.handler_run.tell()
            if is_write:
                self._shared.handler_writes(key, address, value, pc)
            else:
                self._shared.handler_reads(key, address, pc, effect)
        elif is_write:
            self._shared.main_writes(key, value, pc, in_place=effect.modifies, forbidden=forbidden)
        else:
            pointer = effect.indirect and address < 0x100
            self._shared.main_reads(key, value, pc, cycle, pointer=pointer, forbidden=forbidden)

    def _before(self, cycle: int, address: int, is_write: bool, kind: Kind, plan: Plan) -> None:
        """An access is to come that may reach a register: a spare one is told before it happens."""
        if kind is _DUMMY:
            register = self._map(plan, False).reads
            if register is not None and register.read_effect:
                self._stand(cycle)
                self._spare.expect(plan.drivers[0][0], self._pc or 0, cycle)
        elif is_write and self._nmos and kind is _DATA and not self._spare.written:
            register = self._map(plan, True).writes
            if register is not None and register.write_effect:
                self._stand(cycle)
                if self._effects[self._code].modifies:
                    self._spare.expect(plan.takers[0][0], self._pc or 0, cycle)

    def _register(
        self, place: Place, address: int, value: int, cycle: int, kind: Kind, plan: Plan, is_write: bool
    ) -> None:
        if self._frames:
            self._handlers.touch(place.slot)
            if is_write:
                self._port_written(address, cycle)
        if self._spare.under_way:
            seat = plan.takers[0][0] if is_write else plan.drivers[0][0]
            register = place.writes if is_write else place.reads
            self._spare.seen(seat, register, address, place.offset, value, cycle, is_write)
        if is_write or kind is _DUMMY:
            return
        if place.reads is None:
            if place.writes is None:
                self._nowhere.read(address, cycle, self._pc, self._code)
            else:
                self._nowhere.write_only(place.writes, address, cycle, place, self._pc)

    def _port_written(self, address: int, cycle: int) -> None:
        """A handler has written to a register."""
        if address not in self._ports and self._pc is not None:
            self._ports[address] = Change(self._pc, self._frames[0].cause == "NMI", cycle)

    def _between(self, seat: Seat, address: int, cycle: int) -> None:
        """The main program has written to a card that handlers use too, with interrupts allowed."""
        begun = seat.unfinished(cycle)
        if begun:
            self.notes.add(
                "sequence-unguarded",
                cycle,
                f"The main program has begun {begun} of {seat.name} with interrupts allowed; handlers use it too.",
                pc=self._pc,
                address=address,
                slot=seat.slot,
            )

    def _sequence(self, kind: Kind, address: int) -> None:
        """A cycle of the interrupt or reset sequence; the first one ends the instruction before."""
        if kind is _RESET:
            self._pc = None
            self._entering = None
            self._spare.forget()
            self._handlers.reset()
            self._stack.reset()
            self._decimal.reset()
        elif self._entering is None:
            self._finish(address)
            self._entering = (self._cpu.due or "IRQ", address, bool(self._cpu.d))

    # instructions ---------------------------------------------------------------------------------------------------

    def _last_instructions(self) -> list[int]:
        return [pc for _, pc in self._cpu.last_notes(WAY)]

    def _boundary(self, address: int, cycle: int) -> None:
        """The instruction or sequence before is over; the one at `address` begins."""
        if self._pc is not None:
            self._finish(address)
        entering = self._entering
        if entering is not None:
            self._entering = None
            self._bits.forget()
            self._stack.moved(3, address, cycle, "The interrupt")
            self._handlers.enter(entering[0], entering[1], address, cycle, entering[2] and self._nmos)

    def _fetch(self, cycle: int, address: int, value: int, plan: Plan) -> None:
        self._boundary(address, cycle)
        self._fetched = address, plan
        way = self._last_instructions() if plan not in self._sound else ()
        if not self.fetched(address, value, cycle, plan, way):
            return
        self.stand_at(address, value)
        self._ran.one(address, masked=bool(self._cpu.i), in_handler=bool(self._frames))
        effect = self._effects[value]
        self._s = self._cpu.sp
        if not self._frames:
            self._requests.idle = False
        if self._damaged:
            self._handlers.damages.used(effect, address, cycle, self._s)
        if self._bits.waiting:
            self._bits.decide(effect, address, cycle)
        if value == JMP_INDIRECT and self._nmos:
            self._jumps.fetched(address, cycle)
        self._choose_view()

    def fetched(self, address: int, code: int, cycle: int, plan: Plan, way: Sequence[int]) -> bool:
        """An opcode was fetched; whether it is program. `way`: the last instructions, this one among them."""
        if plan not in self._sound and not self.course.holds(address, cycle, plan, way):
            return False
        if not self._effects[code].opcode.documented:
            self.notes.add(
                "undefined-opcode",
                cycle,
                f"Opcode ${code:02X} is not one of the {self._machine.description.cpu}.",
                pc=address,
                address=address,
            )
        return True

    def _finish(self, target: int) -> None:
        """The instruction under way is over, the program goes on at `target`; registers hold its result."""
        pc = self._pc
        if pc is None:
            return
        if self._found:
            self._news.take(pc, self._cpu.cycle)
        effect = self._effects[self._code]
        if self._spare.under_way:
            self._spare.finish(pc, effect.opcode.mnemonic)
        self._pc = None
        if self._plain[self._code]:
            return
        name, cycle, cpu = effect.opcode.mnemonic, self._cpu.cycle - 1, self._cpu
        handlers, frames = self._handlers, self._frames
        cause = frames[0].cause if frames else ""
        if effect.depth:
            self._stack.moved(effect.depth, pc, cycle, name)
        if name == "TXS":
            self._stack.pointer_set(cpu.sp)
            handlers.moved_up(cpu.sp)
            handlers.emptied = None
        elif name == "RTI":
            handlers.leave(pc, self._s, target, cycle)
            self._decimal.returned()
        elif name == "BRK":
            self._note_brk(pc, target, cycle)
        elif name == "RTS":
            if frames:
                handlers.left_by_rts(pc, self._s, target, cycle)
        elif effect.depth > 0:
            handlers.emptied = None
        elif effect.depth < 0 and frames:
            handlers.moved_up(cpu.sp)
        if name in ("CLD", "SED", "PLP"):
            self._decimal.moved(pc, cycle)
        elif name in ("ADC", "SBC"):
            self._decimal.used(name, pc, cycle)
        if cause and not frames:
            self._stretch.handler_run.tell()
            self._shared.handler_left(cause)

    def _note_brk(self, pc: int, target: int, cycle: int) -> None:
        frame = self._handlers.enter("BRK", pc + 2 & 0xFFFF, target, cycle, bool(self._cpu.d) and self._nmos)
        frame.noted = self.notes.add(
            "brk-executed",
            cycle,
            f"BRK at ${pc:04X}: the handler at ${target:04X} runs and has not returned.",
            pc=pc,
            address=pc,
        )

    def _seen_at(self, pc: int) -> Seen | None:
        """Which byte of which card the CPU saw there: the instruction at `pc` may have changed the bank since."""
        if self._core_runs:
            return seen(self._stretch.plan(pc))
        if self._fetched is not None and self._fetched[0] == pc:
            return seen(self._fetched[1])
        return self._machine.bus.seen_at(pc)
