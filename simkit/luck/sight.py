"""What people see of a run: pictures, lamps, what was sent, how it ended and what was found; and where two runs differ.

Two runs of one program are never alike to the cycle: a crystal begins elsewhere, a keyboard answers later. So a picture
counts as shown by both when the other shows it at some time near; what is sent counts in its order alone.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Hashable
from fractions import Fraction

import attrs
import numpy as np

from simkit.machine.machine import Machine
from simkit.machine.views import Lamps, Screen, Serial
from simkit.records.cycles import Cycles, marks

LOOKS = 40
"""Looks at a machine in a second of its time."""
NEAR = 6
"""Looks by which one run may be ahead of another: 0.15 s."""
SETTLES = 20
"""Looks before the first picture that both show, which are passed over at the most: 0.5 s to set up."""
LASTS = 4
"""Looks for which a picture must be shown that the other does not show, to be a difference: 0.1 s."""


@attrs.frozen
class Difference:
    """That two runs of a program differ.

    Attributes:
        what: of which they differ: "screen", "lamps", "serial", "end", "found".
        slot: of the card; 0 without one.
        look: number of the look at which it is seen first.
        first: what the first run has there, as far as it can be said in words; "" where not.
        second: what the second has.
    """

    what: str
    slot: int
    look: int
    first: str = ""
    second: str = ""


@attrs.define
class Sight:
    """What was seen of a run.

    Attributes:
        every: cycles between two looks.
        faces: by "screen" or "lamps" and slot: what it showed at each look.
        sent: by slot: all bytes that were sent.
        sent_by: by slot: how many were at each look.
        used: slots of the cards that the program wrote to, or that no address selects.
        halted: why the CPU stands still, at the end.
        found: rules of cards and bus that were broken, with slot and instruction.
    """

    every: int
    faces: dict[tuple[str, int], list[Hashable]] = attrs.field(factory=dict)
    sent: dict[int, bytes] = attrs.field(factory=dict)
    sent_by: dict[int, list[int]] = attrs.field(factory=dict)
    used: frozenset[int] = frozenset()
    halted: str | None = None
    found: frozenset[tuple[str, int | None, int | None]] = frozenset()

    @property
    def looks(self) -> int:
        """How many there were."""
        return max((*map(len, self.faces.values()), *map(len, self.sent_by.values())), default=0)


def look_at(machine: Machine, cycles: int, goes_on: Callable[[float], bool] = lambda part: True) -> Sight | None:
    """Run a machine from power-on and look at it now and then; None when it is no longer wanted.

    Args:
        machine: in cycle 0.
        cycles: to run.
        goes_on: called now and then with the part done, 0 to 1; False ends it.
    """
    every = max(1, int(machine.clock_hz * Fraction(1, LOOKS)))
    sight = Sight(every)
    screens, rows, plugs = machine.ports(Screen), machine.ports(Lamps), machine.ports(Serial)
    until = 0
    used = Used(machine)
    while until < cycles:
        until = min(cycles, until + every)
        if not machine.cpu.halted:
            machine.run_to(until)
        for screen in screens:
            picture = hashlib.blake2b(screen.port.pixels(machine.cycle), digest_size=16).digest()
            sight.faces.setdefault(("screen", screen.slot), []).append(picture)
        for row in rows:
            sight.faces.setdefault(("lamps", row.slot), []).append(tuple(row.levels))
        for plug in plugs:
            sight.sent_by.setdefault(plug.slot, []).append(len(plug.received))
        if not goes_on(until / cycles):
            return None
    sight.sent = {plug.slot: bytes(plug.received) for plug in plugs}
    sight.used = used.slots()
    sight.halted = machine.cpu.halted
    sight.found = frozenset((one.rule, one.slot, one.pc) for one in machine.findings)
    return sight


class Used:
    """Notes which addresses a program writes to.

    Args:
        machine: in cycle 0.
    """

    def __init__(self, machine: Machine) -> None:
        self._machine = machine
        self._written = np.zeros(0x10000, np.bool_)
        self._record = machine.bus.record(self._take)

    def _take(self, records: memoryview) -> None:
        words = np.frombuffer(records, "<u8")
        part = Cycles(words[~marks(words)])
        self._written[part.address[part.is_write]] = True

    def slots(self) -> frozenset[int]:
        """Cards that were written to, or that no address selects; takes the notes' end."""
        self._record.remove()
        written = int.from_bytes(np.packbits(self._written, bitorder="little").tobytes(), "little")
        selects = self._machine.bus.reach.table.selects
        return frozenset(seat.slot for seat, _, _, take, _ in selects if not take or take & written)


def difference(first: Sight, second: Sight) -> Difference | None:
    """The earliest difference that people would see between two runs of the same length; None where there is none."""
    found: list[Difference] = []
    used = first.used | second.used  # what a card shows that the program never touches is not the program's
    for (what, slot), shown in first.faces.items():
        if slot not in used:
            continue
        look = _first_unmatched(shown, second.faces[what, slot])
        if look is not None:
            found.append(Difference(what, slot, look))
    for slot, sent in first.sent.items():
        one = _sent(slot, first, second, sent, second.sent[slot])
        if one is not None:
            found.append(one)
    if found:
        return min(found, key=lambda one: one.look)
    last = first.looks - 1
    if (first.halted or "") != (second.halted or ""):
        return Difference("end", 0, last, first.halted or "the CPU goes on", second.halted or "the CPU goes on")
    for rule, its, _ in sorted(first.found ^ second.found, key=str):
        here = any(rule == other and its == slot for other, slot, _ in first.found)
        there = any(rule == other and its == slot for other, slot, _ in second.found)
        if here != there:
            return Difference("found", its or 0, last, rule if here else "", rule if there else "")
    return None


def _first_unmatched(one: list[Hashable], other: list[Hashable]) -> int | None:
    """The first look from which on one shows for a while what the other does not show at any time near.

    What is shown before a program has set the card up is nobody's: it is passed over, for a moment.
    """
    begin = next(
        (n for n in range(min(SETTLES, len(one))) if one[n] in _near(other, n) and other[n] in _near(one, n)), 0
    )
    found = [first for a, b in ((one, other), (other, one)) if (first := _first_alone(a, b, begin)) is not None]
    return min(found, default=None)


def _near(shown: list[Hashable], number: int) -> list[Hashable]:
    return shown[max(0, number - NEAR) : number + NEAR + 1]


def _first_alone(one: list[Hashable], other: list[Hashable], begin: int) -> int | None:
    alone = 0
    for number in range(begin, len(one)):
        alone = 0 if one[number] in _near(other, number) else alone + 1
        if alone == LASTS:
            return number - LASTS + 1
    return None


def _sent(slot: int, first: Sight, second: Sight, one: bytes, other: bytes) -> Difference | None:
    both = min(len(one), len(other))
    at = next((n for n in range(both) if one[n] != other[n]), both)
    if at == both:
        longer, shorter = (first, second) if len(one) > len(other) else (second, first)
        # nothing more comes, and that for longer than one may be behind the other
        late = [n for n, count in enumerate(longer.sent_by[slot]) if count > both]
        if len(one) == len(other) or not late or late[0] + NEAR + LASTS >= len(shorter.sent_by[slot]):
            return None
        return Difference("serial", slot, late[0], _bytes(one[at:]), _bytes(other[at:]))
    look = next(n for n, count in enumerate(first.sent_by[slot]) if count > at)
    return Difference("serial", slot, look, _bytes(one[at:]), _bytes(other[at:]))


def _bytes(sent: bytes) -> str:
    return "nothing more" if not sent else f"${sent[0]:02X}"
