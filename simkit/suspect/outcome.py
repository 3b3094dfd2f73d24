"""What one run of a candidate leaves: what its lines, screens, serial lines and memory showed."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Sequence

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.contract.errors import SimkitError
from simkit.machine.machine import Machine
from simkit.machine.views import Screen, Serial
from simkit.outside.terminal_text import terminal_lines
from simkit.records.cycles import Cycles
from simkit.records.observed import BUS_LINES, AddressLevels, Observed, Observer
from simkit.suspect.sound import Sound
from simkit.suspect.trial import Trial

Words = NDArray[np.uint64]
PIECE_CYCLES = 65_000
"""So many are compared at a time: what the processor still has at hand."""
FIRST_CYCLES = 16_000
"""After which it is looked whether a run has parted from the one without a fault; then twice as long, and so on."""
SLICE_CYCLES = 20_000
"""Between two looks whether a run has gone wild."""


def unpacked(packed: bytes, size: int) -> bytes:
    """Content of that size.

    Raises:
        SimkitError: it is damaged.
    """
    damaged = SimkitError("The runs that were kept are damaged.", remedy="Search anew, with another file.")
    try:
        found = zlib.decompressobj().decompress(packed, max(1, size))
    except zlib.error as error:
        raise damaged from error
    if len(found) != size:
        raise damaged
    return found


@attrs.frozen(eq=False)
class Stretch:
    """Some bus cycles of a run, packed.

    Attributes:
        since: number of the first.
        cycles: how many.
        packed: levels of the lines, a word a cycle.
        fetches: addresses from which instructions were begun, each once.
    """

    since: int
    cycles: int
    packed: bytes
    fetches: tuple[int, ...]

    @classmethod
    def of(cls, since: int, observed: Observed) -> Stretch:
        """Of what an observer saw."""
        cycles = observed.cycles
        fetched = np.zeros(0x1_0000, bool)
        fetched[cycles.address[cycles.kind == 0]] = True
        fetches = fetched.nonzero()[0].tolist()
        # Transposed, bytes of neighbouring cycles that are alike stand together, and pack four times as well.
        planes = np.ascontiguousarray(observed.levels.view(np.uint8).reshape(-1, 8).T)
        return cls(since, len(observed), zlib.compress(planes.tobytes(), 1), tuple(fetches))

    @property
    def levels(self) -> Words:
        """A word a cycle; bit i is the level of the i-th line."""
        planes = np.frombuffer(unpacked(self.packed, 8 * self.cycles), np.uint8).reshape(8, -1)
        found: Words = np.ascontiguousarray(planes.T).view(np.uint64).reshape(-1)
        return found


@attrs.frozen(eq=False)
class Look:
    """Screens and terminals at a moment.

    Attributes:
        cycle: when.
        pictures: of each screen by slot rows, columns, and palette numbers, packed.
        texts: what can be read on each screen, and was sent over each serial line, by slot.
    """

    cycle: int
    pictures: dict[int, tuple[int, int, bytes]]
    texts: dict[int, str]

    def pixels(self, slot: int) -> NDArray[np.uint8]:
        """Palette numbers of one screen, (rows, columns) uint8."""
        rows, columns, packed = self.pictures[slot]
        return np.frombuffer(unpacked(packed, rows * columns), np.uint8).reshape(rows, columns)


@attrs.frozen(eq=False)
class Outcome:
    """What one run left.

    Attributes:
        parted: bus cycle, counted from power-on, at which it parts from the run without a fault under the same
            power-up; None where it does not, or was not held against it. Up to there the one is the other.
        stretches: bus cycles that are kept, in order: from there on, at moments, and at the end; of the run without a
            fault all of them; of one that was not held against that those at the end.
        looks: screens and terminals, in order; the last one at the end.
        cycle: at which the run ended.
        halted: why the CPU stands still, or "".
        is_wild: it asked cards for so many more accesses than the run without a fault that it was ended.
        pc: address of the next instruction.
        memory: by slot of a RAM its size, and what it holds, packed.
        trouble: why there was no run; then all else is empty.
    """

    parted: int | None
    stretches: tuple[Stretch, ...]
    looks: tuple[Look, ...]
    cycle: int
    halted: str
    is_wild: bool
    pc: int
    memory: dict[int, tuple[int, bytes]]
    trouble: str = ""

    @property
    def evidence(self) -> bytes:
        """Equal for runs that nobody could tell apart by what is kept of them."""
        return b"".join((repr(self.parted).encode(), *(one.packed for one in self.stretches), *self._shown()))

    def _shown(self) -> list[bytes]:
        return [
            part
            for look in self.looks
            for part in (*(packed for *_, packed in look.pictures.values()), repr(look.texts).encode())
        ]


def run(trial: Trial, seed: int, fault: str, names: Sequence[str], sound: Sound | None) -> Outcome:
    """Run a candidate under one power-up; what cannot run gives its trouble.

    Args:
        trial: what it is put through.
        seed: of the power-up.
        fault: its sentence.
        names: lines to observe.
        sound: the run without a fault under the same power-up; None: of its bus cycles the end alone is kept.
    """
    try:
        machine = trial.machine(seed, fault)
        return _run(trial, machine, seed, names, sound)
    except SimkitError as error:
        return Outcome(None, (), (), 0, "", False, 0, {}, error.message)


def run_sound(trial: Trial, seed: int, sound: Sound) -> Outcome:
    """The run without a fault as an outcome, with all of its bus cycles."""
    found = run(trial, seed, "", sound.names, sound)
    cycles = Cycles(sound.words)
    whole = Stretch.of(0, Observed(sound.names, sound.levels, cycles))
    return attrs.evolve(found, stretches=(whole, *found.stretches))


def _run(trial: Trial, machine: Machine, seed: int, names: Sequence[str], sound: Sound | None) -> Outcome:
    kept = trial.prepared(machine, seed)
    looks: list[Look] = []
    drawn: dict[bytes, bytes] = {}
    moments, glances = trial.moments, trial.glances

    def look_at_due(cycle: int) -> None:
        while moments and moments[0] <= cycle:
            moments.pop(0)
            looks.append(_look(machine, drawn))

    there = [name for name in names if _is_there(machine, name)]
    levels = AddressLevels(machine, there)

    def observed(end: int) -> Stretch:
        since = machine.cycle
        with Observer(machine, there, levels=levels) as observer:
            if not machine.cpu.halted:
                machine.run_to(end)
        return _stretch(observer, since, slice(None), there, names)

    parted: int | None = None
    stretches: list[Stretch] = []
    if sound is not None:
        parted, stretches = _followed(trial, machine, names, sound, levels, look_at_due)
    made = machine.bus.accesses.made + trial.most_accesses
    for moment in tuple(moments):
        _run_to(machine, min(moment, trial.tail_from), made)
        looks.append(_look(machine, drawn))
        if sound is not None and moment in glances and machine.cycle >= moment and not machine.cpu.halted:
            stretches.append(observed(machine.cycle + trial.glance))
    _run_to(machine, trial.tail_from, made)
    is_wild = machine.bus.accesses.made > made
    if machine.cycle < trial.cycles and not machine.cpu.halted:  # a wild run is seen once more before it is left
        stretches.append(observed(min(trial.cycles, machine.cycle + trial.tail)))
    looks.append(_look(machine, drawn))
    del kept
    memory = {
        seat.slot: (len(seat.plain.read), zlib.compress(bytes(seat.plain.read), 1))
        for seat in machine.bus.seats
        if seat.plain is not None and seat.plain.read is not None and seat.plain.write is not None
    }
    cpu = machine.cpu
    return Outcome(parted, tuple(stretches), tuple(looks), machine.cycle, cpu.halted or "", is_wild, cpu.pc, memory)


def _followed(
    trial: Trial,
    machine: Machine,
    names: Sequence[str],
    sound: Sound,
    levels: AddressLevels,
    look_at_due: Callable[[int], None],
) -> tuple[int | None, list[Stretch]]:
    """Run until it has parted from the run without a fault, and as long behind that as is kept."""
    there = levels.names
    end, step = min(trial.tail_from, trial.followed), FIRST_CYCLES  # the end is looked at by itself
    parted: int | None = None
    with Observer(machine, there, levels=levels, like=sound.like(machine, levels)) as observer:

        def come() -> int:
            return observer.forgotten + len(observer.cycles)

        while machine.cycle < end and not machine.cpu.halted:
            if parted is None:
                target = min(end, machine.cycle + step)
                step *= 2
            else:
                target = min(trial.tail_from, machine.cycle + parted + trial.behind - come())
            stops = [moment for moment in trial.moments if machine.cycle < moment < target]
            while machine.cycle < target and not machine.cpu.halted:
                machine.run_to(min([target, machine.cycle + PIECE_CYCLES, *stops[:1]]))
                look_at_due(machine.cycle)
                stops = [moment for moment in stops if moment > machine.cycle]
                if parted is None:
                    parted = sound.parted(observer, there)
                    if parted is None and come() <= len(sound.words):
                        observer.forget()
                if parted is not None and come() >= parted + trial.behind:
                    observer.stop()  # nothing of what comes up to there is kept
            if parted is not None and come() >= parted + trial.behind:
                break
    if parted is None and machine.cpu.halted and come() < len(sound.words):
        parted = come()
    if parted is None:
        return None, []
    begin = parted - observer.forgotten
    return parted, [_stretch(observer, parted, slice(begin, begin + trial.behind), there, names)]


def _run_to(machine: Machine, end: int, most_accesses: int) -> None:
    """Run up to a cycle, until the CPU halts, or until too many accesses came to cards."""
    while machine.cycle < end and not machine.cpu.halted and machine.bus.accesses.made <= most_accesses:
        machine.run_to(min(end, machine.cycle + SLICE_CYCLES))


def _stretch(observer: Observer, since: int, rows: slice, there: Sequence[str], names: Sequence[str]) -> Stretch:
    observed = observer.part(rows)
    if len(there) < len(names):
        observed = attrs.evolve(observed, names=tuple(names), levels=_spread(observed, names))
    return Stretch.of(since, observed)


def _is_there(machine: Machine, name: str) -> bool:
    """Whether a line, or a select, is there with this fault; a card may be gone with its own."""
    slot, dot, _ = name.partition(".")
    return int(slot) in machine.cards if dot else name in BUS_LINES or name in machine.lines


def _spread(observed: Observed, names: Sequence[str]) -> Words:
    """Levels with each line at its bit; what is not there reads high, as a line that nobody drives."""
    levels = np.zeros(len(observed), np.uint64)
    for bit, name in enumerate(names):
        found = observed.level(name) if name in observed.names else np.ones(len(observed), bool)
        levels |= found.astype(np.uint64) << np.uint64(bit)
    return levels


def _look(machine: Machine, drawn: dict[bytes, bytes]) -> Look:
    """Screens and terminals as they are; `drawn` has pictures of this run packed, many of which stand still."""
    screens = machine.ports(Screen)
    texts = {screen.slot: screen.text() for screen in screens}
    texts |= {plug.slot: "\n".join(terminal_lines(plug.received)) for plug in machine.ports(Serial)}
    return Look(machine.cycle, {screen.slot: _picture(screen, drawn) for screen in screens}, texts)


def _picture(screen: Screen, drawn: dict[bytes, bytes]) -> tuple[int, int, bytes]:
    pixels = screen.pixels
    rows, columns = pixels.shape
    content = pixels.tobytes()
    packed = drawn.get(content)
    if packed is None:
        packed = drawn[content] = zlib.compress(content, 1)
    return rows, columns, packed
