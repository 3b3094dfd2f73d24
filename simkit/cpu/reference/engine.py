"""The exact engine: a 6502 or W65C02S that does in every clock cycle what the part does on its bus, in order.

`ExactCpu` is py65's MPU with everything that touches memory replaced: registers, `instruct` (the table of 256
functions) and the names of vectors are py65's; the functions in the table come from compiled.py, one bus cycle after
another. Cycle by cycle the truth is in `read_cycle` and `write_cycle`; `run` uses quick functions where nobody could
tell the difference.

RESET: in the first cycle whose sample shows RESET low the instruction under way is given up before its access, so that
no write happens any more. While it is low every cycle reads the address in PC. The first cycle with RESET high again is
the first of the seven of the reset sequence.
SO: a falling edge sampled by the penultimate cycle of an instruction sets V at its end, a later one with the next.
"""

from __future__ import annotations

import hashlib
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING, Any, Protocol

import attrs

from simkit.backplane.bus import Bus
from simkit.backplane.cycle import Kind
from simkit.backplane.recording import HANDLER_ENDS
from simkit.contract.errors import SimkitError
from simkit.contract.shapes import BYTE, CYCLE, FLAG, TEXT, WORD, choice, optional, record
from simkit.cpu.reference.bus_cycles import BusCycles, ResetPulled
from simkit.cpu.reference.compiled import handlers
from simkit.cpu.reference.going import Going
from simkit.cpu.reference.recognise import NMI, Recogniser
from simkit.cpu.reference.stepping import CycleStepper

if TYPE_CHECKING:
    from simkit.contract.findings import Findings
    from simkit.contract.lines import Line, Pin

LAST_NOTES = 64
"""Instructions without a gap that are noted at least at the end of a run."""

MOST_NOTES = 8192
"""Instructions that are noted: as many as the core notes."""

QUICK_MARGIN = 7
"""A quick instruction has at most 8 cycles; the last must lie before the horizon."""

DATA, DUMMY, INTERRUPT, RESET = Kind.DATA, Kind.DUMMY, Kind.INTERRUPT, Kind.RESET


REGISTERS = {
    **dict.fromkeys(("a", "x", "y", "sp", "p", "last"), BYTE),
    "pc": WORD,
    "cycle": CYCLE,
    "due": optional(choice("IRQ", "NMI")),
    "halted": optional(TEXT),
    **dict.fromkeys(("waiting", "jammed", "reset_due"), FLAG),
}
"""What is saved of the CPU under the names of its attributes."""
STATE = record(**REGISTERS, so_edge=optional(CYCLE), nmi=NMI)


@attrs.frozen
class BeforeLoop:
    """What led into a loop that goes on, of which rounds were counted instead of made.

    Attributes:
        notes: (cycle, pc) of the instructions up to the first rounds of it.
        instructions: of a round.
        rounds: that are neither among these nor among the last instructions.
    """

    notes: list[tuple[int, int]]
    instructions: int
    rounds: int


class Recent(Protocol):
    """(cycle, pc) of the last instructions begun, oldest first."""

    def __len__(self) -> int: ...
    def __getitem__(self, index: int, /) -> tuple[int, int]: ...
    def __iter__(self) -> Iterator[tuple[int, int]]: ...

    def append(self, note: tuple[int, int], /) -> None:
        """Note an instruction; the oldest goes when there are MOST_NOTES."""

    def extend(self, notes: Iterable[tuple[int, int]], /) -> None:
        """Note several."""

    def clear(self) -> None:
        """Forget all."""


