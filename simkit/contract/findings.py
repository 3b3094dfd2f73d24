"""Findings: rules of the hardware that the program or the wiring broke."""

from __future__ import annotations

from collections.abc import Iterator

import attrs

KEPT_PER_RULE = 200
"""Findings of one rule in one slot that are kept whole; the rest are counted. Bounds memory on endless faults."""


@attrs.frozen(slots=True)
class Finding:
    """One broken rule.

    Attributes:
        rule: its name, e.g. "contention"; `simkit explain RULE` tells the story.
        cycle: when.
        address: bus address concerned, or None.
        slot: slot number of the card that reports, or None for the machine itself.
        message: one sentence for people.
    """

    rule: str
    cycle: int
    address: int | None
    slot: int | None
    message: str


class Findings:
    """All findings of a machine, in order; those past KEPT_PER_RULE a rule and slot are only counted."""

    def __init__(self) -> None:
        self._kept: list[Finding] = []
        self._counts: dict[tuple[str, int | None], int] = {}

    def add(self, rule: str, cycle: int, message: str, *, address: int | None = None, slot: int | None = None) -> None:
        """Record one finding."""
        key = (rule, slot)
        count = self._counts.get(key, 0) + 1
        self._counts[key] = count
        if count <= KEPT_PER_RULE:
            self._kept.append(Finding(rule, cycle, address, slot, message))

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

    def save(self) -> dict[str, object]:
        """State for a snapshot."""
        return {
            "kept": [attrs.astuple(f) for f in self._kept],
            "counts": [[rule, slot, n] for (rule, slot), n in self._counts.items()],
        }

    def load(self, state: dict[str, object]) -> None:
        """Take back what `save` gave."""
        kept, counts = state["kept"], state["counts"]
        assert isinstance(kept, list)
        assert isinstance(counts, list)
        self._kept = [Finding(*row) for row in kept]
        self._counts = {(rule, slot): n for rule, slot, n in counts}
