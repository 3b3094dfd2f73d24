"""Which lines to clip with few channels, the trigger and the rate: judged by what the lines tell of a run.

A line is worth what it adds to what the others tell already: the bits of a bus cycle's pattern that are not known
without it (its conditional entropy over the cycles of a run, Shannon, A Mathematical Theory of Communication, Bell
System Technical Journal 27, 1948, section 6). A line that never moves tells nothing, nor does one that follows others.
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from typing import Any

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.wiring import DATA_LINES
from simkit.capture.cycles import frequency
from simkit.contract.errors import SimkitError, near
from simkit.files.formats import Format
from simkit.machine.machine import Machine
from simkit.records.observed import BUS_LINES, Observer

CLOCK = "PHI2"
SAMPLES = 10
"""A bus cycle, at least, from memory: the data lines settle within a half of it, and edges are found to a tenth."""
RATES_MHZ = (1, 2, 4, 8, 12, 16, 20, 24, 25, 48, 50, 100, 200, 500)
"""Of analysers, from memory."""
HEAD = "# Channels of a logic analyser, as planned by simkit compare --plan.\n"
CHANNELS_FILE = Format("a plan of channels written by simkit", lambda content: content.startswith(HEAD.encode()))


@attrs.frozen
class Plan:
    """What to clip where.

    Attributes:
        machine: its name.
        lines: of the channels, in order; the first is PHI2.
        gains: bits a cycle that each adds to those before it.
        whole: bits a cycle that all lines of the bus would tell.
        trigger: on what.
        rate_hz: at least.
        slot: of the card that is looked at; None: the whole machine.
        cycles: of the run, in which that card is reached.
        notes: what is to be said besides.
    """

    machine: str
    lines: tuple[str, ...]
    gains: tuple[float, ...]
    whole: float
    trigger: str
    rate_hz: int
    slot: int | None
    cycles: int
    notes: tuple[str, ...]

    def words(self) -> list[str]:
        """For people."""
        told = sum(self.gains)
        of_all = f" of {self.whole:.1f}" if self.whole else ""
        lines = [f"Clip {len(self.lines)} channels:"]
        lines += [
            f"  channel {number}: {_place(line):<34} {_gain(line, gain)}"
            for number, (line, gain) in enumerate(zip(self.lines, self.gains, strict=True))
        ]
        lines += [
            f"Together they tell {told:.1f}{of_all} bits of each of {self.cycles} bus cycles.",
            f"Trigger on {self.trigger}.",
            f"Sample at {frequency(self.rate_hz)} or faster, 2 000 bus cycles or more behind the trigger.",
        ]
        return [*lines, *self.notes]

    def toml(self) -> str:
        """The file of the channels."""
        rows = "".join(f'"Channel {number}" = "{line}"\n' for number, line in enumerate(self.lines))
        return f"{HEAD}# Put the names of your analyser's channels on the left.\n\n[channels]\n{rows}"

    def as_dict(self) -> dict[str, Any]:
        """For programs."""
        return {
            "machine": self.machine,
            "slot": self.slot,
            "channels": [
                {"channel": number, "line": line, "bits": gain}
                for number, (line, gain) in enumerate(zip(self.lines, self.gains, strict=True))
            ],
            "bits_of_all": self.whole,
            "trigger": self.trigger,
            "rate_hz": self.rate_hz,
            "cycles": self.cycles,
            "notes": list(self.notes),
        }


def _gain(line: str, gain: float) -> str:
    return "the clock" if line == CLOCK else f"{gain:.2f} bits a cycle more"


def _place(line: str) -> str:
    slot, dot, pin = line.partition(".")
    if not dot:
        return line
    return f"{'select' if pin == 'select' else f'pin {pin}'} of the card in slot {slot}"


def plan_for(machine: Machine, run: Callable[[], object], channels: int, slot: int | None = None) -> Plan:
    """A plan for an analyser with so many channels.

    Args:
        machine: as it should be.
        run: has it run as far as it shall.
        channels: of the analyser, at least 2.
        slot: the card to be looked at; None: the whole machine.

    Raises:
        SimkitError: too few channels, no such slot, or the run never reaches the card.
    """
    if channels < 2:
        raise SimkitError("One channel is PHI2; with none beside it nothing is told.", remedy="Give it 2 or more.")
    slots = {str(seat.slot): seat for seat in machine.bus.seats}
    if slot is not None and str(slot) not in slots:
        raise SimkitError(f"There is no card in slot {slot}.", remedy=near(str(slot), slots))
    selects = [f"{number}.select" for number in slots]
    pulled = [name for name in ("IRQ", "NMI") if name in machine.lines]
    with Observer(machine, (*BUS_LINES, *selects, *pulled)) as observer:
        run()
    observed = observer.observed
    if not len(observed):
        raise SimkitError("The machine has not run for a cycle.", remedy="Let it run longer (--for).")
    levels = {name: observed.level(name) for name in observed.names}
    here = np.ones(len(observed), bool) if slot is None else ~levels[f"{slot}.select"]
    if not here.any():
        raise SimkitError(
            f"The run never reaches the card in slot {slot}.", remedy="Let it run longer (--for), or give it input."
        )
    reached = {name: level[here] for name, level in levels.items()}
    chosen = [] if slot is None else [f"{slot}.select"]
    gains = [0.0] * len(chosen)
    pattern = np.zeros(int(here.sum()), np.int64)
    told = 0.0
    while len(chosen) < channels - 1:
        candidates = [name for name in reached if name not in chosen]
        if not candidates:
            break
        worth = {name: _entropy(pattern * 2 + reached[name]) - told for name in candidates}
        best = max(candidates, key=lambda name: (round(worth[name], 6), name in DATA_LINES, -candidates.index(name)))
        if worth[best] <= 1e-9:
            break
        chosen.append(best)
        gains.append(worth[best])
        pattern, told = _joined(pattern, reached[best]), told + worth[best]
    every = np.zeros_like(pattern)
    for level in reached.values():
        every = _joined(every, level)
    return Plan(
        machine.description.name,
        (CLOCK, *chosen),
        (0.0, *gains),
        _entropy(every),
        _trigger(machine, levels, slot),
        _rate(machine.description.clock_hz),
        slot,
        int(here.sum()),
        _notes(channels, len(chosen) + 1),
    )


def _joined(pattern: NDArray[np.int64], level: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Numbers of the patterns with a line more; those that come are numbered from 0, so counting does for sorting."""
    both = pattern * 2 + level
    number = np.cumsum(np.bincount(both) > 0) - 1
    found: NDArray[np.int64] = number[both].astype(np.int64, copy=False)
    return found


