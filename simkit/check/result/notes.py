"""Where the running rules put what they find: folded by rule, instruction and slot, with a count."""

from __future__ import annotations

from collections.abc import Callable

import attrs

TIMES_KEPT = 32


@attrs.define(slots=True)
class Noted:
    """One finding of the check, repeats folded.

    Attributes:
        rule: name of the rule.
        message: what happened the first time, one sentence.
        pc: address of the instruction, or None.
        address: bus address concerned the first time, or None.
        slot: slot of the card concerned, or None.
        cycle: when first.
        count: how often.
        seen: slot and offset of the byte that the CPU saw at `pc` then, where programs share addresses.
        addresses: all bus addresses concerned.
        cycles: when it came, the first times.
    """

    rule: str
    message: str
    pc: int | None
    address: int | None
    slot: int | None
    cycle: int
    count: int = 1
    seen: tuple[int, int] | None = None
    addresses: set[int] = attrs.field(factory=set)
    cycles: list[int] = attrs.field(factory=list)

    def came(self, address: int | None, cycle: int) -> None:
        """It came at an address in a cycle."""
        if address is not None:
            self.addresses.add(address)
        if len(self.cycles) < TIMES_KEPT:
            self.cycles.append(cycle)


class Notes:
    """Everything noted so far, in order of first appearance.

    Attributes:
        seen_at: tells slot and offset of the byte that the CPU sees at an address, where programs share addresses; None
            where they do not.
    """

    def __init__(self) -> None:
        self.seen_at: Callable[[int], tuple[int, int] | None] | None = None
        self._all: dict[tuple[str, int | None, int | None, tuple[int, int] | None], Noted] = {}
        self._held: list[Noted] | None = None

    def hold(self) -> None:
        """Keep what is noted from now on apart: it comes in another order than it happened in."""
        self._held = []

    def release(self, until: int | None) -> None:
        """Take over what was held, in order of cycles; nothing later than cycle `until`, if there is one."""
        held, self._held = self._held or [], None
        for one in sorted(held, key=lambda noted: noted.cycle):
            if until is None or one.cycle <= until:
                self._add(one)

    def add(
        self,
        rule: str,
        cycle: int,
        message: str,
        *,
        pc: int | None,
        address: int | None = None,
        slot: int | None = None,
    ) -> Noted:
        """Note a finding and give it; one more of the same rule, instruction and slot only raises its count."""
        seen = self.seen_at(pc) if self.seen_at is not None and pc is not None else None
        found = Noted(rule, message, pc, address, slot, cycle, seen=seen)
        if self._held is not None:
            self._held.append(found)
            return found
        return self._add(found)

    def _add(self, found: Noted) -> Noted:
        noted = self._all.setdefault((found.rule, found.pc, found.slot, found.seen), found)
        if noted is not found:
            noted.count += 1
        noted.came(found.address, found.cycle)
        return noted

    def all(self) -> list[Noted]:
        """The findings."""
        return list(self._all.values())
