"""Further runs of a few candidates, under power-ups and hands that the search has not had.

Four runs show little of how much runs of one and the same candidate differ from one another. Of the few that come near
to what was seen it is asked more: they are run again and again, and what they did is kept for the next question. What
is asked is what screens, terminals and memories show, and where a run hangs: of bus cycles those at the end are kept.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Executor, Future, wait
from fractions import Fraction
from functools import cached_property
from types import MappingProxyType

import attrs

from simkit.suspect.outcome import Outcome, run
from simkit.suspect.sent import packed, unpacked
from simkit.suspect.trial import HANDS_VARY, WILD, Trial

POWER_UPS = 8
"""Further ones of each candidate."""
APART = 101
"""What one seed is more than the one before."""
LONGER = 15
"""How many times as many accesses are waited for as in the search before a run has gone wild: of few candidates it is
worth a second to know what they show at the end."""
WAIT_SECONDS = 0.2
SETTLED = Fraction(50, 1000)
"""Seconds after which a program has shown what it makes of an input: three frames of a screen (from memory)."""

GoesOn = Callable[[float], bool]
"""Told the part that is done; False ends the work."""


class More:
    """Runs candidates of a search again.

    Args:
        trial: that they were put through.
        names: lines that were observed, as the search's outcomes say them.
        executor: who does the work; None: this process.
        goes_on: asked now and then while they run.
        power_ups: how many further ones; None: POWER_UPS.
        known: what was run before, of the same trial.

    Attributes:
        trial: that they were put through; it builds the machine of a candidate: `trial.machine(seed, sentence)`.
        seeds: of the further power-ups.
        kept: by sentence and seed what was run so far.
    """

    def __init__(
        self,
        trial: Trial,
        names: Sequence[str],
        executor: Executor | None = None,
        goes_on: GoesOn = lambda part: True,
        power_ups: int | None = None,
        known: Mapping[str, Mapping[int, Outcome]] = MappingProxyType({}),
    ) -> None:
        self.trial = trial
        count = POWER_UPS if power_ups is None else power_ups
        self.seeds = tuple(max(trial.seeds) + APART * number for number in range(1, count + 1))
        self._names = tuple(names)
        self._executor = executor
        self._goes_on = goes_on
        self.kept: dict[str, dict[int, Outcome]] = {name: dict(own) for name, own in known.items()}

    def of(self, sentences: Sequence[str], power_ups: int | None = None) -> dict[str, tuple[Outcome, ...]]:
        """What further runs of candidates left, a power-up each, in the order of `seeds`.

        Whoever ends the work gets those candidates alone that were run under all that were asked for.

        Args:
            sentences: of the candidates; SOUND for the machine without a fault.
            power_ups: how many of `seeds`, from the first on; None: all.
        """
        seeds = self.seeds[:power_ups]
        one_by_one = dict.fromkeys(sentences)
        todo = [(one, seed) for one in one_by_one for seed in seeds if seed not in self.kept.get(one, ())]
        if todo:
            made = self._here(todo) if self._executor is None else self._there(self._executor, todo)
            for sentence, seed, outcome in made:
                self.kept.setdefault(sentence, {})[seed] = outcome
        found = {one: self.kept.get(one, {}) for one in one_by_one}
        return {one: tuple(own[seed] for seed in seeds) for one, own in found.items() if own.keys() >= {*seeds}}

    def _here(self, todo: Sequence[tuple[str, int]]) -> Iterator[tuple[str, int, Outcome]]:
        trial = self._trial()
        for done, (sentence, seed) in enumerate(todo):
            if not self._goes_on(done / len(todo)):
                return
            yield sentence, seed, run(trial, seed, sentence, self._names, None)

    def _there(self, executor: Executor, todo: Sequence[tuple[str, int]]) -> Iterator[tuple[str, int, Outcome]]:
        sent = packed(self._trial())
        waiting: dict[Future[Outcome], tuple[str, int]] = {
            executor.submit(_run, sent, self._names, seed, sentence): (sentence, seed) for sentence, seed in todo
        }
        try:
            while waiting and self._goes_on(1 - len(waiting) / len(todo)):
                finished, _ = wait(waiting, timeout=WAIT_SECONDS, return_when=FIRST_COMPLETED)
                for future in finished:
                    yield *waiting.pop(future), future.result()
        finally:
            for future in waiting:
                future.cancel()

    @property
    def hands_done(self) -> int:
        """Cycle from which on a screen shows what comes of all that hands did; 0 where they did nothing."""
        return self._sound_run[1]

    def _trial(self) -> Trial:
        """The trial with another bound for runs that go wild than the search has."""
        most = max(LONGER * self.trial.most_accesses, WILD * self._sound_run[0])
        return attrs.evolve(self.trial, most_accesses=most)

    @cached_property
    def _sound_run(self) -> tuple[int, int]:
        """Accesses that the machine without a fault asks cards for, and when its hands are done."""
        machine = self.trial.machine(self.trial.seeds[0])
        kept = self.trial.prepared(machine, self.trial.seeds[0])
        last: list[int] = []
        machine.bus.watchers.add(outside=lambda event: last.append(event[0]))
        machine.run_to(self.trial.cycles)
        del kept
        behind = int((HANDS_VARY + SETTLED) * machine.description.clock_hz)
        return machine.bus.accesses.made, last[-1] + behind if last else 0


def _run(sent: bytes, names: tuple[str, ...], seed: int, sentence: str) -> Outcome:
    """In another process: a candidate under one power-up."""
    return run(unpacked(sent), seed, sentence, names, None)
