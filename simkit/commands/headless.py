"""A run without a window: forward to a moment with progress, and what is told of it afterwards."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import attrs

from simkit.commands.long_run import LongRun
from simkit.commands.say import say_notes
from simkit.files.png import PICTURE
from simkit.files.whole import write_whole
from simkit.machine.machine import Machine
from simkit.machine.views import Lamps, Screen

CHUNK_SECONDS = 0.1
"""Host seconds between two looks at the clock."""
FIRST_CHUNK_CYCLES = 20_000


def run_forward(machine: Machine, cycle: int) -> bool:
    """Run up to a cycle, or until the CPU halts; shows progress on a terminal when it takes more than a second.

    Returns:
        False when Ctrl-C ended the run before.
    """
    first = machine.cycle
    halted_before = machine.cpu.halted
    chunk = FIRST_CHUNK_CYCLES
    with LongRun(machine.description.name) as run:
        while machine.cycle < cycle and run.goes_on((machine.cycle - first) / (cycle - first)):
            before = time.perf_counter()
            machine.run(cycles=min(chunk, cycle - machine.cycle))
            if machine.cpu.halted and machine.cpu.halted != halted_before:
                break
            chunk = max(1000, int(chunk * min(4.0, CHUNK_SECONDS / max(time.perf_counter() - before, 1e-6))))
    return not run.stopped


def write_picture(screen: Screen, path: Path, *, force: bool = False) -> Path:
    """Write the picture; an older one is replaced and that is said, any other file is not, but by force.

    Raises:
        FileError: the system does not let it be written.
        SimkitError: the path holds something that is no picture, or is wrong.
    """
    say_notes(write_whole(path, screen.png(), what="picture", known=PICTURE, force=force))
    return path


@attrs.frozen(kw_only=True)
class Outcome:
    """What is told of a run.

    Attributes:
        machine: as it stands at the end.
        picture: file the picture went to.
        text: what can be read on the screen, when it was asked for.
        stopped: whether Ctrl-C ended the run before its time.
    """

    machine: Machine
    picture: Path | None = None
    text: str | None = None
    stopped: bool = False

    def as_dict(self) -> dict[str, Any]:
        """For --json. Holds nothing of the host's, so that equal runs print equal text."""
        machine = self.machine
        return {
            "machine": machine.description.name,
            "identity": machine.identity,
            "seed": machine.description.seed,
            "cycle": machine.cycle,
            "seconds": machine.seconds,
            "stopped": self.stopped,
            "cpu": {name: getattr(machine.cpu, name) for name in ("pc", "a", "x", "y", "sp", "p", "halted")},
            "picture": str(self.picture) if self.picture else None,
            "text": self.text,
            "lamps": {
                slot: dict(zip(lamps.port.labels, lamps.levels, strict=True)) for slot, lamps in lamps_of(machine)
            },
            "findings": [attrs.asdict(finding) for finding in machine.findings],
            "counts": [
                {"rule": rule, "slot": slot, "count": count}
                for (rule, slot), count in machine.findings.counts().items()
            ],
        }

    def lines(self) -> list[str]:
        """For people."""
        machine = self.machine
        end = ", then it was stopped" if self.stopped else ""
        told = [f"{machine.description.name} ran {machine.seconds:.3f} s, {digits(machine.cycle)} cycles{end}."]
        if machine.cpu.halted:
            told.append(f"The CPU {machine.cpu.halted}.")
        else:
            label = machine.labels.name_at(machine.cpu.pc)
            told.append(f"Next instruction: ${machine.cpu.pc:04X}{f' ({label})' if label else ''}.")
        if self.picture is not None:
            told.append(f"Picture: {self.picture}")
        if self.text is not None:
            told += ["On the screen:", *(f"  {line}" for line in self.text.rstrip().splitlines())]
        told += [f"Lamps in slot {slot}: {lamps.text()}." for slot, lamps in lamps_of(machine)]
        return told + findings_lines(machine)


def lamps_of(machine: Machine) -> list[tuple[int, Lamps]]:
    """Rows of lamps with the slots they stand in."""
    return [(lamps.slot, lamps) for lamps in machine.ports(Lamps)]


def findings_lines(machine: Machine) -> list[str]:
    """Findings by rule and slot: how often, and the first one whole."""
    counts = machine.findings.counts()
    if not counts:
        return ["No findings."]
    told = ["Findings:"]
    for (rule, slot), count in counts.items():
        first = next(f for f in machine.findings if (f.rule, f.slot) == (rule, slot))
        where = f"slot {slot}" if slot is not None else "machine"
        often = "once" if count == 1 else f"{digits(count)} times"
        address = f" at ${first.address:04X}" if first.address is not None else ""
        told.append(f"  {rule}, {where}, {often}; first in cycle {digits(first.cycle)}{address}: {first.message}")
    return told


def digits(number: int) -> str:
    """A number with its digits grouped in threes."""
    return f"{number:,}".replace(",", " ")
