"""Further runs of a few candidates, under power-ups and hands that the search has not had.

Four runs show little of how much runs of one and the same candidate differ from one another. Of the few that come near
to what was seen it is asked more: they are run again and again, and what they did is kept for the next question.
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
from simkit.suspect.sound import Sound
from simkit.suspect.trial import HANDS_VARY, WILD, Trial

POWER_UPS = 8
"""Further ones of each candidate."""
APART = 101
"""What one seed is more than the one before."""
SOUNDS_KEPT = POWER_UPS
"""Runs without a fault that are kept, some 40 MB each, where candidates are run in this process."""
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
        self._sounds: dict[int, Sound] = {}

    def of(self, sentences: Sequence[str]) -> dict[str, tuple[Outcome, ...]]:
        """What further runs of candidates left, a power-up each, in the order of `seeds`.

        Whoever ends the work gets those candidates alone that were run under all of them.

        Args:
            sentences: of the candidates; SOUND for the machine without a fault.
        """
        pieces = []
        for seed in self.seeds:
            todo = [one for one in dict.fromkeys(sentences) if seed not in self.kept.get(one, ())]
            if todo:
                pieces.append((seed, todo))
        for seed, made in self._here(pieces) if self._executor is None else self._there(self._executor, pieces):
            for sentence, outcome in made.items():
                self.kept.setdefault(sentence, {})[seed] = outcome
        found = {one: self.kept.get(one, {}) for one in sentences}
        whole = {one: own for one, own in found.items() if own.keys() >= {*self.seeds}}
        return {one: tuple(own[seed] for seed in self.seeds) for one, own in whole.items()}

    def _here(self, pieces: Sequence[tuple[int, list[str]]]) -> Iterator[tuple[int, dict[str, Outcome]]]:
        wanted = sum(len(todo) for _, todo in pieces)
        done = 0
        trial = self._trial() if pieces else self.trial
        for seed, todo in pieces:
            for sentence in todo:
                if not self._goes_on(done / wanted):
                    return
                if seed not in self._sounds:
                    if len(self._sounds) >= SOUNDS_KEPT:
                        self._sounds.pop(next(iter(self._sounds)))
                    self._sounds[seed] = Sound.of(trial, seed, self._names)
                yield seed, {sentence: run(trial, seed, sentence, self._names, self._sounds[seed])}
                done += 1

    def _there(
        self, executor: Executor, pieces: Sequence[tuple[int, list[str]]]
    ) -> Iterator[tuple[int, dict[str, Outcome]]]:
        if not pieces:
            return
        sent = packed(self._trial())
        waiting: dict[Future[dict[str, Outcome]], int] = {
            executor.submit(_run, sent, self._names, seed, todo): seed for seed, todo in pieces
        }
        try:
            while waiting and self._goes_on(1 - len(waiting) / len(pieces)):
                finished, _ = wait(waiting, timeout=WAIT_SECONDS, return_when=FIRST_COMPLETED)
                for future in finished:
                    yield waiting.pop(future), future.result()
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


def _run(sent: bytes, names: tuple[str, ...], seed: int, sentences: list[str]) -> dict[str, Outcome]:
    """In another process: candidates under one power-up."""
    trial: Trial = unpacked(sent)
    sound = Sound.of(trial, seed, names)
    return {sentence: run(trial, seed, sentence, names, sound) for sentence in sentences}
