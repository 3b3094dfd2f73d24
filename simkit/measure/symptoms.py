"""What a builder sees of a machine with faults while a program is played on it, each kind of symptom by itself.

The run is another than those of a search: another power-up, other hands, cut off at another moment. Captures are
spoilt. A symptom is there where it is not what the same run, with the same power-up and hands, shows without a fault.
"""

from __future__ import annotations

from collections.abc import Sequence

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.capture.captured import Captured, Words
from simkit.machine.machine import Machine
from simkit.machine.views import Screen
from simkit.measure.played import PLAYED
from simkit.records.observed import BUS_LINES, SELECT, Observer
from simkit.suspect.seen import Seen, SeenCapture, SeenPicture, SeenText
from simkit.suspect.trial import Trial

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
"""To cards, after which a builder looks at a machine that has gone wild: later it shows the same."""
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
        pixels: of the screen at the end, None where there is none.
        text: on it.
    """

    names: tuple[str, ...]
    levels: Words
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
    there = [name for name in names if _is_there(machine, name)]
    end = int(trial.cycles * part)
    with Observer(machine, there) as observer:
        while machine.cycle < end and not machine.cpu.halted and machine.bus.accesses.made <= MOST_ACCESSES:
            machine.run_to(min(end, machine.cycle + SLICE_CYCLES))
    observed = observer.observed
    levels = np.zeros(len(observed), np.uint64)
    for bit, name in enumerate(names):  # a line that nobody drives any longer reads high
        level = observed.level(name) if name in there else np.ones(len(observed), bool)
        levels |= level.astype(np.uint64) << np.uint64(bit)
    screens = machine.ports(Screen)
    pixels = screens[0].pixels.copy() if screens else None
    return Truth(tuple(names), levels, pixels, screens[0].text() if screens else "")


def _is_there(machine: Machine, name: str) -> bool:
    slot, dot, _ = name.partition(".")
    return int(slot) in machine.cards if dot else name in BUS_LINES or name in machine.lines


def symptom(kind: str, real: Truth, sound: Truth, chance: np.random.Generator) -> Seen | None:
    """The symptom of a kind; None where there is none.

    Args:
        kind: of KINDS.
        real: the run with faults.
        sound: the same without.
        chance: for noise, and for what is clipped where.
    """
    if kind == TEXT:
        return SeenText(real.text) if real.text.strip() and real.text != sound.text else None
    if kind == PICTURE:
        if real.pixels is None or sound.pixels is None or np.array_equal(real.pixels, sound.pixels):
            return None
        return SeenPicture(real.pixels)
    lines = [name for name in real.names if name in BUS_LINES or name.endswith(f".{SELECT}")]
    if kind == EIGHT:
        lines = sorted(chance.choice(np.array(lines), EIGHT_LINES, replace=False).tolist(), key=lines.index)
    window = _window(real, sound, lines, EIGHT_CYCLES if kind == EIGHT else CAPTURE_CYCLES, chance)
    return None if window is None else SeenCapture(_captured(window, real.names, lines, chance))


def _window(real: Truth, sound: Truth, lines: Sequence[str], length: int, chance: np.random.Generator) -> Words | None:
    """Bus cycles in which these lines go wrong: from RESET on where that is soon enough, else round that place."""
    mask = np.uint64(sum(1 << real.names.index(name) for name in lines))
    both = min(len(real.levels), len(sound.levels))
    differ = np.flatnonzero((real.levels[:both] ^ sound.levels[:both]) & mask)
    if not len(differ):
        return None
    at, begin = int(differ[0]), int(chance.integers(0, MOST_LATE))
    if not begin <= at < begin + length // 2:
        begin = max(0, at - int(chance.integers(0, length // 2)))
    window = real.levels[begin : begin + length]
    return window if len(window) >= SHORTEST_CAPTURE else None


def _captured(window: Words, names: Sequence[str], lines: Sequence[str], chance: np.random.Generator) -> Captured:
    """A spoilt capture of some lines."""
    count = len(window)
    levels = np.zeros(count, np.uint64)
    for place, name in enumerate(lines):
        levels |= (window >> np.uint64(names.index(name)) & np.uint64(1)) << np.uint64(place)
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
