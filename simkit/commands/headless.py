"""A run without a window: forward to a moment with progress, and what is told of it afterwards."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import attrs

from simkit.commands.long_run import LongRun
from simkit.commands.say import say_notes
from simkit.files.png import PICTURE
from simkit.files.whole import write_whole
from simkit.machine.found import findings_lines
from simkit.machine.machine import Machine
from simkit.machine.told import digits
from simkit.machine.views import Lamps, Screen, Serial
from simkit.outside.terminal_text import terminal_lines

if TYPE_CHECKING:
    from simkit.check.leaving.search import Leaving
    from simkit.commands.goal import Goal
    from simkit.machine.again import Again
    from simkit.outside.player import Player

CHUNK_SECONDS = 0.1
"""Host seconds between two looks at the clock."""
FIRST_CHUNK_CYCLES = 20_000
LINES_TOLD = 100
"""Lines of a serial line's text that people are told; --json has all."""
_PLACE = {"label": "name", "file": "file", "line": "line"}


def run_forward(
    machine: Machine, goal: Goal, *, asked_to_end: Callable[[], bool] = lambda: False, pieces: Pieces | None = None
) -> bool:
    """Run up to a moment, or until the CPU halts; shows progress on a terminal when it takes more than a second.

    Args:
        machine: the machine.
        goal: where the run ends.
        asked_to_end: whether the run is to end; asked between two pieces of it.
        pieces: what is done between them, and how long they are at most.

    Returns:
        False when Ctrl-C ended the run before, or `asked_to_end`.
    """
    first = machine.cycle
    halted_before = machine.cpu.halted

    def advance(cycles: int) -> bool:
        machine.run(cycles=min(cycles, goal.limit - machine.cycle))
        halts = machine.cpu.halted and machine.cpu.halted != halted_before
        return machine.cycle < goal.limit and not halts

    if first >= goal.limit:
        return True
    return _in_pieces(
        machine.description.name,
        lambda: (machine.cycle - first) / max(1, goal.limit - first),
        advance,
        asked_to_end,
        pieces or Pieces(),
    )


def play_forward(
    player: Player,
    goal: Goal | None,
    *,
    asked_to_end: Callable[[], bool] = lambda: False,
    pieces: Pieces | None = None,
) -> bool:
    """As `run_forward`, for a recording: a time counts all power-ons together; None: all of it."""
    whole = max(1, player.recording.cycles if goal is None or not goal.is_time else goal.limit)

    def left() -> int:
        if goal is None or (not goal.come and not goal.is_time):
            return player.recording.cycles + 1
        return goal.limit - (player.played if goal.is_time else player.machine.cycle)

    def advance(piece: int) -> bool:
        player.run(min(piece, max(0, left())))
        return not player.ended and left() > 0

    name = player.machine.description.name
    return _in_pieces(name, lambda: min(1.0, player.played / whole), advance, asked_to_end, pieces or Pieces())


@attrs.frozen
class Pieces:
    """What is done between the pieces of a run.

    Attributes:
        between: called after each.
        most: cycles of one.
        silent: no progress is shown: what is printed shows it.
    """

    between: Callable[[], None] = lambda: None
    most: int = 1_000_000_000
    silent: bool = False


def _in_pieces(
    name: str,
    part: Callable[[], float],
    advance: Callable[[int], bool],
    asked_to_end: Callable[[], bool],
    pieces: Pieces,
) -> bool:
    """Have `advance(cycles)` called as long as it gives True; False when Ctrl-C or `asked_to_end` came before."""
    chunk = min(FIRST_CHUNK_CYCLES, pieces.most)
    with LongRun(name, silent=pieces.silent) as run:
        while run.goes_on(part()) and not asked_to_end():
            before = time.perf_counter()
            goes_on = advance(chunk)
            pieces.between()
            if not goes_on:
                return True
            chunk = max(1000, int(chunk * min(4.0, CHUNK_SECONDS / max(time.perf_counter() - before, 1e-6))))
            chunk = min(chunk, pieces.most)
    return False


def write_picture(screen: Screen, path: Path, *, force: bool = False) -> Path:
    """Write the picture; an older one is replaced and that is said, any other file is not, but by force.

    Raises:
        FileError: the system does not let it be written.
        SimkitError: the path holds something that is no picture, or is wrong.
    """
    say_notes(write_whole(path, screen.png(), what="picture", known=PICTURE, force=force))
    return path