class ExactCpu(BusCycles):
    """One CPU on one bus: instructions, sequences, and what comes next.

    Attributes:
        part: "6502" or "65C02".
        due: the sequence that comes next: "NMI", "IRQ", or None for an instruction.
        waiting: stopped by WAI.
        halted: why the CPU stands still until RESET, or None.
        start: where the sequence of RESET leads, as a loader would have it; None: where the vector says.
        running: whether it runs now: a card, a probe or a sink of records asks.
        pc_left: PC as the CPU left it when it ran last; another one was set by hand.
        recent: (cycle, pc) of the last instructions begun, at most MOST_NOTES, without a gap; a convenience for people,
            not part of the state that is saved.
        stops: not 0 at the addresses at which somebody wants to know that the program arrives; None: nowhere.
    """

    def __init__(
        self,
        part: str,
        bus: Bus,
        findings: Findings,
        seed: int,
        *,
        wait_states: str = "ready",
        indexed_store_spare: str = "target",
        magic: int = 0xEE,
    ) -> None:
        self.part = part
        self.findings = findings
        self.recent: Recent = deque(maxlen=MOST_NOTES)
        self.recogniser = Recogniser(bus.nets)
        self._seed = seed
        self.start: int | None = None
        self._stepper: CycleStepper | None = None
        self.running = False
        self._until = 0
        self._between: list[Callable[[], None]] = []  # to be called when the instruction under way is over
        self._arrivals: dict[int, list[Callable[[], None]]] = {}
        self._arrived = -1  # cycle in which an arrival was told last
        self.stops: bytearray | None = None
        bus.nets.observe("SO", self._so_moved)
        super().__init__(bus, cmos=part == "65C02", stretch=wait_states == "stretch", magic=magic)
        self.instruct, self.quick = handlers(part, indexed_store_spare == "operand")

    def leave_to_reference(self, opcodes: Iterable[int], whose: object) -> None:
        """Have each bus cycle of these opcodes come from here: it does so anyway."""

    def last_notes(self, most: int = LAST_NOTES) -> list[tuple[int, int]]:
        """The last of `recent`, oldest first."""
        recent = self.recent
        return [recent[number] for number in range(-min(most, len(recent)), 0)]

    @property
    def before_loop(self) -> BeforeLoop | None:
        """What led into the loop that the last instructions are of; None where no rounds of it were skipped."""
        return None

    @property
    def held(self) -> bool:
        """Whether the next step is not an instruction: RESET low, WAI, or halted."""
        return self.waiting or self.halted is not None or not self._reset.level

    @property
    def reset_low(self) -> bool:
        """Whether RESET is low."""
        return not self._reset.level

    @property
    def inside_instruction(self) -> bool:
        """Whether cycle stepping has stopped between two bus cycles of one instruction or sequence."""
        return self._stepper is not None and self._stepper.inside

    def power_on(self) -> None:
        """Power comes up: registers undefined (seeded); the next step is the reset sequence, from cycle 0."""
        self._drop_instruction()
        noise = hashlib.shake_128(f"{self._seed}/cpu".encode()).digest(8)
        self.a, self.x, self.y, self.sp = noise[:4]
        self.p = noise[4]
        self.pc = noise[5] << 8 | noise[6]
        self.pc_left = self.pc
        self.last = noise[7]
        self.cycle = self.began = self.first = 0
        self.due: str | None = None
        self.waiting = False
        self.halted: str | None = None
        self.jammed = False
        self.masked = 1
        self.reset_due = True
        self._stalled_at = -1
        self._so_edge: int | None = None
        self.recogniser.forget()
        self.recent.clear()

    def reset(self) -> None:
        """py65's name for `power_on`."""
        self.power_on()

    def choose_vector(self) -> int:
        """The vector that BRK, IRQ or NMI will fetch; an NMI seen by now takes the sequences of the NMOS part over."""
        return self._vector_by(self.cycle - 1)

    def _vector_by(self, cycle: int) -> int:
        """The vector that is chosen behind a cycle."""
        nmi = self.due == "NMI" or (not self.cmos and self.recogniser.edge_by(cycle))
        return int(self.NMI if nmi else self.IRQ)

    def fetch_vector(self, vector: int, kind: Kind) -> None:
        """The last two cycles of BRK and of the sequences: VPB is low."""
        lines = self._bus.accesses.cpu_lines
        if lines is None:
            super().fetch_vector(vector, kind)
            return
        lines.vector = True
        try:
            super().fetch_vector(vector, kind)
        finally:
            lines.vector = False

    def vector_fetched(self, vector: int) -> None:
        """A sequence is over. RESET and NMI leave no NMI edge behind that came before."""
        if vector != self.IRQ:
            self.recogniser.serviced(self.cycle - 1)

    def stop(self) -> None:
        """STP: nothing but RESET restarts the CPU."""
        self.halted = f"stopped by STP at ${self.pc - 1 & 0xFFFF:04X}"

    def jam(self, code: int) -> None:
        """An opcode that locks the sequencer of the NMOS part up."""
        at = self.pc - 1 & 0xFFFF
        self.jammed = True
        self.halted = f"jammed by opcode ${code:02X} at ${at:04X}"
        self.findings.add(
            "cpu-jammed",
            self.cycle - 1,
            f"The CPU is {self.halted}: it accepts no interrupt and waits for RESET.",
            address=at,
        )

    # running --------------------------------------------------------------------------------------------------------

    def at_arrival(self, address: int, call: Callable[[], None]) -> None:
        """Have it told whenever the instruction at an address is next; no interrupt or reset sequence comes before it.

        What is called sees the machine between two instructions, with `cycle` as that of the opcode fetch to come.
        """
        self._arrivals.setdefault(address, []).append(call)
        self._stops_changed()

    def no_more_at_arrival(self, address: int, call: Callable[[], None]) -> None:
        """Take back what `at_arrival` did."""
        calls = self._arrivals[address]
        calls.remove(call)
        if not calls:
            del self._arrivals[address]
        self._stops_changed()

    def _stops_changed(self) -> None:
        self.stops = bytearray(0x10000) if self._arrivals else None
        for address in self._arrivals:
            assert self.stops is not None
            self.stops[address] = 1

    def after_instruction(self, call: Callable[[], None]) -> None:
        """Have it called once, when the instruction or sequence under way is over, before the next one."""
        self._between.append(call)
        self.attention = True

    def end_run(self) -> None:
        """Have a run under way end between this instruction and the next."""
        self._until = 0
        self.attention = True

    def _tell_between(self) -> None:
        """An instruction is over, and somebody wanted to know."""
        while self._between:
            self._between.pop(0)()

    def _arrives(self) -> bool:
        """Tell that the program arrives where it stands; whether anybody was told for the first time in this cycle."""
        if self.due is not None or self.held or self.reset_due or self._arrived == self.cycle:
            return False
        self._arrived = self.cycle
        for call in tuple(self._arrivals.get(self.pc, ())):
            call()
        return True

    def step(self) -> None:
        """One instruction, or one interrupt or reset sequence, or one cycle while the CPU is held.

        Inside an instruction (cycle stepping): the rest of it.
        """
        with self._going():
            self._step_on()

    def _step_on(self) -> None:
        if self._stepper is not None and self._stepper.inside:
            self._stepper.finish()
        else:
            if self.stops is not None and self.stops[self.pc]:
                self._arrives()
            self._step()
        self._tell_between()

    def refuse_while_running(self) -> None:
        """Raise where a card, a probe or a sink of records wants what is possible between two runs only."""
        if self.running:
            raise SimkitError(
                f"The machine is running: it is inside a bus cycle near cycle {self.cycle}, which nothing may run, "
                "save or change now.",
                remedy="Note what is to be done, and do it when run() or step() has come back.",
            )

    def _going(self) -> Going:
        self.refuse_while_running()
        return Going(self, self._bus)

    def step_cycle(self) -> None:
        """One bus cycle.

        Raises:
            SimkitError: there is no greenlet package here.
        """
        if self._stepper is None:
            self._stepper = CycleStepper(self, self._step)
        with self._going():
            if not self._stepper.inside and self.stops is not None and self.stops[self.pc]:
                self._arrives()
            self._stepper.cycle()
            if not self._stepper.inside:
                self._tell_between()

    def _drop_instruction(self) -> None:
        if self._stepper is not None:
            self._stepper.drop()

    def _step(self) -> None:
        self.attention = False
        try:
            if self.reset_due:
                self._step_reset()
            elif self.halted is not None:
                self.read_cycle(self._hold_address(), DUMMY)
            elif self.waiting:
                self.read_cycle(self.pc, DUMMY)
                self._look_for_wake()
            elif self.due is not None:
                self._step_interrupt()
            else:
                self._step_instruction()
        except ResetPulled:
            self._given_up_for_reset()
        if self.pulls_ready is not None:
            self._pull_ready(self.pulls_ready)
        self._take_so_edge()

    def _pull_ready(self, pin: Pin) -> None:
        """WAI holds RDY low from the cycle behind it up to the one in which it is woken."""
        pin.drive(False if self.waiting else None, self.cycle)
        if self._bus.nets.queue:
            self._bus.settle(self.cycle)

    def _given_up_for_reset(self) -> None:
        self.reset_due = True
        self.due = None
        self.waiting = False
        self.halted = None
        self.jammed = False
        self._hold_in_reset()

    def _take_so_edge(self) -> None:
        if self._so_edge is not None and self._so_edge <= self.cycle - 2:
            self.v = 1
            self._so_edge = None

    def _step_instruction(self, code: int | None = None) -> None:
        """An instruction; where its opcode was fetched, what is behind it."""
        recording = self._bus.recording
        if code is None:
            pc = self.pc
            recent = self.recent
            begun = self.cycle, pc
            if not recent or recent[-1] != begun:  # a quick one, which could not be finished, has noted it
                recent.append(begun)
            self.masked = self.i
            if recording.each:
                self._note_registers(at_handler=False)
            code = self.read_cycle(pc, Kind.FETCH)
            self.first = self.cycle - 1
            self.pc = pc + 1 & 0xFFFF
        self.polls = None
        self.instruct[code](self)
        if recording.handlers and code in HANDLER_ENDS:
            self._note_registers(at_handler=True)
        polls = self.polls
        self.due = self.recogniser.decide((self.began - 1,) if polls is None else polls, bool(self.masked))
        if self.waiting:
            if self.due is not None:
                self.waiting = False
            else:
                self._look_for_wake()

    def _note_registers(self, *, at_handler: bool) -> None:
        """Record the registers as they are before the cycle that comes."""
        ring = self._bus.recording.ring
        assert ring is not None
        ring.add_registers(self.cycle, self.pc, self.a, (self.x, self.y, self.sp, self.p), at_handler=at_handler)

    def _look_for_wake(self) -> None:
        """WAI ends when NMI is latched or IRQ is low, whatever I is; with I set the next instruction follows."""
        cycle = self.cycle - 1
        if self.recogniser.edge_by(cycle) or not self.irq_line.level_at(cycle):
            self.waiting = False
            self.due = self.recogniser.decide((cycle,), bool(self.i))

    def _step_interrupt(self) -> None:
        self.read_cycle(self.pc, Kind.INTERRUPT_FETCH)
        self.read_cycle(self.pc, INTERRUPT)
        self.enter_handler(0, INTERRUPT)
        if self._bus.recording.handlers:
            self._note_registers(at_handler=True)

    def _step_reset(self) -> None:
        if self.cycle >= self.horizon:
            self._bus.agenda.begin(self.cycle)
        if not self._reset.level:
            self._hold_in_reset()
            return
        self.read_cycle(self.pc, RESET)
        self.read_cycle(self.pc, RESET)
        for _ in range(3):  # pushes with R/W held high
            self.read_cycle(0x100 | self.sp, RESET)
            self.sp = self.sp - 1 & 0xFF
        self.fetch_vector(self.RESET, RESET)
        if self.start is not None:
            self.pc = self.start
        self.reset_due = False

    def _hold_in_reset(self) -> None:
        """One cycle with RESET low; RDY counts for nothing."""
        pc = self.pc
        page = self.rd[pc >> 8]
        self.last = page[pc & 0xFF] if page is not None else self._bus_read(pc, self.cycle, RESET)
        self.cycle += 1

    def _hold_address(self) -> int:
        return 0xFFFF if self.jammed else int(self.pc)

    def run(self, until: int) -> None:
        """Steps up to the first boundary at or after cycle `until`, or up to the one at which the CPU halts."""
        with self._going():
            self._run(until)

    def _run(self, until: int) -> None:
        self._until = until
        if self.inside_instruction:
            self._step_on()
        recording = self._bus.recording
        while self.cycle < self._until:
            if recording.ring is not None:
                recording.ring.raise_failure()
            if self.held or self.reset_due:
                self._skip(self._until)
            elif self.due is None and self._so_edge is None and self.recogniser.quiet(bool(self.i), self.cycle):
                self._run_quick(min(self._until, self.horizon - QUICK_MARGIN))
                if self._between:
                    self._tell_between()
                    continue
                if self.halted is not None:
                    return
            if self.cycle < self._until:
                if self.stops is not None and self.stops[self.pc] and self._arrives():
                    continue
                halted_before = self.halted is not None
                self._step()
                if self._between:
                    self._tell_between()
                if self.halted is not None and not halted_before:
                    return
        if self.stops is not None and self.stops[self.pc]:
            self._arrives()

    def _run_quick(self, stop: int) -> None:
        """Quick instructions while the cycle is below `stop` and all memory they touch is plain."""
        rd = self.rd
        quick = self.quick
        note = self.recent.append
        stops = self.stops
        while self.cycle < stop:
            pc = self.pc
            page = rd[pc >> 8]
            here = pc & 0xFF
            if page is None or here > 252 or (stops is not None and stops[pc]):
                return
            note((self.cycle, pc))
            if quick[page[here]](self, page, here):
                return

    def _skip(self, until: int) -> None:
        """While held on plain memory and no line moves, cycles pass alike up to the horizon."""
        until = min(until, self.horizon)
        if self._reset.level:
            if self.reset_due or (self.waiting and not (self.irq_line.level and self.recogniser.edge is None)):
                return
        elif not self.reset_due:
            return
        address = self._hold_address()
        page = self.rd[address >> 8]
        if page is not None and self.cycle < until and self._so_edge is None:
            self.last = page[address & 0xFF]
            self.cycle = until

    def _so_moved(self, line: Line, cycle: int) -> None:
        if not line.level and self._so_edge is None:
            self._so_edge = line.since

    # snapshot -------------------------------------------------------------------------------------------------------

    def save(self) -> dict[str, Any]:
        """State for a snapshot, taken between instructions: JSON values.

        Raises:
            SimkitError: cycle stepping stands inside an instruction.
        """
        if self.inside_instruction:
            raise SimkitError(
                "The CPU is inside an instruction; its state there cannot be saved.",
                remedy="Finish the instruction with step(), then save.",
            )
        state = {name: getattr(self, name) for name in REGISTERS}
        return {**state, "so_edge": self._so_edge, "nmi": self.recogniser.save()}

    def load(self, state: Any) -> None:
        """Take back what `save` gave; every field is checked before anything changes.

        Raises:
            StateError: it is nothing of the kind.
        """
        new = STATE.take(state)
        self._drop_instruction()
        self.recogniser.load(new["nmi"])
        for name in REGISTERS:
            setattr(self, name, new[name])
        self.pc_left = self.pc
        self.began = self.first = self.cycle - 1
        self._arrived = self._stalled_at = -1
        self._so_edge = new["so_edge"]
        self.recent.clear()
        self.attention = True


