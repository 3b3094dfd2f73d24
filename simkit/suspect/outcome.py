"""What one run of a candidate leaves: what its lines, screens, serial lines and memory showed."""

from __future__ import annotations

import zlib
from collections.abc import Sequence

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.contract.errors import SimkitError
from simkit.machine.machine import Machine
from simkit.machine.views import Screen, Serial
from simkit.outside.terminal_text import terminal_lines
from simkit.records.observed import BUS_LINES, Observed, Observer
from simkit.suspect.trial import MOMENTS, Trial

Words = NDArray[np.uint64]
SLICE_CYCLES = 20_000
"""Between two looks whether a run has gone wild."""


@attrs.frozen(eq=False)
class Stretch:
    """Some bus cycles of a run, packed.

    Attributes:
        since: number of the first.
        packed: levels of the lines, a word a cycle.
        fetches: addresses from which instructions were begun, each once.
    """

    since: int
    packed: bytes
    fetches: tuple[int, ...]

    @classmethod
    def of(cls, since: int, observed: Observed) -> Stretch:
        """Of what an observer saw."""
        cycles = observed.cycles
        fetches = np.unique(cycles.address[cycles.kind == 0]).tolist()
        # Transposed, bytes of neighbouring cycles that are alike stand together, and pack four times as well.
        planes = np.ascontiguousarray(observed.levels.view(np.uint8).reshape(-1, 8).T)
        return cls(since, zlib.compress(planes.tobytes(), 1), tuple(fetches))

    @property
    def levels(self) -> Words:
        """A word a cycle; bit i is the level of the i-th line."""
        planes = np.frombuffer(zlib.decompress(self.packed), np.uint8).reshape(8, -1)
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
        return np.frombuffer(zlib.decompress(packed), np.uint8).reshape(rows, columns)


@attrs.frozen(eq=False)
class Outcome:
    """What one run left.

    Attributes:
        head: the first bus cycles.
        tail: the last ones; None where the run was over before.
        looks: screens and terminals, in order; the last one at the end.
        cycle: at which the run ended.
        halted: why the CPU stands still, or "".
        is_wild: it asked cards for so many more accesses than the run without a fault that it was ended.
        pc: address of the next instruction.
        memory: by slot of a RAM what it holds, packed.
        trouble: why there was no run; then all else is empty.
    """

    head: Stretch | None
    tail: Stretch | None
    looks: tuple[Look, ...]
    cycle: int
    halted: str
    is_wild: bool
    pc: int
    memory: dict[int, bytes]
    trouble: str = ""

    @property
    def evidence(self) -> bytes:
        """Equal for runs that nobody could tell apart by what is kept of them."""
        return b"".join((*(one.packed for one in (self.head, self.tail) if one), *self._shown()))

    def _shown(self) -> list[bytes]:
        return [
            part
            for look in self.looks
            for part in (*(packed for *_, packed in look.pictures.values()), repr(look.texts).encode())
        ]


def run(trial: Trial, seed: int, fault: str, names: Sequence[str]) -> Outcome:
    """Run a candidate under one power-up; what cannot run gives its trouble."""
    try:
        machine = trial.machine(seed, fault)
        return _run(trial, machine, names)
    except SimkitError as error:
        return Outcome(None, None, (), 0, "", False, 0, {}, error.message)


def _run(trial: Trial, machine: Machine, names: Sequence[str]) -> Outcome:
    kept = trial.prepare(machine) if trial.prepare is not None else None
    head = _observed(machine, min(trial.head, trial.cycles), names)
    tail_from = max(machine.cycle, trial.cycles - trial.tail)
    looks: list[Look] = []
    for number in range(1, MOMENTS):
        _run_to(machine, min(tail_from, trial.cycles * number // MOMENTS), trial.most_accesses)
        looks.append(_look(machine))
    _run_to(machine, tail_from, trial.most_accesses)
    is_wild = machine.bus.accesses.made > trial.most_accesses
    goes_on = machine.cycle >= tail_from and not machine.cpu.halted
    end = trial.cycles if goes_on else machine.cycle + trial.tail  # a wild run is seen once more before it is left
    tail = _observed(machine, end, names) if machine.cycle < trial.cycles and not machine.cpu.halted else None
    looks.append(_look(machine))
    del kept
    memory = {
        seat.slot: zlib.compress(bytes(seat.plain.read), 1)
        for seat in machine.bus.seats
        if seat.plain is not None and seat.plain.read is not None and seat.plain.write is not None
    }
    cpu = machine.cpu
    return Outcome(head, tail, tuple(looks), machine.cycle, cpu.halted or "", is_wild, cpu.pc, memory)


def _run_to(machine: Machine, end: int, most_accesses: int) -> None:
    """Run up to a cycle, until the CPU halts, or until too many accesses came to cards."""
    while machine.cycle < end and not machine.cpu.halted and machine.bus.accesses.made <= most_accesses:
        machine.run_to(min(end, machine.cycle + SLICE_CYCLES))


def _observed(machine: Machine, end: int, names: Sequence[str]) -> Stretch:
    since = machine.cycle
    there = [name for name in names if _is_there(machine, name)]
    with Observer(machine, there) as observer:
        if not machine.cpu.halted:
            machine.run_to(end)
    observed = observer.observed
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


def _look(machine: Machine) -> Look:
    screens = machine.ports(Screen)
    texts = {screen.slot: screen.text() for screen in screens}
    texts |= {plug.slot: "\n".join(terminal_lines(plug.received)) for plug in machine.ports(Serial)}
    return Look(machine.cycle, {screen.slot: _picture(screen) for screen in screens}, texts)


def _picture(screen: Screen) -> tuple[int, int, bytes]:
    pixels = screen.pixels
    rows, columns = pixels.shape
    return rows, columns, zlib.compress(pixels.tobytes(), 1)
