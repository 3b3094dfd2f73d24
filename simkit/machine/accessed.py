"""Accesses of an address, or of a register of a card by its name, each told in its cycle on both engines.

"$7F21", "KEYS" and "table+3" are addresses; "4.status" is a register of the card in slot 4, at whatever addresses the
decoding of that moment reaches it.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import TYPE_CHECKING

import attrs

from simkit.backplane.cycle import Kind
from simkit.backplane.decode import Plan
from simkit.contract.errors import SimkitError, near, numbers

if TYPE_CHECKING:
    from simkit.machine.machine import Machine

_REGISTER = re.compile(r"([0-9]{1,4})\.([A-Za-z_]\w*)")
SIDES = {"read": "r", "write": "w", "access": "rw"}
"""Kinds of moments that are accesses, and which ways of a register they mean."""


@attrs.frozen
class Access:
    """An access.

    Attributes:
        cycle: in which it was made.
        address: on the address lines.
        data: at the data pins of the CPU.
        is_write: R/W low.
        kind: what the CPU did.
    """

    cycle: int
    address: int
    data: int
    is_write: bool
    kind: Kind


@attrs.frozen
class RegisterNamed:
    """A register of a card, by name.

    Attributes:
        slot: of the card.
        name: as the card names it.
        reads: offsets at which it is read.
        writes: offsets at which it is written.
    """

    slot: int
    name: str
    reads: frozenset[int]
    writes: frozenset[int]

    def reached(self, plan: Plan, *, is_write: bool) -> bool:
        """Whether an access reaches it."""
        if is_write:
            return any(seat.slot == self.slot and offset in self.writes for seat, offset in plan.takers)
        return any(seat.slot == self.slot and offset in self.reads for seat, offset, _ in plan.drivers)


def register_named(machine: Machine, text: str, kind: str) -> RegisterNamed | None:
    """The register that "4.status" means; None of a text that means an address.

    Args:
        machine: the machine.
        text: as people write it; capital letters make no difference in the name.
        kind: of the moment: one of SIDES.

    Raises:
        SimkitError: no such card, or it has no such register; or none that is accessed that way.
    """
    found = _REGISTER.fullmatch(text)
    if found is None or text in machine.labels:
        return None
    slot, name = int(found[1]), found[2]
    seat = machine.bus.by_slot.get(slot)
    if seat is None:
        raise SimkitError(f"There is no card in slot {slot}.", remedy=f"Slots with cards: {numbers(machine.cards)}.")
    known = [one for one in seat.registers if one.name.lower() == name.lower()]
    if not known:
        names = [one.name for one in seat.registers]
        remedy = near(name, names) if names else "It has no registers; write an address."
        raise SimkitError(f"{seat.title} has no register {name!r}.", remedy=remedy)
    ways = {side: frozenset(one.offset for one in known if side in one.access) for side in SIDES[kind]}
    if not any(ways.values()):
        does = "written" if kind == "read" else "read"
        raise SimkitError(f"{seat.title}: register {name!r} is only {does}.", remedy=f"Write access:{text}.")
    return RegisterNamed(slot, known[0].name, ways.get("r", frozenset()), ways.get("w", frozenset()))


class AccessWatch:
    """Tells of accesses, dummy ones among them, repeats under RDY left out, until `cancel`.

    Args:
        machine: the machine.
        where: an address, or a register.
        kind: one of SIDES.
        call: told of each, in its cycle.
    """

    def __init__(self, machine: Machine, where: int | RegisterNamed, kind: str, call: Callable[[Access], None]) -> None:
        self._where = where
        self._kind = kind
        self._call = call
        self._watchers = machine.bus.watchers
        self._handle = self._watchers.add(tap=self._tap, bystander=self)
        if isinstance(where, int):
            self._watchers.see(where, _nothing)  # its page comes to the bus

    def cancel(self) -> None:
        """Tell no more."""
        self._handle.remove()
        if isinstance(self._where, int):
            self._watchers.see_no_more(self._where, _nothing)

    def core_begins(self) -> None:
        """The core is about to run: what is watched comes to the bus all the same."""

    def core_ended(self) -> None:
        """It has come back."""

    def _tap(self, cycle: int, address: int, data: int, is_write: bool, kind: Kind, plan: Plan) -> None:
        where = self._where
        if isinstance(where, int):
            if address != where or (self._kind != "access" and is_write != (self._kind == "write")):
                return
        elif not where.reached(plan, is_write=is_write):
            return
        self._call(Access(cycle, address, data, is_write, kind))


def _nothing(is_write: bool) -> None:
    """The tap tells."""
