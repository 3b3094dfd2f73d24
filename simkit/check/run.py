"""One whole check: static rules, then a run under watch, then places, labels and acceptances."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator
from fractions import Fraction
from functools import partial
from pathlib import Path

import attrs

from simkit.check.image.static import power_on_findings, static_findings
from simkit.check.image.waits import waits_in_vain
from simkit.check.leaving.causes import led_there
from simkit.check.leaving.trail import Trail
from simkit.check.leaving.way import way_of
from simkit.check.result.accept import FILE, accept, read_accepted
from simkit.check.result.findings import CheckFinding, CheckResult, placed
from simkit.check.result.notes import Noted, Notes
from simkit.check.result.order import folded, in_order
from simkit.check.result.together import in_common
from simkit.check.watches.accessed import Accessed, accesses_of
from simkit.check.watches.outside import is_left_by_input
from simkit.check.watches.unset import unset_findings
from simkit.check.watches.watch import Watch
from simkit.cpu.isa.effects import effects
from simkit.machine.again import Again
from simkit.machine.machine import Machine
from simkit.outside.player import Player
from simkit.rom.listing import Listing
from simkit.rom.places import Places

SLICES = 40
"""How finely a wait is noticed: parts of a run."""

PIECE = 50_000
"""Most cycles between two looks at whether the program is lost or the run no longer wanted."""

LOOP_ADDRESSES = 12
"""Instructions of a loop small enough to count as waiting."""

_DATA_LINE = re.compile(r"\bD[0-7]\b")
_ASKED_FOR = frozenset(("works-by-luck",))
"""Rules that are looked for only where somebody asks."""

WAITED_SLICES = SLICES // 2

_IN_WORDS = {
    "power": "a power cycle",
    "reload": "a machine loaded anew",
    "state loaded": "a state that was loaded",
    "state registers": "registers set by hand",
}
_NOT_WATCHED = frozenset(_IN_WORDS)
"""What a recording does without the program; the watch begins anew behind a power cycle."""


def check(
    machine: Machine,
    *,
    seconds: Fraction = Fraction(2),
    accepted: Path | None = None,
    player: Player | None = None,
    goes_on: Callable[[float], bool] = lambda part: True,
    left: Callable[[], int | None] = lambda: None,
    besides: Callable[[Again], tuple[list[Noted], str]] | None = None,
    over: Callable[[], None] = lambda: None,
) -> CheckResult:
    """Check a machine just loaded; it is run from power-on.

    Args:
        machine: in cycle 0. Outside events already queued (keys, pads) happen as queued.
        seconds: machine time to run.
        accepted: file of accepted findings; None takes `accepted.toml` beside the machine file, if it is there.
        player: a recording on that machine, which is played first.
        goes_on: called now and then with the part done, 0 to 1; False ends the run there.
        left: asked whenever a piece of the run is over: how many cycles to run still, when that is known to be less
            than `seconds` say; a piece may be ended early to have it asked.
        besides: what else is asked of a run that came to its end, with the program in its code: gives findings, and a
            remark.
        over: called when the run is over; the machine may run again after that, to try what would have been.

    Raises:
        SimkitError: the machine has run already, or the file of accepted findings is wrong.
    """
    path = accepted if accepted is not None else machine.description.path.parent / FILE
    acceptances = read_accepted(path) if accepted is not None or os.path.lexists(path) else []
    lines = machine.source_lines
    listing, remarks = lines.listing, [*machine.notes, *lines.remarks]
    named = lines.unused.values()  # listings that a card names are compared with all else that it names
    notes = [Noted("labels-stale", text, None, None, slot, -1) for slot, text in lines.stale if text not in named]
    noted, more = static_findings(machine, listing)
    again, accessed = Again(machine), Accessed(machine)
    run = _Run(machine, listing, player)
    try:
        loop, stopped = _watched(run, seconds, goes_on, left)
    finally:
        watch = run.watch
        running = run.in_time(watch.stop())
        over()
        again.stop()
        accessed.stop()
    end = run.before + (machine.cycle if watch.course.lost is None else watch.course.lost_at)
    halted = machine.cpu.halted if watch.course.lost is None else None
    if again.whole and not run.before:
        running = sorted([*running, *unset_findings(again, end)], key=lambda one: one.cycle)
    if besides is not None and watch.course.lost is None and not stopped and again.whole:
        others, remark = besides(again)
        running += others
        run.remarks.append(remark)
    waits = []
    if loop and not is_left_by_input(machine, loop.addresses):
        waits = [*waits_in_vain(machine, loop.addresses, end), _waited(machine, loop, end)]
    places = Places(machine.labels, listing)
    titles = {slot: card.title for slot, card in machine.cards.items()}
    common = in_common(running, accessed.like, partial(accesses_of, again) if again.whole else None, machine)
    ran = [
        attrs.evolve(placed(one, places, titles), together=common.get(number, "")) for number, one in enumerate(running)
    ]
    before = [placed(one, places, titles) for one in (*power_on_findings(machine), *notes, *noted)]
    everything = [*before, *ran, *(placed(one, places, titles) for one in waits)]
    findings = _without_echoes(everything)
    if watch.course.lost is not None:
        trail = Trail(again.machine(), watch.course.lost_at).whole() if again.whole else None
        findings = led_there(findings, way_of(trail) if trail is not None else None)
    if findings:
        remarks += _read_through_wires(machine)
    remarks += more + accept(findings, acceptances, _ASKED_FOR if besides is None else frozenset()) + run.remarks
    cycle = f"{end:,}".replace(",", " ")
    if stopped:
        remarks.append(f"The run was stopped in cycle {cycle}; what would have come later was not seen.")
    if watch.course.lost is not None:
        remarks.append(f"The run ended in cycle {cycle}: {watch.course.lost}.")
    return CheckResult(
        machine=machine.description.name,
        file=machine.description.path,
        cycles=end,
        seconds=float(end / machine.description.clock_hz),
        findings=in_order(folded(findings)),
        remarks=remarks,
        halted=halted,
        stopped=stopped,
    )


class _Run:
    """The run under watch: of a recording first, if there is one, from one power-on to the next.

    Attributes:
        machine: the machine.
        watch: of the present power-on.
        before: cycles of the power-ons before.
        remarks: what is to be told of the recording.
        over: whether nothing more can be run.
    """

    def __init__(self, machine: Machine, listing: Listing | None, player: Player | None) -> None:
        self.machine = machine
        self.watch = Watch(machine, listing)
        self.before = 0
        self.remarks: list[str] = []
        self.over = False
        self._told = False
        self._earlier = 0  # findings of the power-ons before
        self._listing = listing
        self._player = player

    @property
    def cycle(self) -> int:
        """Cycles run, of all power-ons together."""
        return self.before + self.machine.cycle

    def in_time(self, notes: Notes) -> list[Noted]:
        """What was noted, in order of cycles; the power-ons before stand first."""
        noted = notes.all()
        return noted[: self._earlier] + sorted(noted[self._earlier :], key=lambda one: one.cycle)

    def go_on(self, cycles: int) -> None:
        """Run so many cycles at most."""
        player = self._player
        if player is None:
            self.machine.run(cycles=cycles)
            return
        player.run(cycles, before=_NOT_WATCHED)
        entry = player.due
        if entry is not None and entry.kind == "power":
            notes = self.watch.stop()
            self._earlier = len(notes.all())
            self.before += self.machine.cycle
            player.step()
            self.watch = Watch(self.machine, self._listing, notes)
        elif entry is not None and entry.kind in _NOT_WATCHED:
            self.remarks.append(
                f"The recording goes on at {entry.at} with what a check cannot follow ({_IN_WORDS[entry.kind]}); the "
                "run ends there."
            )
            self.over = True
        if player.ended:
            self._player = None
        if player.difference is not None and not self._told:
            self._told = True
            self.remarks.append(player.difference.words())


@attrs.frozen
class _Loop:
    """A small loop in which the program spent the rest of the run; nothing is stored in it.

    Attributes:
        addresses: of its instructions.
        part: of the run, in percent.
    """

    addresses: set[int]
    part: int


def _watched(
    run: _Run, seconds: Fraction, goes_on: Callable[[float], bool], known: Callable[[], int | None]
) -> tuple[_Loop | None, bool]:
    """Run under watch; gives the loop in which the program waits, and whether the run was ended from outside."""
    machine = run.machine
    total = -int(-seconds * machine.description.clock_hz // 1)
    loop: set[int] = set()
    same = 0
    for number in range(1, SLICES + 1):
        while (left := total * number // SLICES - run.cycle) > 0:
            if not goes_on(run.cycle / total):
                return None, True
            end = known()
            if end == 0:
                return None, False
            run.go_on(min(left, PIECE if end is None else min(end, PIECE)))
            if run.over or run.watch.course.lost is not None or machine.cpu.halted:
                return None, False
        recent = {pc for _, pc in machine.cpu.last_notes()}
        same = same + 1 if loop and recent <= loop else 0
        loop = loop if same else recent
    if same < WAITED_SLICES or not 1 < len(loop) <= LOOP_ADDRESSES:
        return None, False  # a jump to itself is no wait: the program ends there
    part = effects(machine.description.cpu)
    if any(part[machine.peek(pc)].stores for pc in loop):
        return None, False  # it works
    return _Loop(loop, same * 100 // SLICES), False


def _read_through_wires(machine: Machine) -> Iterator[str]:
    """ROMs of which the CPU reads other bytes than they hold, with one for each."""
    table = machine.bus.reach.table
    for seat in machine.bus.seats:
        content, given = seat.rom(), table.given_of(seat)
        if content is None or given is None or given.gives is None:
            continue
        other = next((byte for byte in bytes(content) if given.gives[byte] != byte), None)
        if other is not None:
            said = (*seat.wiring.sentences(), *machine.description.wiring.sentences())
            wires = "; ".join(one for one in said if _DATA_LINE.search(one))
            yield (
                f"The CPU does not read {seat.title} as it stands in the part: ${other:02X} is read as "
                f"${given.gives[other]:02X} ({wires})."
            )


def _waited(machine: Machine, loop: _Loop, cycle: int) -> Noted:
    first = min(loop.addresses)
    shown = "; ".join(machine.disassemble(pc, 1)[0].text for pc in sorted(loop.addresses)[:4])
    return Noted(
        "wait-without-end",
        f"The program spent the last {loop.part} % of the run in a loop of {len(loop.addresses)} instructions at "
        f"${first:04X}: {shown}.",
        first,
        None,
        None,
        cycle,
    )


def _without_echoes(findings: list[CheckFinding]) -> list[CheckFinding]:
    """Leave out findings that say of the same instruction what another has said better."""
    seen = {(f.rule.name, f.pc) for f in findings}
    return [
        f
        for f in findings
        if not (f.rule.name == "undefined-opcode" and ("opcode-missing", f.pc) in seen)
        and not (f.rule.name == "undriven-read" and ("stack-underflow", f.pc) in seen)
        and not (f.rule.name == "dummy-access" and ("video-dummy-read", f.pc) in seen)
    ]
