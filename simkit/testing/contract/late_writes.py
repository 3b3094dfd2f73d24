"""Writes that may wait: registers with `writes_wait` can get them later, in order, each with its cycle."""

from __future__ import annotations

import random
from collections.abc import Callable
from itertools import groupby
from operator import itemgetter
from typing import Any, TypeVar

from simkit.contract.lines import Pin
from simkit.testing.contract.ledger import Ledger
from simkit.testing.contract.plain import difference
from simkit.testing.contract.script import Step, do
from simkit.testing.contract.seen import Seen
from simkit.testing.contract.witness import WitnessBench

_T = TypeVar("_T")

PROMISE = "late"
COMPARED = 0.2
"""Share of the steps after which states are compared, and what waits is handed over."""


class LateBench(WitnessBench):
    """Keeps writes that may wait, and hands them over just before the card is called again."""

    def __init__(self, *arguments: Any, **options: Any) -> None:
        self._late: list[tuple[int, int, int, int]] = []  # cycle, offset, byte, byte on the data lines before it
        super().__init__(*arguments, **options)
        self._patient = {register.offset for register in self.registers if register.writes_wait}

    def write(self, offset: int, value: int) -> None:
        """Write in the current cycle; the card may get it later."""
        if offset not in self._patient:
            self._hand_over()
            super().write(offset, value)
            return
        self.begin()
        self._late.append((self.cycle, offset, value, self._cpu.last))
        self._cpu.last = value
        self.run_to(self.cycle + 1)

    def begin(self) -> None:
        """Run phase 0 of the current cycle, once."""
        if self.horizon <= self.cycle:
            self._hand_over()
        super().begin()

    def read(self, offset: int) -> int:
        """Read in the current cycle."""
        self._hand_over()
        return super().read(offset)

    def ask(self, call: Callable[..., _T], *arguments: Any) -> _T:
        """Call the card as the machine does outside of accesses and events."""
        self._hand_over()
        return super().ask(call, *arguments)

    def _drive(self, hand: Pin, level: bool | None) -> None:
        self._hand_over()
        super()._drive(hand, level)

    def _hand_over(self) -> None:
        """Hand over what waits, that to one register together, as an engine does."""
        late, self._late = self._late, []
        asking, self._asking = self._asking, ""  # these are writes, whoever made them come
        try:
            for offset, group in groupby(late, key=itemgetter(1)):
                cycles, _, values, before = zip(*group, strict=True)
                self._bus.accesses.write_late(offset, bytes(values), cycles, bytes(before))
        finally:
            self._asking = asking


def check_late_writes(
    ledger: Ledger, prompt: WitnessBench, late: LateBench, script: list[Step], rng: random.Random
) -> None:
    """Compare a card that gets its writes at once with one that gets those that may wait later.

    Args:
        ledger: where findings go.
        prompt: bench of the one.
        late: bench of the other.
        script: what is done.
        rng: chance.
    """
    who = "that gets its writes later"
    for step in script:
        do(prompt, step)
        do(late, step)
        if step is script[-1] or rng.random() < COMPARED:
            expected, found = prompt.state(), late.state()
            if not ledger.holds(PROMISE, found == expected):
                ledger.breaks(PROMISE, f"A card {who} is in another state: {difference(expected, found)}.")
                break
    for sentence in late.misdeeds:
        ledger.breaks(PROMISE, sentence)
    if ledger.same_log(PROMISE, who, _moments(prompt), _moments(late)):
        reported, reported_late = _findings(prompt), _findings(late)
        if not ledger.holds(PROMISE, reported == reported_late):
            ledger.breaks(
                PROMISE, f"A card {who} reports otherwise: {difference(reported, reported_late, 'findings')}."
            )


def _moments(bench: WitnessBench) -> list[Seen]:
    return [seen for seen in bench.log if seen[0] != "finding"]


def _findings(bench: WitnessBench) -> list[Seen]:
    """What was reported, with the cycles that the findings themselves bear."""
    return sorted((seen[2:] for seen in bench.log if seen[0] == "finding"), key=str)
