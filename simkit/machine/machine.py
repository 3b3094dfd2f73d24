"""A machine: cards on a backplane, a CPU, and time. Built from a machine file, run, looked at, saved.

m = Machine.load("demo/marlpit")       # cards are plugged in, the power is on, cycle 0 is about to start
m.run(seconds=2)                       # stops at an instruction boundary
m.pads[1].press("left")                # inputs are scheduled from now on; they never run the machine
m.run(frames=10)
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import attrs

from simkit.backplane.cycle import BusCycle
from simkit.backplane.faults import Fault, told
from simkit.backplane.watchers import WatchHandle
from simkit.contract.errors import SimkitError, numbers
from simkit.contract.findings import Finding, Findings
from simkit.cpu.core.engine import CoreCpu, make_cpu
from simkit.cpu.reference.cpu_lines import heard_lines, ready_output
from simkit.machine.assembly import assemble, check_overlaps
from simkit.machine.faulting import Faulting, add_fault
from simkit.machine.fingerprint import Fingerprint
from simkit.machine.history import History
from simkit.machine.loader import Area, given_programs, given_start, notes_of, start_address, with_pieces
from simkit.machine.memory import check_address
from simkit.machine.memory import memory as read_memory
from simkit.machine.memory import peek as peek_memory
from simkit.machine.memory import poke as poke_memory
from simkit.machine.memory import vectors as read_vectors
from simkit.machine.moments import Moment, parse_moment
from simkit.machine.naming import SourceLines
from simkit.machine.past import Past
from simkit.machine.past import before as before_moment
from simkit.machine.past import remember as remember_past
from simkit.machine.power import ResetButton, forget_pokes, switch_on
from simkit.machine.routine import call as routine_call
from simkit.machine.running import check_registers
from simkit.machine.running import run as run_up_to
from simkit.machine.states import States
from simkit.machine.telling import Telling
from simkit.machine.told import Executed, Loop, Note
from simkit.machine.views import Buttons, CardView, Keys, Lamps, LineView, LineViews, Pads, Screen, Serial, port, ports
from simkit.machine.waiting import Wait
from simkit.machinefile.description import Description
from simkit.machinefile.programs import Program
from simkit.machinefile.read import read_description
from simkit.rom.labels import Labels
from simkit.rom.places import Place

if TYPE_CHECKING:
    from simkit.cpu.isa.disassemble import Instruction

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
        faulting: faults that come and go.
        histories: who is told of all that changes the machine, its own running apart.
        past: what `remember` keeps; None: nothing.
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
        self.past: Past | None = None
        self._goal = 0
        self.findings = Findings()
        assembly = assemble(description, images or {}, self.findings)
        self.bus = assembly.bus
        self.findings.seen_at = self.bus.seen_at
        self._telling = Telling(self, assembly.naming)
        self._states = States(self, self._telling.forget_first)
        for path in labels:
            assembly.naming.read(path)
        start = None
        if description.start is not None:
            start = start_address(description.start, self.labels)
            description = attrs.evolve(description, start=f"${start:04X}")
        self.description = description
        self.fingerprint = Fingerprint.of(description, assembly.images)
        self.identity = self.fingerprint.digest
        self._reset_button = ResetButton(self.bus)
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
        self.bus.accesses.cpu_lines = heard_lines(description.cpu, self.bus)
        self.cpu.pulls_ready = ready_output(description.cpu, self.bus)
        self.bus.attach(self.cpu)
        check_overlaps(description, self.bus)
        self.cards: dict[int, CardView] = {seat.slot: CardView(self, seat) for seat in self.bus.seats}
        self.loaded: list[Area]
        self.loaded, notes = switch_on(self.bus, description, self.cpu, self.findings)
        self.faulting = Faulting(self.bus, description)
        self.faulting.begin(0)
        loaded = notes_of(self.bus, description.programs, self.loaded, start, self.labels)
        self.notes[:0] = [*filter(None, [told(self.faults)]), *notes, *loaded]
        self.warnings: list[Finding] = list(self.findings)
        self._telling.watch()

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
        wiring: Sequence[str] = (),
        faults: Sequence[str | Fault] = (),
        engine: str = "auto",
    ) -> Machine:
        """Build the machine that a file describes, and switch it on.

        Args:
            machine: a folder, a machine.toml, a kit, or demo:NAME.
            seed: replaces the file's seed.
            images: images by slot: a path, or the bytes themselves.
            clock: replaces the file's clock, e.g. "4 MHz".
            settings: replaces settings of cards, by slot and name.
            programs: put into RAM when the power comes on: "FILE@$0200", or a hex file.
            labels: label lists, debug files and the like besides those of the file.
            start: where the CPU goes on after RESET, instead of where the vector says: an address or a label.
            wiring: what is done to lines and pins besides, in sentences: "slot 4: D3 stuck low", "A5 shorted to A6".
            faults: what is wrong with it, in sentences: "slot 4: D3 sometimes open", "slot 2: bit 3 of $8123 low".
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
            wiring=wiring,
            faults=faults,
        )
        return cls(description, images, labels=[Path(path) for path in labels], engine=engine)

    @property
    def faults(self) -> tuple[Fault, ...]:
        """What is wrong with it on purpose; `str` of each is its sentence."""
        return self.description.faults

    @property
    def engine(self) -> str:
        """Engine chosen: auto, exact or core, see `load`; may be set between two runs, only the speed changes."""
        return self.cpu.engine

    @engine.setter
    def engine(self, name: str) -> None:
        self.cpu.refuse_while_running()
        self.finish_instruction()
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

    run = run_up_to

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
        self.finish_instruction()
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

    def step(self) -> int:
        """Run one instruction or one interrupt sequence, or the rest of it after step_cycle; returns the cycle."""
        check_registers(self.cpu)
        self.cpu.step()
        return self.cpu.cycle

    call = routine_call

    def settle(self) -> None:
        """Bring all cards up to date with the current cycle; no visible effect."""
        for seat in self.bus.seats:
            seat.advance(self.cycle)

    def reset(self) -> None:
        """Press the reset button now, for RESET_CYCLES cycles or RESET_SECONDS, whichever is longer."""
        self._reset_button.press(self.cycle, self.description.clock_hz)

    add_fault = add_fault

    def become(self, description: Description) -> None:
        """Be as another description of this machine says, from the next bus cycle on: with other faults."""
        self.description = description
        self.fingerprint = Fingerprint.of(description, self.images())
        self.identity = self.fingerprint.digest
        self.faulting.describe(description, self.cycle)

    def power_cycle(self) -> None:
        """Switch off and on again: time starts at cycle 0, RAM holds its power-up noise, queued input is gone.

        What a program wrote to EEPROM or flash is still there.
        """
        self.cpu.refuse_while_running()
        before = self.cycle
        for history in tuple(self.histories):
            history.about_to_be_another()
        fresh = Machine(self.description, self.images(), engine=self.engine)
        for seat, other in zip(self.bus.seats, fresh.bus.seats, strict=True):
            if kept := seat.kept(before):
                other.keep(kept)
            forget_pokes(self.bus, seat, other)
        self._states.adopt(fresh._states.snapshot())
        for history in tuple(self.histories):
            history.power_cycled(before)

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
        return self._telling.naming.labels

    @property
    def notes(self) -> list[str]:
        """What is to be told of it and is no finding: what could not be read of its label lists, and the like."""
        return self._telling.naming.notes

    def read_labels(self, path: Path) -> None:
        """Read a label list, debug file or the like besides those of the machine file; its source lines count, too.

        Raises:
            SimkitError: there is no such file, or the system does not let it be read.
        """
        naming = self._telling.naming
        naming.read(path)
        self._telling.name_anew(naming)

    def named_as(self, other: Machine) -> None:
        """Take over the names of a machine with the same program."""
        self._telling.name_anew(other._telling.naming)

    @property
    def source_lines(self) -> SourceLines:
        """Source lines behind addresses, as the files say that were named; read when first asked for."""
        return self._telling.source_lines

    # inside -----------------------------------------------------------------------------------------------------------

    def outside(self, slot: int, port: str, action: str, *arguments: Any, at: int | None = None) -> None:
        """Queue an outside event for the current cycle or cycle `at`."""
        if at is not None and not isinstance(at, int):
            raise SimkitError(f"at is {at!r}; a cycle is a whole number.", remedy="Write at=m.cycle + 1000, say.")
        self.bus.agenda.schedule(self.cycle if at is None else max(at, self.cycle), slot, port, action, arguments)

    def look_at_texts(self) -> None:
        """Have who waits for a text look whether it is there; does nothing while the CPU runs."""
        if not self.cpu.running:
            for wait in tuple(self.looking):
                wait.look()

    def last_queued(self, slot: int, port: str) -> int:
        """Cycle of the last outside event queued for a port, 0 when there is none."""
        return max((e[0] for e in self.bus.agenda.pending_outside() if (e[2], e[3]) == (slot, port)), default=0)

    peek = peek_memory
    memory = read_memory
    vectors = read_vectors
    poke = poke_memory

    @property
    def lines(self) -> Mapping[str, LineView]:
        """All lines by name: .level, .asserted (active low), .since."""
        return LineViews(self, self.bus.nets.lines)

    def last(self, n: int = 20) -> list[Executed]:
        """The last instructions executed, oldest first, at most 64: as many as are recorded without a gap.

        After a run there are 64. There may be fewer when the CPU halted or was held in RESET, as rounds of a waiting
        loop are not made, and none after a snapshot was loaded.
        """
        return self._telling.last(n)

    def last_folded(self, lines: int = 20) -> list[Executed | Loop]:
        """The last instructions, rounds of a loop together, with what led into it; that many lines or more."""
        return self._telling.last_folded(lines)

    @property
    def first_found(self) -> Finding | None:
        """The first finding since power-on or since a state was loaded, but for those of `warnings`."""
        return self._telling.first_found

    def led_to_first_found(self, lines: int = 20) -> list[Executed | Loop]:
        """The instructions up to `first_found`, that which brought it about among them, as far as they are known."""
        return self._telling.led_to_first_found(lines)

    def told(self, notes: Sequence[Note], lines: int = 20) -> list[Executed | Loop]:
        """The last of some instructions that were begun, (cycle, address) each, rounds of a loop together."""
        return self._telling.told(notes, lines)

    def place(self, address: int, seen: tuple[int, int] | None = None) -> Place:
        """Where an address is in the program: nearest label, source file and line.

        Args:
            address: of it.
            seen: slot and offset of the byte that the CPU saw there, as findings know it; None: what it sees now.
        """
        return self._telling.place(address, seen)

    def disassemble(self, address: int, n: int = 10) -> list[Instruction]:
        """The next `n` instructions from an address on."""
        check_address(address)
        return self._telling.disassemble(address, n)

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
        return self.bus.watchers.add(probe=probe)

    # stepping inside an instruction -----------------------------------------------------------------------------------

    def step_cycle(self) -> int:
        """Run exactly one bus cycle, also in the middle of an instruction; returns the cycle that comes next."""
        check_registers(self.cpu)
        self.cpu.step_cycle()
        return self.cpu.cycle

    @property
    def inside_instruction(self) -> bool:
        """Whether the last step_cycle stopped in the middle of an instruction."""
        return self.cpu.inside_instruction

    def finish_instruction(self) -> None:
        """Go on to the end of an instruction that was stopped in its middle."""
        if self.cpu.inside_instruction:
            self.cpu.step()

    # snapshot and past ------------------------------------------------------------------------------------------------

    remember = remember_past
    before = before_moment

    def save_state(self) -> bytes:
        """The whole state as a file.

        Raises:
            SimkitError: the machine stands inside an instruction.
        """
        return self._states.save()

    def state_hashes(self) -> dict[str, str]:
        """A hash of each part of the state (cpu, bus, findings, slot 1, ...), without the input still to come.

        Two machines that are the same and have the same hashes go on alike when the same input comes.

        Raises:
            SimkitError: the machine stands inside an instruction.
        """
        return self._states.hashes()

    def load_state(self, data: bytes) -> None:
        """Take back what `save_state` gave. Everything is checked; when something is wrong nothing has changed.

        A machine that stands inside an instruction finishes it before what only its parts can check is tried.

        Raises:
            SnapshotError: damaged, or of another machine.
        """
        self._states.load(data)
