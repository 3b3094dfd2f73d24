"""Units: an input by its name, so that anybody can have the same one again."""

from __future__ import annotations

import attrs

from fuzzing.kinds import KINDS
from fuzzing.processes import PROCESS_KINDS
from fuzzing.rolls import Rolls
from fuzzing.sample import Sample


@attrs.frozen
class Unit:
    """An input by seed, kind and number, written SEED/KIND/NUMBER.

    Attributes:
        seed: of the whole run.
        kind: one of KINDS, or of PROCESS_KINDS, which are run as processes.
        number: which of its kind.
    """

    seed: int
    kind: str
    number: int

    def __str__(self) -> str:
        return f"{self.seed}/{self.kind}/{self.number}"

    @classmethod
    def of_text(cls, text: str) -> Unit:
        """The unit of that name.

        Raises:
            ValueError: there is none.
        """
        seed, kind, number = text.split("/")
        if kind not in KINDS and kind not in PROCESS_KINDS:
            raise ValueError(f"{kind!r} is not a kind; known are {', '.join((*KINDS, *PROCESS_KINDS))}")
        return cls(int(seed), kind, int(number))

    @property
    def as_process(self) -> bool:
        """Whether it is run as a process."""
        return self.kind in PROCESS_KINDS

    def sample(self) -> Sample:
        """The input itself."""
        kind = PROCESS_KINDS[self.kind] if self.as_process else KINDS[self.kind]
        return kind.make(Rolls(str(self)))


def units(seed: int, count: int, kinds: list[str], *, processes: bool) -> list[Unit]:
    """So many units, each kind as often as its weight says, all of them mixed."""
    table = PROCESS_KINDS if processes else KINDS
    chosen = [kind for kind in (kinds or table) if kind in table]
    if not chosen:
        return []
    turns = [kind for kind in chosen for _ in range(table[kind].weight)]
    Rolls(seed).shuffle(turns)
    numbers = dict.fromkeys(chosen, 0)
    found = []
    for at in range(count):
        kind = turns[at % len(turns)]
        found.append(Unit(seed, kind, numbers[kind]))
        numbers[kind] += 1
    return found
