"""The running rules: looks at every bus cycle of the exact engine and notes what hardware would not forgive.

Attach it to a machine just switched on: only then is it known which memory was never written.
"""

from __future__ import annotations

from simkit.backplane.bus import Kind
from simkit.backplane.decode import Plan
from simkit.backplane.seat import Seat
from simkit.check.image.ground import Ground, Map, Place
from simkit.check.result.notes import Notes
from simkit.check.watches.bits import OpenBits
from simkit.check.watches.decimal import DecimalFlag
from simkit.check.watches.interrupts import Handlers
from simkit.check.watches.shared import SharedCells
from simkit.check.watches.spare import SpareCycles
from simkit.check.watches.stack import StackDepth
from simkit.check.watches.starts import Starts
from simkit.contract.errors import SimkitError
from simkit.cpu.isa.effects import Effect, effects
from simkit.machine.machine import Machine
from simkit.rom.listing import Listing

_FETCH, _DATA, _DUMMY, _INTERRUPT, _RESET = Kind.FETCH, Kind.DATA, Kind.DUMMY, Kind.INTERRUPT, Kind.RESET
_ROM, _RAM, _REGISTER, _NOBODY = Ground.ROM, Ground.RAM, Ground.REGISTER, Ground.NOBODY
_BIT_ABSOLUTE = 0x2C
_LOADS_IMMEDIATE = (0xA9, 0xA2, 0xA0)  # LDA, LDX, LDY


def _is_plain(effect: Effect) -> bool:
    """Whether an instruction is nothing the running rules look at when it is over."""
    return effect.opcode.documented and "sp" not in effect.writes and "d" not in effect.reads | effect.writes