def make_exact(
    name: str,
    bus: Bus,
    findings: Findings,
    seed: int,
    *,
    wait_states: str = "ready",
    indexed_store_spare: str = "target",
    magic: int = 0xEE,
    cpu: type[ExactCpu] = ExactCpu,
) -> ExactCpu:
    """The exact engine for a part.

    Args:
        name: "6502" (NMOS) or "65C02" (W65C02S).
        bus: the bus it works on.
        findings: where a jammed CPU is reported.
        seed: seed of the machine, for the undefined registers.
        wait_states: how `wait_cycles` of cards are made: "ready" (RDY low: reads repeat) or "stretch" (PHI2 held high).
        indexed_store_spare: W65C02S, indexed store that crosses no page: its spare cycle reads the "target" or once
            more the last "operand" byte.
        magic: NMOS, the constant in ANE and LXA; it differs from chip to chip (EE, EF, FF and 00 were seen).
        cpu: class of the engine; the one with the core beside it stands on this one.

    Raises:
        SimkitError: unknown name or option.
    """
    for value, known, what in (
        (name, ("6502", "65C02"), "CPU"),
        (wait_states, ("ready", "stretch"), "wait_states"),
        (indexed_store_spare, ("target", "operand"), "indexed_store_spare"),
    ):
        if value not in known:
            raise SimkitError(f"{what} {value!r} is not known.", remedy=f"Write {known[0]!r} or {known[1]!r}.")
    return cpu(name, bus, findings, seed, wait_states=wait_states, indexed_store_spare=indexed_store_spare, magic=magic)
