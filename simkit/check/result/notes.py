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