def _entropy(pattern: NDArray[np.int64]) -> float:
    counts = np.bincount(pattern).astype(np.float64)
    share = counts[counts > 0] / len(pattern)
    return float(-(share * np.log2(share)).sum())


def _trigger(machine: Machine, levels: dict[str, NDArray[np.bool_]], slot: int | None) -> str:
    if slot is not None:
        first = int(np.flatnonzero(~levels[f"{slot}.select"])[0])
        return (
            f"the falling edge of the select of {machine.cards[slot].title}; it is first reached in cycle {first} "
            "after power-on"
        )
    return "RESET going high (hold the button, arm the analyser, let go): everything begins there"


def _rate(clock_hz: Fraction) -> int:
    wanted = clock_hz * SAMPLES
    return next((mhz * 1_000_000 for mhz in RATES_MHZ if mhz * 1_000_000 >= wanted), int(wanted))


def _notes(channels: int, used: int) -> tuple[str, ...]:
    notes = ["An analyser with an input for a clock takes PHI2 there (falling edge), and has a channel more for lines."]
    if used < channels:
        notes.append(f"{channels - used} channels are left over: no other line tells anything in this run.")
    if channels >= 26:
        notes.append("With A0 to A15, D0 to D7 and RW clipped, simkit compare can follow the CPU itself: prefer that.")
    return tuple(notes)
