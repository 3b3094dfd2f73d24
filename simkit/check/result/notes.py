"""Where the running rules put what they find: folded by rule, instruction and slot, with a count."""

from __future__ import annotations

import attrs


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
    """

    rule: str
    message: str
    pc: int | None
    address: int | None
    slot: int | None
    cycle: int
    count: int = 1


class Notes:
    """Everything noted so far, in order of first appearance."""

    def __init__(self) -> None:
        self._all: dict[tuple[str, int | None, int | None], Noted] = {}
        self._held: list[Noted] | None = None

    def hold(self) -> None:
        """Keep what is noted from now on apart: it comes in another order than it happened in."""
        self._held = []

    def release(self, until: int | None) -> None:
        """Take over what was held, in order of cycles; nothing later than cycle `until`, if there is one."""
        held, self._held = self._held or [], None
        for one in sorted(held, key=lambda noted: noted.cycle):
            if until is None or one.cycle <= until:
                self.add(one.rule, one.cycle, one.message, pc=one.pc, address=one.address, slot=one.slot)

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
        if self._held is not None:
            held = Noted(rule, message, pc, address, slot, cycle)
            self._held.append(held)
            return held
        key = (rule, pc, slot)
        noted = self._all.get(key)
        if noted is None:
            noted = self._all[key] = Noted(rule, message, pc, address, slot, cycle)
        else:
            noted.count += 1
        return noted

    def all(self) -> list[Noted]:
        """The findings."""
        return list(self._all.values())
