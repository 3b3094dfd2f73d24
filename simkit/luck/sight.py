"""What people see of a run: pictures, lamps, outputs, what was sent, how it ended, what was found; and how two differ.

Two runs of one program are never alike to the cycle: a crystal begins elsewhere, a keyboard answers later. So a picture
counts as shown by both when the other shows it at some time near; what is sent counts in its order alone. How fast
an output moves is not compared.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Hashable
from fractions import Fraction

import attrs
import numpy as np

from simkit.contract.lines import Drive, Pin
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
MOVES = "moves"
"""What an output shows that was high and low since the last look."""
PIN = "pin "
"""Before the name of an output."""
_ASKED = 4  # times that an output is looked at between two looks, at moments that no clock has
_SCATTER = 2_654_435_761  # odd, 2^32 by the golden ratio: multiples of it modulo 2^32 are spread evenly


@attrs.frozen
class Difference:
    """That two runs of a program differ.

    Attributes:
        what: of which they differ: "screen", "lamps", an output by PIN and its name, "serial", "end", "found".
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
        faces: by "screen", "lamps" or output, and slot: what it showed at each look.
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
    pins = _outputs(machine)
    until = 0
    used = Used(machine)
    while until < cycles:
        before, until = until, min(cycles, until + every)
        for (slot, name), level in _levels(machine, pins, before, until).items():
            sight.faces.setdefault((PIN + name, slot), []).append(level)
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


def _outputs(machine: Machine) -> list[Pin]:
    """Pins that cards drive, but for requests: what a program makes of these shows elsewhere."""
    pins = [pin for seat in machine.bus.seats for pin in seat.connector.pins.values()]
    return [pin for pin in pins if pin.spec.drive is not Drive.INPUT and not pin.spec.request]


def _levels(machine: Machine, pins: list[Pin], begin: int, end: int) -> dict[tuple[int, str], Hashable]:
    """Run from one look towards the next; gives what outputs show on the way."""
    moments = sorted(begin + ((end + n) * _SCATTER % 2**32) * (end - begin) // 2**32 for n in range(_ASKED))
    shown: dict[tuple[int, str], Hashable] = {}
    for moment in moments if pins else ():
        if not machine.cpu.halted:
            machine.run_to(max(moment, machine.cycle))
        for pin in pins:
            level = pin.value if pin.lazy_level is None else pin.computed(machine.cycle)  # None: let go, an input
            key = pin.slot, pin.spec.name
            shown[key] = level if shown.get(key, level) == level else MOVES
    return shown


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


def _is_alone(around: list[Hashable], shown: Hashable, near: list[Hashable]) -> bool:
    """Whether what one shows, here and around, is nothing that the other shows near.

    An output that moves is another than one that is steady if each is so all the time: short pulses are seen now and
    then alone.
    """
    if MOVES in (shown, *near):
        return set(around) == {MOVES} and MOVES not in near and len(set(near)) == 1
    return shown not in near


def _first_alone(one: list[Hashable], other: list[Hashable], begin: int) -> int | None:
    alone = 0
    for number in range(begin, len(one)):
        alone = alone + 1 if _is_alone(_near(one, number), one[number], _near(other, number)) else 0
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
