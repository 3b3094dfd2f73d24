"""Findings: rules of the hardware that the program or the wiring broke."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import attrs

from simkit.contract.errors import MAX_MESSAGE, CardMisuse
from simkit.contract.shapes import MOMENT, TEXT, WORD, many, optional, record, row, whole

KEPT_PER_RULE = 200
"""Findings of one rule in one slot that are kept whole; the rest are counted. Bounds memory on endless faults."""
MOST_RULES = 4_096
"""Rules, slot by slot: a card that makes up a new name for each finding would fill the host's memory."""


@attrs.frozen(slots=True)
class Finding:
    """One broken rule.

    Attributes:
        rule: its name, e.g. "contention"; `simkit explain RULE` tells the story.
        cycle: when.
        address: bus address concerned, or None.
        slot: slot number of the card that reports, or None for the machine itself.
        message: one sentence for people.
        pc: the instruction that accessed the card, or None when no access brought it about.
        seen: slot and offset of the byte that the CPU saw at `pc` then: banks may be others by now; None when that is
            not known. No part of the state that is saved.
    """

    rule: str
    cycle: int
    address: int | None
    slot: int | None
    message: str
    pc: int | None = None
    seen: tuple[int, int] | None = attrs.field(default=None, eq=False)


def _data(finding: Finding) -> tuple[Any, ...]:
    return attrs.astuple(finding)[:-1]


_SLOT = optional(whole())
FINDINGS = record(
    kept=many(
        row(TEXT, MOMENT, optional(whole()), _SLOT, TEXT, optional(WORD)).into(lambda values: Finding(*values), _data)
    ),
    counts=many(row(TEXT, _SLOT, whole(1))),
)
"""What is saved of findings: those kept, and (rule, slot, number)."""


class Findings:
    """All findings of a machine, in order; those past KEPT_PER_RULE a rule and slot are only counted.

    Attributes:
        seen_at: tells slot and offset of the byte that the CPU sees at an address; None: nobody does.
    """

    def __init__(self) -> None:
        self.seen_at: Callable[[int], tuple[int, int] | None] | None = None
        self._kept: list[Finding] = []
        self._counts: dict[tuple[str, int | None], int] = {}
        self._told: list[Callable[[Finding], None]] = []

    def tell(self, call: Callable[[Finding], None]) -> None:
        """Have every finding told as it comes up, also those only counted; what is called may not run anything."""
        self._told.append(call)

    def tell_no_more(self, call: Callable[[Finding], None]) -> None:
        """Take back what `tell` did; a second time does nothing."""
        if call in self._told:
            self._told.remove(call)

    def add(
        self,
        rule: str,
        cycle: int,
        message: str,
        *,
        address: int | None = None,
        slot: int | None = None,
        pc: int | None = None,
    ) -> None:
        """Record one finding; of an endless message the beginning.

        Raises:
            CardMisuse: far too many rules were broken already.
        """
        key = (rule, slot)
        count = self._counts.get(key, 0) + 1
        if count == 1 and len(self._counts) >= MOST_RULES:
            raise CardMisuse(f"reported {rule!r:.60}, the {MOST_RULES + 1}th rule", "Report by few names of rules.")
        self._counts[key] = count
        if count > KEPT_PER_RULE and not self._told:
            return
        if len(message) > MAX_MESSAGE:
            message = f"{message[:MAX_MESSAGE]}…"
        seen = self.seen_at(pc) if self.seen_at is not None and pc is not None else None
        finding = Finding(rule, cycle, address, slot, message, pc, seen)
        if count <= KEPT_PER_RULE:
            self._kept.append(finding)
        for call in tuple(self._told):
            call(finding)

    def counts_only(self, rule: str, slot: int | None) -> bool:
        """Whether of one more finding of a rule and slot nothing would be left but its number."""
        return not self._told and self._counts.get((rule, slot), 0) >= KEPT_PER_RULE

    def count_more(self, rule: str, slot: int | None, number: int) -> None:
        """So many more, where they are only counted."""
        self._counts[rule, slot] += number

    def __iter__(self) -> Iterator[Finding]:
        return iter(self._kept)

    def __len__(self) -> int:
        return len(self._kept)

    def __getitem__(self, index: int) -> Finding:
        return self._kept[index]

    def count(self, rule: str, slot: int | None = None) -> int:
        """How often `rule` was broken, kept or not; of one slot, or of all when `slot` is None."""
        if slot is not None:
            return self._counts.get((rule, slot), 0)
        return sum(n for (name, _), n in self._counts.items() if name == rule)

    def counts(self) -> dict[tuple[str, int | None], int]:
        """Number of findings by (rule, slot)."""
        return dict(self._counts)

    def clear(self) -> None:
        """Forget all findings."""
        self._kept.clear()
        self._counts.clear()

    def save(self) -> dict[str, Any]:
        """State for a snapshot."""
        counts = [(*key, number) for key, number in self._counts.items()]
        saved: dict[str, Any] = FINDINGS.data({"kept": self._kept, "counts": counts})
        return saved

    def load(self, state: Any) -> None:
        """Take back what `save` gave.

        Raises:
            StateError: it is nothing of the kind.
        """
        new = FINDINGS.take(state)
        self._kept = new["kept"]
        self._counts = {(rule, slot): number for rule, slot, number in new["counts"]}
