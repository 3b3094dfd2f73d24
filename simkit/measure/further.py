"""Further runs of candidates that came near, made by one of the processes and read by the others."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path

from simkit.contract.errors import SimkitError
from simkit.files.whole import write_together
from simkit.suspect.more import More
from simkit.suspect.outcome import Outcome
from simkit.suspect.outcomes import Outcomes
from simkit.suspect.session import SESSION, packed, read_search
from simkit.suspect.trial import Trial


class SharedMore(More):
    """Keeps them in a folder, a file a candidate.

    Args:
        trial: that candidates were put through.
        names: lines that were observed.
        folder: where they are kept; it is made when there is something to keep.
    """

    def __init__(self, trial: Trial, names: Sequence[str], folder: Path) -> None:
        super().__init__(trial, names)
        self._folder, self._identity = folder, trial.identity

    def of(self, sentences: Sequence[str], power_ups: int | None = None) -> dict[str, tuple[Outcome, ...]]:
        """What further runs of candidates left, a power-up each, in the order of `seeds`."""
        wanted = {*self.seeds[:power_ups]}
        for one in dict.fromkeys(sentences):
            if not self._has(one, wanted):
                self._read(one)  # one by one: another process may have run it by now
            if not self._has(one, wanted) and super().of([one], power_ups):
                nothing = Outcomes(self._identity, self._names, {}, {}, (), {}, 0)
                content = packed(nothing, {one: self.kept[one]})
                write_together({self._file(one): content}, what="search", known=SESSION, make_folders=True)
        return super().of(sentences, power_ups)

    def _has(self, sentence: str, seeds: set[int]) -> bool:
        return self.kept.get(sentence, {}).keys() >= seeds

    def _read(self, sentence: str) -> None:
        try:
            outcomes, further = read_search(self._file(sentence))
        except (FileNotFoundError, SimkitError):
            return  # not there, or not what this kit writes: it is run, and written anew
        if outcomes.identity == self._identity and outcomes.names == self._names and sentence in further:
            self.kept.setdefault(sentence, {}).update(further[sentence])

    def _file(self, sentence: str) -> Path:
        return self._folder / f"{hashlib.sha256(sentence.encode()).hexdigest()[:20]}.search"
