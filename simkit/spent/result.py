"""What was measured, with the names of the program, for tables, drawings and tests."""

from __future__ import annotations

from collections.abc import Mapping

import attrs

from simkit.contract.errors import SimkitError, near
from simkit.machine.machine import Machine
from simkit.rom.places import Place
from simkit.spent.calls import Calls, Step
from simkit.spent.figures import Frames, Handler, Latency, Line, Node, Routine, Worst, name_of
from simkit.spent.requests import Request, Requests, Waits
from simkit.testing.spots import seen_of

CROWDED = (
    "Routines were called along more ways than can be told apart; in the picture some stand in their caller's box. The "
    "tables are whole."
)


@attrs.frozen
class Spent:
    """Where the time went.

    Attributes:
        machine: its name.
        clock_hz: of it.
        cycles: all that were run.
        own: cycles of the main program itself, without what it calls.
        sequences: cycles of interrupt and reset sequences, which stand in no line of the source.
        routines: those that were called, the one with most cycles of its own first.
        handlers: those that ran, by cause, the one with most cycles first.
        latency: by line, "IRQ" and "NMI".
        lines: of the source, the one with most cycles first.
        frames: by screen.
        tree: the main program, then handlers: who called whom.
        remarks: what is to be told besides.
        labels: addresses of the program by name.
    """

    machine: str
    clock_hz: float
    cycles: int
    own: int
    sequences: int
    routines: tuple[Routine, ...]
    handlers: tuple[Handler, ...]
    latency: Mapping[str, Latency]
    lines: tuple[Line, ...]
    frames: tuple[Frames, ...]
    tree: tuple[Node, ...]
    remarks: tuple[str, ...]
    labels: Mapping[str, int] = attrs.field(repr=False, eq=False)

    def routine(self, name: str) -> Routine:
        """A routine by any of its labels, by its name in the tables, or by its address as "$8010".

        Raises:
            SimkitError: no JSR went there.
        """
        address = self.labels.get(name)
        for one in self.routines:
            if name in (one.name, f"${one.place.address:04X}") or one.place.address == address:
                return one
        raise SimkitError(
            f"No JSR went to {name!r} in {self.cycles} cycles.",
            remedy=near(name, [one.name for one in self.routines]),
        )

    def handler(self, cause: str) -> Handler:
        """The handler of a cause, "IRQ", "NMI" or "BRK"; of several the one with most cycles.

        Raises:
            SimkitError: none ran.
        """
        for one in self.handlers:
            if one.cause == cause:
                return one
        raise SimkitError(
            f"No handler of {cause!r} ran in {self.cycles} cycles.",
            remedy=near(cause, ("IRQ", "NMI", "BRK")),
        )

    @property
    def in_handlers(self) -> float:
        """Share of all cycles that went to handlers."""
        return sum(one.share for one in self.handlers)

    @property
    def frames_missed(self) -> int:
        """Frames missed, of all screens.

        Raises:
            SimkitError: no frame was followed: none ended, or the program never came where it should.
        """
        followed = [one for one in self.frames if one.followed]
        if not followed:
            raise SimkitError(
                "No frame was followed: none has ended, or the program never came where it should come in each frame.",
                remedy='Run longer, or name a label that it passes once a frame: each_frame="main_loop".',
            )
        return sum(one.missed for one in followed)


