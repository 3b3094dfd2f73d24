"""Outcomes of all candidates of a trial, kept so that many symptoms can be held against the same ones."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cached_property

import attrs

from simkit.suspect.catalogue import Candidate
from simkit.suspect.outcome import Outcome

SOUND = ""
"""Sentence of no fault at all."""


@attrs.frozen(eq=False, slots=False)
class Outcomes:
    """What the candidates of a trial did.

    Attributes:
        identity: of the trial.
        names: lines that were observed; bit i of a word of a Stretch is the level of names[i].
        classes: candidates that make the same machine, by the sentence of the first of them; nothing measured on
            lines tells them apart.
        runs: by that sentence what the runs left, a power-up each; SOUND without a fault.
        not_shown: candidates that this program cannot show, as it never exercises what is wrong.
        troubles: by sentence why a candidate could not be run.
        wanted: how many candidates were to be looked into.
    """

    identity: str
    names: tuple[str, ...]
    classes: Mapping[str, tuple[Candidate, ...]]
    runs: Mapping[str, tuple[Outcome, ...]]
    not_shown: tuple[Candidate, ...]
    troubles: Mapping[str, str]
    wanted: int

    @property
    def is_whole(self) -> bool:
        """Whether every candidate was looked into, and what is to be run was run."""
        found = len(self.not_shown) + len(self.troubles) + sum(map(len, self.classes.values()))
        return found == self.wanted and all(name in self.runs for name in (SOUND, *self.classes))

    @property
    def faults(self) -> int:
        """How many candidates have been decided, run or not."""
        return (
            len(self.not_shown)
            + len(self.troubles)
            + sum(len(own) for name, own in self.classes.items() if name in self.runs)
        )

    def has(self, candidates: Iterable[Candidate]) -> bool:
        """Whether these candidates, and no others, were looked into."""
        own = [one.sentence for members in self.classes.values() for one in members]
        decided = {*own, *(one.sentence for one in self.not_shown), *self.troubles}
        return decided == {one.sentence for one in candidates} and SOUND in self.runs

    def of_kind(self, kind: str) -> list[Candidate]:
        """Candidates of a kind that were looked into."""
        decided = [*self.not_shown, *(one for members in self.classes.values() for one in members)]
        return [one for one in decided if one.kind == kind]

    @cached_property
    def shown_alike(self) -> list[list[str]]:
        """Names of classes whose runs left the same, together."""
        found: dict[tuple[bytes, ...], list[str]] = {}
        for name, runs in self.runs.items():
            found.setdefault(tuple(run.evidence for run in runs), []).append(name)
        return list(found.values())
