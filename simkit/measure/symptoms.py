"""What a builder sees of a machine with faults while a program is played on it, each kind of symptom by itself.

The run is another than those of a search: another power-up, other hands, cut off at another moment. Captures are
spoilt. A symptom is there where it is not what the same run, with the same power-up and hands, shows without a fault.
What memory holds that nobody wrote is of the power-up: a fault that changes no more than that changes nothing that
anybody could notice.
"""

from __future__ import annotations

from collections.abc import Sequence

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.fault_sentences import read_fault
from simkit.capture.captured import Captured, Words
from simkit.machine.machine import Machine
from simkit.machine.views import Screen
from simkit.measure.played import PLAYED
from simkit.measure.unlike import is_unlike
from simkit.records.observed import BUS_LINES, SELECT, Observer
from simkit.suspect.seen import Seen, SeenCapture, SeenPicture, SeenText
from simkit.suspect.trial import Trial
from simkit.suspect.unset import power_up_memory, without_power_up

CAPTURE, EIGHT, PICTURE, TEXT = "capture", "eight", "picture", "text"
KINDS = {
    CAPTURE: "capture of the whole bus",
    EIGHT: "eight channels, 2,000 cycles",
    PICTURE: "picture on the screen",
    TEXT: "text on the screen",
}
CAPTURE_CYCLES = 20_000
EIGHT_CYCLES = 2_000
EIGHT_LINES = 8
WRONG_BITS = 0.01
"""Share of the cycles of a capture in which one line is wrong."""
LOST_ROWS = 0.002
"""Share of its cycles at which some are missing."""
SHORTEST_CAPTURE = 30
"""Bus cycles: a CPU that halts sooner leaves no more."""
MOST_LATE = 200
"""Cycles after power-on at which a capture that RESET triggers begins at the latest."""
SLICE_CYCLES = 20_000
MOST_ACCESSES = 300_000
"""To cards, after which a builder looks at a machine that has gone wild: later it shows the same. With faults in time
no waiting loop is passed over, and all accesses of a sound program count: such a run goes on to its end."""
SHORTEST = 0.95
"""Of the length of a program: when the builder looks at the screen at the earliest."""


@attrs.frozen
class Hands:
    """Puts hands on a machine, drawn by a seed; can be sent to another process."""

    program: str
    seed: int

    def __call__(self, machine: Machine) -> None:
        """Queue what they do."""
        PLAYED[self.program].put_hands_on(machine, self.seed)


@attrs.frozen(eq=False)
class Truth:
    """One run of the real machine.

    Attributes:
        names: lines that were observed.
        levels: of them from power-on, a word a bus cycle.
        told: the same with the data lines low where memory is read that nobody wrote until then.
        pixels: of the screen at the end, None where there is none.
        text: on it.
    """

    names: tuple[str, ...]
    levels: Words
    told: Words
    pixels: NDArray[np.uint8] | None
    text: str


def truth(trial: Trial, program: str, seed: int, faults: Sequence[str], names: Sequence[str]) -> Truth:
    """Run the real machine once.

    Args:
        trial: what the search puts candidates through, for its machine and length.
        program: that is played.
        seed: of power-up, hands and length.
        faults: that are in it.
        names: lines to observe.

    Raises:
        SimkitError: there can be no such machine.
    """
    part = np.random.default_rng(seed).uniform(SHORTEST, 1.0)
    description = trial.description.with_faults(list(faults)) if faults else trial.description
    machine = attrs.evolve(trial, description=description).machine(seed)
    Hands(program, seed)(machine)
    may_end = all(read_fault(fault).is_static for fault in faults)
    there = [name for name in names if _is_there(machine, name)]
    end = int(trial.cycles * part)
    with Observer(machine, there) as observer:
        while machine.cycle < end and not machine.cpu.halted and not (may_end and _is_wild(machine)):
            machine.run_to(min(end, machine.cycle + SLICE_CYCLES))
    observed = observer.observed
    levels = np.zeros(len(observed), np.uint64)
    for bit, name in enumerate(names):  # a line that nobody drives any longer reads high
        level = observed.level(name) if name in there else np.ones(len(observed), bool)
        levels |= level.astype(np.uint64) << np.uint64(bit)
    screens = machine.ports(Screen)
    pixels = screens[0].pixels.copy() if screens else None
    told = without_power_up(levels, names, power_up_memory(trial.machine(seed)))
    return Truth(tuple(names), levels, told, pixels, screens[0].text() if screens else "")


def _is_wild(machine: Machine) -> bool:
    return machine.bus.accesses.made > MOST_ACCESSES


def _is_there(machine: Machine, name: str) -> bool:
    slot, dot, _ = name.partition(".")
    return int(slot) in machine.cards if dot else name in BUS_LINES or name in machine.lines


@attrs.frozen(eq=False)
class Symptom:
    """What is seen of a run, and what it was before noise came to it.

    Attributes:
        kind: of KINDS.
        seen: as a builder hands it over.
        real: the run.
        begin, cycles: of a capture: where in the run it begins, and how long it is.
        lines: that are captured.
        is_hidden: whether a capture is not unlike the one without a fault: noise hides what is different.
    """

    kind: str
    seen: Seen
    real: Truth
    begin: int = 0
    cycles: int = 0
    lines: tuple[str, ...] = ()
    is_hidden: bool = False

    def is_shown_by(self, other: Truth) -> bool:
        """Whether another run, under the same power-up and with the same hands, shows the same in this place.

        A text and a picture are just the same; a capture is not unlike it by more than noise is, as with what is
        hidden.
        """
        if self.kind == TEXT:
            return other.text == self.real.text
        if self.kind == PICTURE:
            return _same_picture(self.real, other)
        mask = mask_of(self.real.names, self.lines)
        return not is_unlike(self.real.told, other.told, mask, self.begin, self.cycles)