def told(
    machine: Machine,
    calls: Calls,
    requests: Requests,
    spots: Mapping[int, tuple[int, int]],
    *,
    sequences: int,
    total: int,
    frames: tuple[Frames, ...],
) -> Spent:
    """Put names to what was measured.

    Args:
        machine: that was measured.
        calls: who called whom.
        requests: of interrupts.
        spots: runs and cycles of each instruction.
        sequences: cycles of interrupt and reset sequences.
        total: all cycles.
        frames: of screens.
    """
    places = _Places(machine)
    routines, handlers = [], []
    for key, tally in calls.tallies.items():
        if isinstance(key, tuple):
            cause, at = key
            share = tally.cycles / total if total else 0.0
            handlers.append(Handler(cause, places.at(at), tally.calls, tally.cycles, share, tally.lengths))
        elif isinstance(key, int):
            place = places.at(key)
            routines.append(Routine(place, tally.calls, tally.own, tally.cycles, tally.lengths, tally.longest))
    routines.sort(key=lambda one: (-one.own, one.place.address))
    handlers.sort(key=lambda one: (-one.cycles, one.cause))
    tree = (_node(calls.main, places), *(_node(step, places) for step in calls.handlers.values()))
    return Spent(
        machine=machine.description.name,
        clock_hz=float(machine.description.clock_hz),
        cycles=total,
        own=calls.main.own,
        sequences=sequences,
        routines=tuple(routines),
        handlers=tuple(handlers),
        latency={line: _latency(waits, places) for line, waits in requests.waits.items()},
        lines=_lines(spots, places),
        frames=frames,
        tree=tree,
        remarks=(CROWDED,) if calls.crowded else (),
        labels=dict(machine.labels),
    )


class _Places:
    def __init__(self, machine: Machine) -> None:
        self._machine = machine
        self._known: dict[int, Place] = {}

    def at(self, spot: int) -> Place:
        """The place of a spot."""
        if spot not in self._known:
            self._known[spot] = self._machine.place(spot & 0xFFFF, seen_of(spot))
        return self._known[spot]


def _node(step: Step, places: _Places) -> Node:
    """Of a step and all below; without recursion, as programs may call as deep as the stack is."""
    order = [step]
    for one in order:
        order += one.below.values()
    made: dict[int, Node] = {}
    for one in reversed(order):
        below = sorted((made.pop(id(each)) for each in one.below.values()), key=lambda node: (-node.cycles, node.name))
        cause, at = one.key if isinstance(one.key, tuple) else ("", one.key)
        made[id(one)] = Node(
            place=places.at(at) if isinstance(at, int) else None,
            cause=cause,
            calls=one.calls,
            own=one.own,
            cycles=one.own + sum(node.cycles for node in below),
            below=tuple(below),
        )
    return made[id(step)]


def _lines(spots: Mapping[int, tuple[int, int]], places: _Places) -> tuple[Line, ...]:
    """Lines of the source; instructions of which none is known stand for themselves."""
    found: dict[object, tuple[Place, int, int]] = {}
    for spot in sorted(spots, key=lambda one: (one & 0xFFFF, one)):
        place = places.at(spot)
        key: object = spot if place.file is None else (place.file, place.line)
        first, runs, cycles = found.get(key, (place, 0, 0))
        more_runs, more_cycles = spots[spot]
        found[key] = (first, runs + more_runs, cycles + more_cycles)
    lines = [Line(*one) for one in found.values()]
    return tuple(sorted(lines, key=lambda one: (-one.cycles, one.place.address)))


def _latency(waits: Waits, places: _Places) -> Latency:
    longest = None
    if waits.longest is not None:
        cycles, request = waits.longest
        place = places.at(request.at) if request.at >= 0 else None
        longest = Worst(request.cycle, cycles, place, _kept(request, places))
    return Latency(waits.lengths, longest, waits.again, waits.let_go, waits.merged)


def _kept(request: Request, places: _Places) -> str:
    """What kept a request, in words."""
    mask = request.mask
    if mask is None:
        if request.at < 0:
            return "an interrupt sequence was under way"
        steps = f"{request.steps} cycle{'' if request.steps == 1 else 's'}"
        return f"the instruction under way, of {steps}"
    if mask.what in ("IRQ", "NMI", "BRK"):
        return f"the handler of {mask.what} was running, {name_of(places.at(mask.at))}"
    until = ""
    if request.cleared is not None:
        what, at, cycle = request.cleared
        until = f" to {what} at {places.at(at).words()}"
        if mask.cycle >= 0:
            steps = f"{cycle - mask.cycle:,}".replace(",", " ")
            until += f", {steps} cycles"
    if not mask.what:
        return f"I was set before measuring began{until and ',' + until.replace(' to ', ' until ', 1)}"
    where = f" at {places.at(mask.at).words()}" if mask.at >= 0 else ""
    return f"I was set from {mask.what}{where}{until}"
