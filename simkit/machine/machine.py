"""A machine: cards on a backplane, a CPU, and time. Built from a machine file, run, looked at, saved.

m = Machine.load("demo/marlpit")       # cards are plugged in, the power is on, cycle 0 is about to start
m.run(seconds=2)                       # stops at an instruction boundary
m.pads[1].press("left")                # inputs are scheduled from now on; they never run the machine
m.run(frames=10)
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from fractions import Fraction
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import attrs

from simkit.backplane.bus import OUTSIDE_MACHINE, WatchHandle
from simkit.backplane.cycle import BusCycle
from simkit.backplane.seat import Seat, refusal
from simkit.backplane.self_check import check_power_on
from simkit.backplane.vectors import VECTORS
from simkit.contract.errors import CardError, CardMisuse, SimkitError, numbers, shown
from simkit.contract.findings import Finding, Findings
from simkit.contract.lines import Drive, Pin, PinSpec
from simkit.contract.shapes import StateError
from simkit.cpu.core.engine import CoreCpu, make_cpu
from simkit.cpu.reference.engine import LAST_NOTES, MOST_NOTES
from simkit.machine.assembly import assemble, check_overlaps
from simkit.machine.banked import candidates, executed_in_a_bank, names_in_banks
from simkit.machine.fingerprint import Fingerprint
from simkit.machine.history import History
from simkit.machine.lengths import length, whole
from simkit.machine.loader import Area, given_programs, given_start, load_programs, notes_of, start_address, with_pieces
from simkit.machine.moments import Moment, parse_moment
from simkit.machine.naming import SourceLines
from simkit.machine.routine import call as routine_call
from simkit.machine.snapshot import Snapshot, SnapshotError, hashes, pack, unpack
from simkit.machine.told import Executed, Loop, Note, Rounds, folded, newest
from simkit.machine.until import moments_of, not_come, run_to_moment
from simkit.machine.views import Buttons, CardView, Keys, Lamps, LineView, LineViews, Pads, Screen, Serial, port, ports
from simkit.machine.waiting import Wait
from simkit.machinefile.description import Description
from simkit.machinefile.programs import Program
from simkit.machinefile.read import read_description
from simkit.rom.labels import Labels
from simkit.rom.listing import Row
from simkit.rom.places import Place, Places

if TYPE_CHECKING:
    from simkit.cpu.isa.disassemble import Instruction

DEFAULT_TIMEOUT_SECONDS = 30.0
"""Machine time after which a run that waits for something gives up."""

LED_NOTES = 1024
"""Instructions before the first finding that are kept."""

RESET_CYCLES = 8
"""Least cycles the reset button holds RESET low; the CPU wants two (W65C02S data sheet, section 3, RESB)."""

RESET_SECONDS = Fraction(4, 1_000_000)
"""Least time the reset button holds RESET low: longer than any card wants, the tile-video chip 3 us."""


_V = TypeVar("_V", Screen, Keys, Pads, Serial, Lamps, Buttons)


class Machine:
    """Cards, CPU and time.

    Attributes:
        description: the machine as described.
        bus: the bus.
        cpu: the CPU: pc, a, x, y, sp, p, halted; settable between instructions.
        findings: rules of the hardware that the program or the wiring broke.
        warnings: findings of the wiring and the images, which came up before the first cycle; among `findings` too.
        cards: views of the cards by slot.
        fingerprint: what makes it this machine, part by part, and the models of its cards.
        identity: the same in one hash, without the models; snapshots and recordings refer to it.
        loaded: memory that programs were put into at power-on: slot, first offset, offset after the last.
        looking: who waits for a text.
        histories: who is told of all that changes the machine, its own running apart.
    """

    def __init__(
        self,
        description: Description,
        images: Mapping[int, str | Path | bytes] | None = None,
        *,
        labels: Sequence[Path] = (),
        engine: str = "auto",
    ) -> None:
        description = attrs.evolve(description, programs=with_pieces(description.programs))
        self.histories: list[History] = []
        self.looking: list[Wait] = []
        self._goal = 0
        self.findings = Findings()
        assembly = assemble(description, images or {}, self.findings)
        self.bus = assembly.bus
        self.findings.seen_at = self.bus.seen_at
        self._naming = assembly.naming
        for path in labels:
            self._naming.read(path)
        start = None
        if description.start is not None:
            start = start_address(description.start, self.labels)
            description = attrs.evolve(description, start=f"${start:04X}")
        self.description = description
        self.fingerprint = Fingerprint.of(description, assembly.images)
        self.identity = self.fingerprint.digest
        self._reset_button = Pin(PinSpec(name="reset button", drive=Drive.OPEN_DRAIN), OUTSIDE_MACHINE)
        self.bus.nets.line("RESET").join(self._reset_button)
        self.bus.machine_events["reset"] = self._reset_moved
        self.cpu: CoreCpu = make_cpu(
            description.cpu,
            self.bus,
            self.findings,
            description.seed,
            wait_states=description.backplane.wait_states,
            indexed_store_spare=description.cpu_options.indexed_store_spare,
            magic=description.cpu_options.magic,
            engine=engine,
            room=assembly.core,
        )
        self.cpu.start = start
        self.bus.attach(self.cpu)
        check_overlaps(description, self.bus)
        self.cards: dict[int, CardView] = {seat.slot: CardView(self, seat) for seat in self.bus.seats}
        self.loaded: list[Area] = []
        notes = self._power_on()
        told = notes_of(self.bus, description.programs, self.loaded, start, self.labels)
        self.notes[:0] = [*notes, *told]
        self.warnings: list[Finding] = list(self.findings)
        self._first_found: Finding | None = None
        self._led_to_first: list[tuple[int, int]] = []  # instructions before it
        self.findings.tell(self._found_one)

    @classmethod
    def load(
        cls,
        machine: str | Path,
        *,
        seed: int | None = None,
        images: Mapping[int, str | Path | bytes] | None = None,
        clock: str | None = None,
        settings: Mapping[int, Mapping[str, Any]] | None = None,
        programs: Sequence[str | Path | Program] = (),
        labels: Sequence[str | Path] = (),
        start: int | str | None = None,
        engine: str = "auto",
    ) -> Machine:
        """Build the machine that a file describes, and switch it on.

        Args:
            machine: a folder, a machine.toml, or demo:NAME.
            seed: replaces the file's seed.
            images: images by slot: a path, or the bytes themselves.
            clock: replaces the file's clock, e.g. "4 MHz".
            settings: replaces settings of cards, by slot and name.
            programs: put into RAM when the power comes on: "FILE@$0200", or a hex file.
            labels: label lists, debug files and the like besides those of the file.
            start: where the CPU goes on after RESET, instead of where the vector says: an address or a label.
            engine: auto: the core where it can be had, and the reference engine where not; exact: the reference
                engine; core: the core. They differ in speed alone.

        Raises:
            SimkitError: one error, or SeveralErrors with all that are wrong with the file; or there is no core here.
        """
        description = read_description(
            machine,
            clock=clock,
            seed=seed,
            settings=settings,
            programs=given_programs(programs),
            start=given_start(start),
        )
        return cls(description, images, labels=[Path(path) for path in labels], engine=engine)

    def _power_on(self) -> list[str]:
        """Switch the power on; gives what is to be told of programs."""
        bus = self.bus
        for seat in bus.seats:
            seat.power_on()
        for asserted in (True, False):
            for seat in bus.seats:
                seat.reset(asserted, 0)
        bus.settle(0)
        self.loaded, notes = load_programs(bus, self.description.programs)
        check_power_on(self.bus, self.findings)
        self.cpu.power_on()
        return notes

    @property
    def engine(self) -> str:
        """Engine chosen: auto, exact or core, see `load`; may be set between two runs, only the speed changes."""
        return self.cpu.engine

    @engine.setter
    def engine(self, name: str) -> None:
        self.cpu.refuse_while_running()
        self._finish_instruction()
        self.cpu.engine = name

    # time -------------------------------------------------------------------------------------------------------------

    @property
    def cycle(self) -> int:
        """Periods of the machine clock since power-on, waits included."""
        return self.cpu.cycle

    @property
    def clock_hz(self) -> Fraction:
        """PHI2 in Hz, exact."""
        return self.description.clock_hz

    @property
    def seconds(self) -> float:
        """Machine time since power-on."""
        return float(self.cpu.cycle / self.description.clock_hz)

    def run(
        self,
        moment: Moment | str | None = None,
        *,
        cycles: int | None = None,
        seconds: float | Fraction | None = None,
        frames: int | None = None,
        label: str | None = None,
        screen_text: str | None = None,
        finding: str | None = None,
        access: int | str | None = None,
        read: int | str | None = None,
        write: int | str | None = None,
        until: Callable[[Machine], bool] | None = None,
        timeout: float = DEFAULT_TIMEOUT_SECONDS,
    ) -> int:
        """Run up to a moment; stops at the first instruction boundary at or after it.

        Args:
            moment: as on the command line (`simkit.machine.moments`): "label:main_loop#3+100c"; a time counts from
                power-on.
            cycles: that many cycles from now.
            seconds: that much machine time from now.
            frames: that many frames of the only screen from now.
            label: until the instruction at the label is next.
            screen_text: until the text stands on the only screen (looked at after every frame), and on until a whole
                frame has been drawn with it.
            finding: until a finding of that rule (any rule when "") comes up.
            access: until the address, or the label's, was read or written.
            read: until it was read.
            write: until it was written.
            until: until it gives True; asked at every instruction boundary.
            timeout: machine time in seconds after which what is waited for is given up.

        Returns:
            The cycle. A CPU that halts ends the run early; `m.cpu.halted` says why. Running on lets time pass.

        Raises:
            MomentError: what was waited for did not happen within `timeout`, or the CPU halted first.
            SimkitError: not exactly one moment was named, or it is none.
        """
        moments = {
            "moment": moment,
            "cycles": cycles,
            "seconds": seconds,
            "frames": frames,
            "label": label,
            "screen_text": screen_text,
            "finding": finding,
            "access": access,
            "read": read,
            "write": write,
            "until": until,
        }
        named = {name: value for name, value in moments.items() if value is not None}
        if len(named) != 1:
            raise SimkitError(
                f"run needs exactly one moment, not {len(named)} ({', '.join(named) or 'none'}).",
                remedy=f"Name one of {', '.join(moments)}.",
            )
        self._check_registers()
        if cycles is not None:
            return self.run_to(self.cycle + whole(length("cycles", cycles)))
        if seconds is not None:
            return self.run_to(self.cycle + whole(length("seconds", seconds) * self.description.clock_hz))
        if frames is not None:
            return self.run_to(self.cycle + whole(length("frames", frames) * self.screen.frame_cycles))
        limit = self.cycle + whole(length("timeout", timeout) * self.description.clock_hz)
        if until is not None:
            return self._step_until(lambda: until(self), limit)
        ((name, value),) = named.items()
        return run_to_moment(self, *moments_of(name, value), limit=limit)

    def when(self, moment: Moment | str, call: Callable[[int], None]) -> Wait:
        """Have it called once, when a moment has come; see `Wait`.

        Args:
            moment: a moment, or its text.
            call: gets the cycle; it may queue input, and may not run the machine.

        Raises:
            SimkitError: it is no moment of this machine.
        """
        return Wait(self, moment if isinstance(moment, Moment) else parse_moment(moment), call)

    def end_run_at(self, cycle: int) -> None:
        """Have a run under way end at that cycle, if it would go on longer."""
        self._goal = min(self._goal, cycle)
        self.cpu.end_run()

    def run_to(self, cycle: int) -> int:
        """Run up to the first boundary at or after a cycle; ends early where the CPU halts, or by `end_run_at`."""
        self._finish_instruction()
        cpu = self.cpu
        self._goal = cycle
        while cpu.cycle < self._goal:
            looks = [history.next_look for history in self.histories]  # one may end in the middle of the run
            looks += [wait.next_look for wait in self.looking if wait.next_look is not None]
            stood = cpu.halted is not None
            cpu.run(min(self._goal, max(cpu.cycle + 1, min(looks, default=self._goal))))
            for wait in tuple(self.looking):
                if wait.next_look is not None and cpu.cycle >= wait.next_look:
                    wait.look()
            if cpu.halted is not None and not stood:
                break
        return cpu.cycle

    def _step_until(self, done: Callable[[], bool], limit: int) -> int:
        self._finish_instruction()
        cpu = self.cpu
        while True:
            cpu.step()
            if done():
                return cpu.cycle
            if cpu.halted or cpu.cycle >= limit:
                raise not_come(self, "the condition")

    def step(self) -> int:
        """Run one instruction or one interrupt sequence, or the rest of it after step_cycle; returns the cycle."""
        self._check_registers()
        self.cpu.step()
        return self.cpu.cycle

    call = routine_call

    def settle(self) -> None:
        """Bring all cards up to date with the current cycle; no visible effect."""
        for seat in self.bus.seats:
            seat.advance(self.cycle)

    def reset(self) -> None:
        """Press the reset button now, for RESET_CYCLES cycles or RESET_SECONDS, whichever is longer."""
        held = max(RESET_CYCLES, whole(RESET_SECONDS * self.description.clock_hz))
        self.outside(OUTSIDE_MACHINE, "machine", "reset", True)
        self.outside(OUTSIDE_MACHINE, "machine", "reset", False, at=self.cycle + held)

    def _reset_moved(self, arguments: tuple[Any, ...], cycle: int) -> None:
        self._reset_button.drive(False if arguments[0] else None, cycle)

    def power_cycle(self) -> None:
        """Switch off and on again: time starts at cycle 0, memory holds its power-up noise, queued input is gone."""
        self.cpu.refuse_while_running()
        before = self.cycle
        for history in tuple(self.histories):
            history.about_to_be_another()
        fresh = Machine(self.description, self.images(), engine=self.engine)
        for seat, other in zip(self.bus.seats, fresh.bus.seats, strict=True):
            self._forget_pokes(seat, other)
        self._adopt(self._fitting(fresh.save_state()))
        for history in tuple(self.histories):
            history.power_cycled(before)

    def _forget_pokes(self, seat: Seat, fresh: Seat) -> None:
        """What was poked into a memory that comes from its image is gone with the power."""
        mine, its = (one.plain.read if one.plain is not None else None for one in (seat, fresh))
        if mine is not None and its is not None and mine != its:
            mine[:] = its
            self.bus.memory_changed(seat.slot, 0, len(mine))

    def images(self) -> dict[int, bytes]:
        """Images in the sockets by slot, as they were put in."""
        return {seat.slot: seat.image for seat in self.bus.seats if seat.image_size is not None}

    def __reduce_ex__(self, protocol: Any) -> Any:
        raise SimkitError(
            "A machine cannot be copied or pickled.",
            remedy="Take its state with save_state(), load the machine a second time, and give that one the state.",
        )

    # names ------------------------------------------------------------------------------------------------------------

    @property
    def labels(self) -> Labels:
        """Names of addresses."""
        return self._naming.labels

    @property
    def notes(self) -> list[str]:
        """What is to be told of it and is no finding: what could not be read of its label lists, and the like."""
        return self._naming.notes

    def read_labels(self, path: Path) -> None:
        """Read a label list, debug file or the like besides those of the machine file; its source lines count, too.

        Raises:
            SimkitError: there is no such file, or the system does not let it be read.
        """
        self._naming.read(path)
        self._forget_places()

    def named_as(self, other: Machine) -> None:
        """Take over the names of a machine with the same program."""
        self._naming = other._naming
        self._forget_places()

    @cached_property
    def source_lines(self) -> SourceLines:
        """Source lines behind addresses, as the files say that were named; read when first asked for."""
        return self._naming.source_lines(self)

    def _forget_places(self) -> None:
        for cached in ("source_lines", "_places"):
            self.__dict__.pop(cached, None)

    # inside -----------------------------------------------------------------------------------------------------------

    def outside(self, slot: int, port: str, action: str, *arguments: Any, at: int | None = None) -> None:
        """Queue an outside event for the current cycle or cycle `at`."""
        if at is not None and not isinstance(at, int):
            raise SimkitError(f"at is {at!r}; a cycle is a whole number.", remedy="Write at=m.cycle + 1000, say.")
        self.bus.schedule(self.cycle if at is None else max(at, self.cycle), slot, port, action, arguments)

    def look_at_texts(self) -> None:
        """Have who waits for a text look whether it is there; does nothing while the CPU runs."""
        if not self.cpu.running:
            for wait in tuple(self.looking):
                wait.look()

    def last_queued(self, slot: int, port: str) -> int:
        """Cycle of the last outside event queued for a port, 0 when there is none."""
        return max((e[0] for e in self.bus.pending_outside() if (e[2], e[3]) == (slot, port)), default=0)

    def peek(self, address: int, n: int = 1) -> Any:
        """Byte at an address as a read would give it, without any effect; `n` > 1 gives bytes."""
        self._check_address(address)
        self.settle()
        found = bytes(self.bus.peek((address + i) & 0xFFFF, self.cycle, self.cpu.last) for i in range(n))
        return found[0] if n == 1 else found

    def memory(self, address: int, length: int) -> bytes:
        """Bytes from an address on, as reads would give them, without any effect; beyond $FFFF from $0000 on."""
        found = self.peek(address, length)
        return found if length != 1 else bytes([found])

    def vectors(self) -> dict[str, int]:
        """Addresses that the vectors NMI, RESET and IRQ say now; those that no card gives are left out."""
        return {
            name: self.peek(at) | self.peek(at + 1) << 8
            for name, at in VECTORS.items()
            if self.bus.where(at) and self.bus.where(at + 1)
        }

    def poke(self, address: int, value: int) -> None:
        """Put a byte into the memory (RAM or ROM) at an address, without a bus cycle.

        Raises:
            SimkitError: no memory is there.
        """
        self._check_address(address)
        if not isinstance(value, int) or not 0 <= value <= 0xFF:
            raise SimkitError(f"{value!r} is not a byte.", remedy="Write 0 to 255.")
        for seat, offset in self.bus.where(address):
            if seat.plain is not None and seat.plain.read is not None:
                byte = value if seat.takes_data is None else seat.takes_data[value]
                seat.plain.read[offset] = byte
                self.bus.memory_changed(seat.slot, offset, offset + 1)
                for history in tuple(self.histories):
                    history.poked(address, value)
                return
        raise SimkitError(
            f"There is no memory at ${address:04X}.", remedy="Registers are written by the program, or by card ports."
        )

    @staticmethod
    def _check_address(address: int) -> None:
        if not isinstance(address, int) or not 0 <= address <= 0xFFFF:
            raise SimkitError(f"{address!r} is not an address.", remedy="Write 0 to $FFFF.")

    def _check_registers(self) -> None:
        """The CPU's own code trusts its registers, so what was set from outside is looked at before it runs."""
        cpu = self.cpu
        for name, value, highest in (
            ("pc", cpu.pc, 0xFFFF),
            ("a", cpu.a, 0xFF),
            ("x", cpu.x, 0xFF),
            ("y", cpu.y, 0xFF),
            ("sp", cpu.sp, 0xFF),
        ):
            if not isinstance(value, int) or not 0 <= value <= highest:
                raise SimkitError(f"m.cpu.{name} was set to {value!r}.", remedy=f"Set it to 0 to ${highest:X}.")

    @property
    def lines(self) -> Mapping[str, LineView]:
        """All lines by name: .level, .asserted (active low), .since."""
        return LineViews(self, self.bus.nets.lines)

    def last(self, n: int = 20) -> list[Executed]:
        """The last instructions executed, oldest first, at most 64: as many as are recorded without a gap.

        After a run there are 64. There may be fewer when the CPU halted or was held in RESET, as rounds of a waiting
        loop are not made, and none after a snapshot was loaded.
        """
        return [self._executed(note) for note in self.cpu.last_notes(max(0, min(n, LAST_NOTES)))]

    def last_folded(self, lines: int = 20) -> list[Executed | Loop]:
        """The last instructions, rounds of a loop together, with what led into it; that many lines or more."""
        before, recent = self.cpu.before_loop, list(self.cpu.recent)
        if before is None:
            told = folded(recent)
        else:
            told = folded([*before.notes, *recent], (len(before.notes), before.instructions, before.rounds))
        return self._described(told, lines)

    @property
    def first_found(self) -> Finding | None:
        """The first finding since power-on or since a state was loaded, but for those of `warnings`."""
        return self._first_found

    def led_to_first_found(self, lines: int = 20) -> list[Executed | Loop]:
        """The instructions up to `first_found`, that which brought it about among them, as far as they are known."""
        return self.told(self._led_to_first, lines)

    def told(self, notes: Sequence[Note], lines: int = 20) -> list[Executed | Loop]:
        """The last of some instructions that were begun, (cycle, address) each, rounds of a loop together."""
        return self._described(folded(notes), lines)

    def _found_one(self, finding: Finding) -> None:
        if self._first_found is None:
            self._first_found = finding
            self._led_to_first = self._led_to(finding)

    def _led_to(self, finding: Finding) -> list[Note]:
        """The last instructions up to that which brought a finding about, whenever its write was handed over."""
        at = finding.cycle
        if finding.pc is not None:  # a card may report an earlier cycle than that of the access
            late = self.bus.late_cycle
            at = self.cycle if late is None else late
        notes = [note for note in self.cpu.last_notes(MOST_NOTES) if note[0] <= at]
        if finding.pc is not None and (not notes or notes[-1][1] != finding.pc):  # so long ago that it is forgotten
            notes = [(finding.cycle, finding.pc)]
        return notes[-LED_NOTES:]

    def _executed(self, note: Note) -> Executed:
        cycle, pc = note
        others = candidates(self, pc) if self.bus.banks.since > cycle else []
        if others:
            return executed_in_a_bank(self, cycle, pc, others)
        return Executed(cycle, pc, self._disassembled(pc).text, self.place(pc))

    def _described(self, told: Sequence[Note | Rounds], lines: int) -> list[Executed | Loop]:
        return [
            Loop(tuple(map(self._executed, one.body)), one.rounds, one.until, one.first)
            if isinstance(one, Rounds)
            else self._executed(one)
            for one in newest(told, lines)
        ]

    @cached_property
    def _places(self) -> Places:
        def holds(row: Row) -> bool:
            return self.memory(row.address, len(row.data)) == row.data

        return Places(self.labels, self.source_lines.listing, holds)

    def place(self, address: int, seen: tuple[int, int] | None = None) -> Place:
        """Where an address is in the program: nearest label, source file and line.

        Args:
            address: of it.
            seen: slot and offset of the byte that the CPU saw there, as findings know it; None: what it sees now.
        """
        return self._places.at(address, seen)

    def disassemble(self, address: int, n: int = 10) -> list[Instruction]:
        """The next `n` instructions from an address on."""
        self._check_address(address)
        found = []
        for _ in range(n):
            instruction = self._disassembled(address)
            found.append(instruction)
            address = (address + instruction.length) & 0xFFFF
        return found

    def _disassembled(self, address: int) -> Instruction:
        from simkit.cpu.isa.disassemble import disassemble  # only wanted by people, so not at start

        return disassemble(
            lambda a: self.bus.peek(a & 0xFFFF, self.cycle, self.cpu.last),
            address,
            self.description.cpu,
            names_in_banks(self, address) if self.bus.banks.lines else self.labels.names(),
        )

    def card(self, slot: int) -> CardView:
        """The card in a slot."""
        if slot not in self.cards:
            raise SimkitError(f"There is no card in slot {slot}.", remedy=f"Slots with cards: {numbers(self.cards)}.")
        return self.cards[slot]

    def ports(self, kind: type[_V]) -> list[_V]:
        """All ports of a kind (Screen, Keys, Pads, Serial, Lamps, Buttons), in slot order."""
        return ports(self.cards, kind)

    def port(self, kind: type[_V], slot: int | None = None, *, option: str = "") -> _V:
        """The only port of a kind, or that of the card in a slot; see `simkit.machine.views.port`."""
        return port(self.cards, kind, slot, option=option)

    @property
    def screen(self) -> Screen:
        """The only screen."""
        if self.ports(Serial) and not self.ports(Screen):
            remedy = "What its serial card sends stands on a terminal: m.serial.text()."
            raise SimkitError(f"No card of this machine has {Screen.noun}.", remedy=remedy)
        return port(self.cards, Screen)

    @property
    def keys(self) -> Keys:
        """The only keyboard."""
        return port(self.cards, Keys)

    @property
    def pads(self) -> Pads:
        """The only card with pads."""
        return port(self.cards, Pads)

    @property
    def serial(self) -> Serial:
        """The only serial plug."""
        return port(self.cards, Serial)

    @property
    def lamps(self) -> Lamps:
        """The only row of lamps."""
        return port(self.cards, Lamps)

    @property
    def buttons(self) -> Buttons:
        """The only row of buttons."""
        return port(self.cards, Buttons)

    def add_probe(self, probe: Callable[[BusCycle], None]) -> WatchHandle:
        """Have `probe(bus_cycle)` called after every bus cycle until the handle's `remove`."""
        if not callable(probe):
            raise SimkitError(f"{probe!r} cannot be a probe.", remedy="Give a function that takes a BusCycle.")
        return self.bus.add_watch(probe=probe)

    # stepping inside an instruction -----------------------------------------------------------------------------------

    def step_cycle(self) -> int:
        """Run exactly one bus cycle, also in the middle of an instruction; returns the cycle that comes next."""
        self._check_registers()
        self.cpu.step_cycle()
        return self.cpu.cycle

    @property
    def inside_instruction(self) -> bool:
        """Whether the last step_cycle stopped in the middle of an instruction."""
        return self.cpu.inside_instruction

    def _finish_instruction(self) -> None:
        if self.cpu.inside_instruction:
            self.cpu.step()

    # snapshot ---------------------------------------------------------------------------------------------------------

    def save_state(self) -> bytes:
        """The whole state as a file.

        Raises:
            SimkitError: the machine stands inside an instruction.
        """
        return pack(self._snapshot())

    def state_hashes(self) -> dict[str, str]:
        """A hash of each part of the state (cpu, bus, findings, slot 1, ...), without the input still to come.

        Two machines that are the same and have the same hashes go on alike when the same input comes.

        Raises:
            SimkitError: the machine stands inside an instruction.
        """
        return hashes(self._snapshot())

    def _snapshot(self) -> Snapshot:
        self.cpu.refuse_while_running()
        if self.inside_instruction:
            raise SimkitError(
                f"The machine stands inside an instruction (cycle {self.cycle}) and cannot be saved there.",
                remedy="Call step() first: it finishes the instruction.",
            )
        cards = {seat.slot: seat.save(self.cycle) for seat in self.bus.seats}
        state = {"bus": self.bus.save(), "cpu": self.cpu.save(), "findings": self.findings.save()}
        return Snapshot(self.fingerprint, self.description.seed, self.cycle, state, cards)

    def load_state(self, data: bytes) -> None:
        """Take back what `save_state` gave. Everything is checked; when something is wrong nothing has changed.

        A machine that stands inside an instruction finishes it before what only its parts can check is tried.

        Raises:
            SnapshotError: damaged, or of another machine.
        """
        self.cpu.refuse_while_running()
        snapshot = self._fitting(data)
        self._finish_instruction()
        at = self.cycle
        for history in tuple(self.histories):
            history.about_to_be_another()
        before = self.save_state()
        try:
            self._adopt(snapshot)
        except (SnapshotError, CardError):
            self._go_back(before)
            raise
        for history in tuple(self.histories):
            history.state_loaded(data, at)

    def _go_back(self, before: bytes) -> None:
        """Become again what was saved a moment ago."""
        try:
            self._adopt(self._fitting(before))
        except SnapshotError as error:
            seat = next((seat for seat in self.bus.seats if seat.slot == error.slot), None)
            if seat is None:
                raise
            raise refusal(seat, error.__cause__) from error

    def _fitting(self, data: bytes) -> Snapshot:
        snapshot = unpack(data)
        parts = self.fingerprint.other_parts(snapshot.fingerprint)
        if parts:
            raise SnapshotError(
                f"The state is that of another machine. These differ: {', '.join(parts)}.",
                remedy="Load the machine as it was when the state was saved.",
            )
        models = snapshot.fingerprint.other_models(self.fingerprint)
        if models:
            raise SnapshotError(
                " ".join(models), remedy="Take the state again with this kit, or install the older card."
            )
        if set(snapshot.cards) != {seat.slot for seat in self.bus.seats}:
            raise SnapshotError("The state does not hold the cards of this machine.")
        return snapshot

    def _adopt(self, snapshot: Snapshot) -> None:
        self.bus.recording.catch_up()  # cycles go on elsewhere
        self._first_found, self._led_to_first = None, []
        for seat in self.bus.seats:
            _take(seat.name, seat.load, snapshot.cards[seat.slot], seat.slot)
        for name, load in (("findings", self.findings.load), ("cpu", self.cpu.load), ("bus", self.bus.load)):
            _take(name, load, snapshot.state.get(name))
        for plug in self.ports(Serial):
            plug.begin_anew()
        for wait in self.looking:
            wait.begin_anew()


def _take(who: str, load: Callable[[Any], None], state: Any, slot: int | None = None) -> None:
    """Have a part of the machine take its state back.

    Raises:
        SnapshotError: it cannot; says which field of whose state is wrong.
        CardError: a card did something else than to refuse its state.
    """
    try:
        load(state)
    except (StateError, CardError) as told:
        error = told.__cause__ if isinstance(told, CardError) else told  # a card refuses a state in its own way
        if not isinstance(error, Exception) or isinstance(error, CardMisuse):
            raise
        wrong = str(error) if isinstance(error, StateError) else shown(error, 200)
        raise SnapshotError(
            f"The state is damaged: {who}, {wrong}.",
            slot=slot,
            field=error.field if isinstance(error, StateError) else None,
            remedy="Save it again, or use another file.",
        ) from error