class Watch:
    """Watches a machine until `stop`.

    Attributes:
        notes: what was found.
        lost: how the program left its code, or None; what follows means nothing.
        lost_at: the cycle of that.
    """

    def __init__(self, machine: Machine, listing: Listing | None = None) -> None:
        if machine.cycle != 0:
            raise SimkitError(
                f"The check must watch from power-on; the machine stands in cycle {machine.cycle}.",
                remedy="Give it a machine just loaded.",
            )
        self.notes = Notes()
        self.lost: str | None = None
        self.lost_at = 0
        self._machine = machine
        self._cpu = machine.cpu
        self._starts = Starts(machine, listing) if listing is not None else None
        self._map = Map(machine)
        self._known = self._map.known
        self._sound: set[Plan] = set()  # fetches of opcodes that were found to be in order and stay so: from ROM
        self._effects = effects(machine.description.cpu)
        self._plain = [_is_plain(effect) for effect in self._effects]
        self._nmos = machine.description.cpu == "6502"
        self._handlers = Handlers(machine, self.notes)
        self._frames = self._handlers.frames
        self._requests = self._handlers.requests
        self._damaged = self._handlers.damages.held
        self._shared = SharedCells(machine)
        self._cells = self._shared.cells
        self._stack = StackDepth(self.notes)
        self._findings = machine.findings
        self._seen = len(machine.warnings)  # what wiring and images said at power-on is told without a run
        self._pc: int | None = None  # instruction under way
        self._code = 0
        self._s = 0  # before it
        self._entering: tuple[str, int, bool] | None = None  # cause, address to return to, decimal flag
        self._decimal = DecimalFlag(machine, self.notes, self._frames)
        self._bits = OpenBits(machine, self.notes)
        self._spare = SpareCycles(machine, self.notes)
        self._watch = machine.bus.add_watch(before=self._before, tap=self._tap, memory=self._map.written)

    def stop(self) -> Notes:
        """Take the watch off and give what it found."""
        if self._watch.attached:
            self._watch.remove()
            if self.lost is None:
                self._take_findings()
            self._shared.report(self.notes)
            if self.lost is None:
                self._decimal.report()
                self._requests.report([frame.cause for frame in self._frames])
        return self.notes

    # bus cycles -----------------------------------------------------------------------------------------------------

    def _tap(self, cycle: int, address: int, value: int, is_write: bool, kind: Kind, plan: Plan) -> None:
        if self.lost is not None:
            return
        if kind is _FETCH:
            self._fetch(cycle, address, value, plan)
            return
        place = self._known.get(plan) or self._map(plan, is_write)
        ground = place.kind
        if ground is _ROM:
            if kind is _INTERRUPT or kind is _RESET:
                self._sequence(kind, address)
            return
        if ground is _RAM:
            shadow = place.shadow
            assert shadow is not None
            if is_write:
                shadow[place.offset] = 1
            elif kind is _DATA and not shadow[place.offset]:
                self._never_written(address, cycle, place)
            if kind is _DATA and address >> 8 != 1:
                key = (place.slot, place.offset)
                if is_write or self._frames or key in self._cells:
                    self._cell(key, address, value, cycle, is_write)
            elif kind is _INTERRUPT or kind is _RESET:
                self._sequence(kind, address)
            return
        if kind is _INTERRUPT or kind is _RESET:
            self._sequence(kind, address)
            if not is_write and ground is _NOBODY and kind is _INTERRUPT:
                self._nobody(address, cycle, "The interrupt sequence reads")
        elif ground is _REGISTER:
            self._register(place, address, value, cycle, kind, plan, is_write)
            if kind is _DATA and not is_write:
                self._bits.read(address, place.slot, plan.drivers[0][2], self._effects[self._code])
                if not self._frames:
                    self._requests.looked(place, cycle)
            elif kind is _DATA and not self._cpu.i and not self._frames and place.slot in self._handlers.visited:
                self._between(plan.takers[0][0], address, cycle)
        elif ground is _NOBODY and kind is _DATA:
            if is_write:
                self.notes.add(
                    "write-nowhere",
                    cycle,
                    f"A write of ${value:02X} to ${address:04X} reaches no card.",
                    pc=self._pc,
                    address=address,
                )
            else:
                self._nobody(address, cycle, "The program reads")

    def _cell(self, key: tuple[int, int], address: int, value: int, cycle: int, is_write: bool) -> None:
        """A cell of memory outside the stack, which handler and main program may share."""
        pc, effect, forbidden = self._pc or 0, self._effects[self._code], bool(self._cpu.i)
        if self._frames:
            if is_write:
                self._shared.handler_writes(key, address, value, pc)
            else:
                self._shared.handler_reads(key, address, pc, effect)
        elif is_write:
            self._shared.main_writes(key, value, pc, in_place=effect.modifies, forbidden=forbidden)
        else:
            pointer = effect.indirect and address < 0x100
            self._shared.main_reads(key, value, pc, cycle, pointer=pointer, forbidden=forbidden)

    def _skips(self, address: int) -> bool:
        """Whether the read is that of a BIT which only hides a load (`.byte $2C` before `lda #`): nobody wants it."""
        return self._code == _BIT_ABSOLUTE and address & 0xFF in _LOADS_IMMEDIATE

    def _nobody(self, address: int, cycle: int, who: str) -> None:
        if self._skips(address):
            return
        what = "the stack, " if address >> 8 == 1 else ""
        self.notes.add(
            "undriven-read",
            cycle,
            f"{who} {what}${address:04X}, which no card drives.",
            pc=self._pc,
            address=address,
        )

    def _never_written(self, address: int, cycle: int, place: Place) -> None:
        if self._skips(address):
            return
        assert place.shadow is not None
        place.shadow[place.offset] = 1  # who reads it first is reported, not everybody after
        label = self._machine.labels.name_at(address)
        self.notes.add(
            "never-written",
            cycle,
            f"${address:04X}{f' ({label})' if label else ''} is read and was never written since power-on.",
            pc=self._pc,
            address=address,
            slot=place.slot,
        )

    def _before(self, cycle: int, address: int, is_write: bool, kind: Kind, plan: Plan) -> None:
        """An access is to come that may reach a register: a spare one is told before it happens."""
        if kind is _DUMMY:
            register = self._map(plan, False).reads
            if register is not None and register.read_effect:
                self._spare.expect(plan.drivers[0][0], self._pc or 0, cycle)
        elif is_write and self._nmos and kind is _DATA and self._effects[self._code].modifies:
            register = self._map(plan, True).writes
            if register is not None and register.write_effect and not self._spare.written:
                self._spare.expect(plan.takers[0][0], self._pc or 0, cycle)

    def _register(
        self, place: Place, address: int, value: int, cycle: int, kind: Kind, plan: Plan, is_write: bool
    ) -> None:
        if self._frames:
            self._handlers.touch(place.slot)
        if self._spare.under_way:
            seat = plan.takers[0][0] if is_write else plan.drivers[0][0]
            register = place.writes if is_write else place.reads
            self._spare.seen(seat, register, address, place.offset, value, cycle, is_write)
        if is_write or kind is _DUMMY:
            return
        if place.reads is None:
            if place.writes is None:
                self._nobody(address, cycle, "The program reads")
            else:
                self.notes.add(
                    "write-only-read",
                    cycle,
                    f"Register {place.writes.name} of slot {place.slot} at ${address:04X} can only be written.",
                    pc=self._pc,
                    address=address,
                    slot=place.slot,
                )

    def _between(self, seat: Seat, address: int, cycle: int) -> None:
        """The main program has written to a card that handlers use too, with interrupts allowed."""
        begun = seat.card.unfinished()
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

    def _fetch(self, cycle: int, address: int, value: int, plan: Plan) -> None:
        if self._pc is not None:
            self._finish(address)
        entering = self._entering
        if entering is not None:
            self._entering = None
            self._bits.forget()
            self._stack.moved(3, address, cycle, "The interrupt")
            self._handlers.enter(entering[0], entering[1], address, cycle, entering[2] and self._nmos)
        if plan not in self._sound and not self._is_code(address, cycle, plan):
            return
        self._pc = address
        self._code = value
        effect = self._effects[value]
        self._s = self._cpu.sp
        if not effect.opcode.documented:
            self.notes.add(
                "undefined-opcode",
                cycle,
                f"Opcode ${value:02X} is not one of the {self._machine.description.cpu}.",
                pc=address,
                address=address,
            )
        if not self._frames:
            self._requests.idle = False
        if self._damaged:
            self._handlers.damages.used(effect, address, cycle, self._s)
        if self._bits.waiting:
            self._bits.decide(effect, address, cycle)

    def _finish(self, target: int) -> None:
        """The instruction under way is over, the program goes on at `target`; registers hold its result."""
        pc = self._pc
        if pc is None:
            return
        if len(self._findings) != self._seen:
            self._take_findings(self._cpu.cycle)
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

    def _take_findings(self, now: int = -1) -> None:
        """Findings of cards and machine since the last look, with the instruction that brought them about.

        Args:
            now: the cycle in which the next instruction begins; what is found in it belongs to that one.
        """
        while self._seen < len(self._findings):
            found = self._findings[self._seen]
            if found.cycle == now:
                break
            pc = self._pc if found.address is not None else None
            self.notes.add(found.rule, found.cycle, found.message, pc=pc, address=found.address, slot=found.slot)
            self._seen += 1

    # leaving the code -----------------------------------------------------------------------------------------------

    def _run_away(self, address: int, cycle: int, place: Place) -> None:
        where = {
            _ROM: "filler of the ROM",
            _RAM: "memory that was never written",
            _REGISTER: f"a register of slot {place.slot}",
        }.get(place.kind, "no card")
        self._lose(address, cycle, f"The CPU fetches an opcode from {where} at ${address:04X}")

    def _is_code(self, address: int, cycle: int, plan: Plan) -> bool:
        """Whether an opcode may be fetched there; the program is lost if not."""
        place = self._map(plan, False)
        if place.shadow is None or not place.shadow[place.offset]:
            if place.kind is not Ground.OTHER:
                self._run_away(address, cycle, place)
        elif place.kind is _ROM:
            problem = self._starts.problem(address) if self._starts is not None else None
            if problem is not None:
                self._lose(address, cycle, problem)
            self._sound.add(plan)
        return self.lost is None

    def _lose(self, address: int, cycle: int, what: str) -> None:
        way = [pc for _, pc in list(self._cpu.recent)[-6:] if pc != address]
        names = self._machine.labels.names()
        shown = ", ".join(f"${pc:04X}{f' ({names[pc]})' if pc in names else ''}" for pc in way)
        self.lost = what
        self.lost_at = cycle
        self.notes.add(
            "ran-away",
            cycle,
            f"{what}; {f'instructions before it: {shown}' if way else 'it is the first one after RESET'}.",
            pc=way[-1] if way else address,
            address=address,
        )