def symptom(
    kind: str, real: Truth, sound: Truth, chance: np.random.Generator, parts: Sequence[Truth] = ()
) -> Symptom | None:
    """The symptom of a kind; None where there is none.

    Args:
        kind: of KINDS.
        real: the run with faults.
        sound: the same without.
        chance: for noise, and for what is clipped where.
        parts: the same with each part of the fault alone. Then what is handed over must itself be different from what
            is shown without a fault and by each part: a picture or text is another, a capture is unlike in more than
            noise does to it (`simkit.measure.unlike`), and is taken round the first place where all are different.
    """
    others = [sound, *parts]
    if kind == TEXT:
        there = bool(real.text.strip()) and all(real.text != other.text for other in others)
        return Symptom(kind, SeenText(real.text), real) if there else None
    if kind == PICTURE:
        if real.pixels is None or any(_same_picture(real, other) for other in others):
            return None
        return Symptom(kind, SeenPicture(real.pixels), real)
    lines = [name for name in real.names if name in BUS_LINES or name.endswith(f".{SELECT}")]
    if kind == EIGHT:
        lines = sorted(chance.choice(np.array(lines), EIGHT_LINES, replace=False).tolist(), key=lines.index)
    mask = mask_of(real.names, lines)
    places = [_parts_at(real, other, mask) for other in others]
    if any(place is None for place in places):
        return None
    at = max(place for place in places if place is not None)
    begin, cycles = _window(real, at, EIGHT_CYCLES if kind == EIGHT else CAPTURE_CYCLES, chance)
    if cycles < SHORTEST_CAPTURE:
        return None
    unlike = [is_unlike(real.told, other.told, mask, begin, cycles) for other in others]
    if parts and not all(unlike):
        return None
    captured = _captured(real.levels[begin : begin + cycles], real.names, lines, chance)
    return Symptom(kind, SeenCapture(captured), real, begin, cycles, tuple(lines), not unlike[0])


def _same_picture(one: Truth, other: Truth) -> bool:
    """Whether both show the same; what is not there shows nothing."""
    if one.pixels is None or other.pixels is None:
        return True
    return np.array_equal(one.pixels, other.pixels)


def mask_of(names: Sequence[str], lines: Sequence[str]) -> int:
    """Bits of some lines in words of all."""
    return sum(1 << names.index(name) for name in lines)


def _parts_at(real: Truth, other: Truth, mask: int) -> int | None:
    """First bus cycle in which these lines of two runs differ."""
    both = min(len(real.levels), len(other.levels))
    differ = np.flatnonzero((real.told[:both] ^ other.told[:both]) & np.uint64(mask))
    return int(differ[0]) if len(differ) else None


def _window(real: Truth, at: int, length: int, chance: np.random.Generator) -> tuple[int, int]:
    """First cycle and length of a capture of a place: from RESET on where that is soon enough, else round it."""
    begin = int(chance.integers(0, MOST_LATE))
    if not begin <= at < begin + length // 2:
        begin = max(0, at - int(chance.integers(0, length // 2)))
    return begin, max(0, min(length, len(real.levels) - begin))


def exact(window: Words, names: Sequence[str], lines: Sequence[str]) -> Captured:
    """A capture of some lines that misses nothing.

    Args:
        window: words of a run, bit i of names[i].
        names: of all lines of the run.
        lines: that are captured.
    """
    count = len(window)
    levels = np.zeros(count, np.uint64)
    for place, name in enumerate(lines):
        levels |= (window >> np.uint64(names.index(name)) & np.uint64(1)) << np.uint64(place)
    known = np.full(count, (1 << len(lines)) - 1, np.uint64)
    return Captured(tuple(lines), levels, known, np.arange(count, dtype=np.float64), np.zeros(count, bool))


def _captured(window: Words, names: Sequence[str], lines: Sequence[str], chance: np.random.Generator) -> Captured:
    """A spoilt capture of some lines."""
    count, levels = len(window), exact(window, names, lines).levels
    wrong = chance.random(count) < WRONG_BITS
    levels ^= np.where(wrong, np.uint64(1) << chance.integers(0, len(lines), count).astype(np.uint64), np.uint64(0))
    kept, lost = _lost(count, chance)
    known = np.full(count, (1 << len(lines)) - 1, np.uint64)
    time = np.arange(count, dtype=np.float64)
    return Captured(tuple(lines), levels[kept], known[kept], time[kept], lost[kept])


def _lost(count: int, chance: np.random.Generator) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which cycles there are, and before which of them some are missing."""
    kept, lost = np.ones(count, bool), np.zeros(count, bool)
    for start in np.flatnonzero(chance.random(count) < LOST_ROWS):
        end = min(count, int(start) + int(chance.integers(1, 6)))
        kept[start:end] = False
        if end < count:
            lost[end] = True
    return kept, lost