def looked_back(again: Again, machine: Machine) -> Leaving | None:
    """Where the program left its code, if it is lost now; shows progress where it takes long, and Ctrl-C ends it."""
    from simkit.check.image.astray import astray

    if again.of is not machine or not again.whole or not (machine.cpu.halted or astray(machine)):
        return None
    from simkit.check.leaving.search import Search  # wants numpy

    search = Search(again)
    with LongRun(f"{machine.description.name}: where did the program leave its code?") as run:
        while run.goes_on(search.part) and search.go_on():
            pass
    return search.leaving


@attrs.frozen(kw_only=True)
class Outcome:
    """What is told of a run.

    Attributes:
        machine: as it stands at the end.
        picture: file the picture went to.
        text: what can be read on the screen, when it was asked for.
        stopped: whether Ctrl-C, or another signal, ended the run before its time.
        recorded: what was recorded, for --json.
        replayed: what was played, for --json.
        more: what else is told to people.
        until: the moment at which the run was to end, for --json.
        not_given: input whose moment did not come, as `Script.as_dicts` gives it.
        leaving: where the program left its code; None: as far as was seen it has not.
    """

    machine: Machine
    picture: Path | None = None
    text: str | None = None
    stopped: bool = False
    recorded: dict[str, Any] | None = None
    replayed: dict[str, Any] | None = None
    more: Sequence[str] = ()
    until: dict[str, Any] | None = None
    not_given: Sequence[dict[str, Any]] = ()
    leaving: Leaving | None = None

    @property
    def found(self) -> bool:
        """Whether there is anything that --strict does not let pass."""
        return bool(len(self.machine.findings)) or self.leaving is not None

    @property
    def sent(self) -> dict[int, bytes]:
        """What the machine sent over its serial lines by slot; what somebody at the other end has taken is not here."""
        return {plug.slot: plug.received for plug in self.machine.ports(Serial)}

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
            "cpu": {name: getattr(machine.cpu, name) for name in ("pc", "a", "x", "y", "sp", "p", "halted")}
            | _place(machine, machine.cpu.pc),
            "picture": str(self.picture) if self.picture else None,
            "text": self.text,
            "serial": {slot: "\n".join(terminal_lines(sent)) for slot, sent in self.sent.items()},
            "until": self.until,
            "not_given": list(self.not_given),
            "recorded": self.recorded,
            "replayed": self.replayed,
            "lamps": {
                slot: dict(zip(lamps.port.labels, lamps.levels, strict=True)) for slot, lamps in lamps_of(machine)
            },
            "notes": machine.notes,
            "left_code": self.leaving.as_dict() if self.leaving is not None else None,
            "findings": [
                attrs.asdict(finding) | _place(machine, finding.pc, finding.seen) for finding in machine.findings
            ],
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
            told.append(f"The CPU is {machine.cpu.halted}.")
        else:
            told.append(f"Next instruction: {machine.place(machine.cpu.pc).words()}.")
        told += [*self.more, *(one["message"] for one in self.not_given)]
        if self.picture is not None:
            told.append(f"Picture: {self.picture}")
        if self.text is not None:
            told += ["On the screen:", *(f"  {line}" for line in self.text.rstrip().splitlines())]
        for slot, sent in self.sent.items():
            shown = terminal_lines(sent)
            if shown:
                left = f", the last {LINES_TOLD} of {digits(len(shown))} lines" if len(shown) > LINES_TOLD else ""
                told += [
                    f"On the serial line of {machine.cards[slot].title}{left}:",
                    *(f"  {line}" for line in shown[-LINES_TOLD:]),
                ]
        told += [f"{lamps.card_title}: {lamps.text()}." for _, lamps in lamps_of(machine)]
        if self.leaving is None:
            return told + findings_lines(machine)
        return [
            *told,
            *self.leaving.lines(),
            *(findings_lines(machine, self.leaving.cycle) if machine.findings else ()),
        ]


def _place(machine: Machine, address: int | None, seen: tuple[int, int] | None = None) -> dict[str, Any]:
    place = machine.place(address, seen) if address is not None else None
    return {name: getattr(place, attribute, None) for name, attribute in _PLACE.items()}


def lamps_of(machine: Machine) -> list[tuple[int, Lamps]]:
    """Rows of lamps with the slots they stand in."""
    return [(lamps.slot, lamps) for lamps in machine.ports(Lamps)]
