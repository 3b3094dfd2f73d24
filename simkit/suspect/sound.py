"""The run without a fault under one power-up, and where another run parts from it.

Up to there the other run is this one, line by line: so of candidates only what comes behind is kept.
"""

from __future__ import annotations

from collections.abc import Sequence

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.machine.machine import Machine
from simkit.records.cycles import Cycles
from simkit.records.observed import AddressLevels, Observer, data_lines_of, on_data_lines
from simkit.records.recorder import Like, LineChanges
from simkit.suspect.trial import Trial

Words = NDArray[np.uint64]


@attrs.frozen(eq=False)
class Sound:
    """What a run without a fault showed, cycle by cycle.

    Attributes:
        names: lines.
        words: the bus cycles as they were recorded.
        marks: between them, as they were recorded.
        decoding: number of the decoding as the run began; None where it moves.
        address_levels: of the machine.
        levels: levels of the lines.
        changes: of those lines that do not move with each cycle.
        kinds: rows in which each address was read, or written, for the first time.
        data: byte on the data lines in these; None where a probe must tell.
    """

    names: tuple[str, ...]
    words: Words
    marks: Words
    decoding: int | None
    address_levels: AddressLevels
    levels: Words
    changes: LineChanges
    kinds: NDArray[np.intp]
    data: NDArray[np.uint8] | None

    @classmethod
    def of(cls, trial: Trial, seed: int, names: Sequence[str]) -> Sound:
        """Run it."""
        machine = trial.machine(seed)
        kept = trial.prepared(machine, seed)
        with Observer(machine, names) as observer:
            machine.run_to(min(trial.cycles, trial.followed))
        del kept
        observed = observer.observed
        cycles = observed.cycles
        index = cycles.address.astype(np.uint32) | cycles.is_write.astype(np.uint32) << np.uint32(16)
        kinds = np.sort(np.unique(index, return_index=True)[1])
        return cls(
            tuple(names),
            cycles.words,
            observer.marks,
            observer.decoding,
            observer.levels,
            observed.levels,
            observer.changes,
            kinds,
            data_lines_of(on_data_lines(machine), cycles[kinds]),
        )

    def like(self, machine: Machine, levels: AddressLevels) -> Like | None:
        """As far as another machine, just switched on, shows the same on all lines if it runs so; None: not at all.

        Args:
            machine: the other one.
            levels: of it.
        """
        mine = self.address_levels
        cycles = Cycles(self.words[self.kinds])
        data = data_lines_of(on_data_lines(machine), cycles)
        if data is None or self.data is None or (levels.names, levels.moving) != (self.names, mine.moving):
            return None
        if self.decoding is None or self.decoding != machine.bus.reach.banks.number:
            return None
        index = cycles.address.astype(np.uint32) | (~cycles.is_write).astype(np.uint32) << np.uint32(16)
        table = mine.differ(levels, self.decoding)
        odd = (table[index >> 3] >> (index & 7).astype(np.uint8) & 1 != 0) | (data != self.data)
        first = _first(odd)
        end = len(self.words) if first is None else int(self.kinds[first])
        return Like(self.words[:end], self.marks, self.changes.first)

    def parted(self, observer: Observer, names: Sequence[str], since: int = 0) -> int | None:
        """Row from which on another run shows something else, as far as both have come; None: it does not.

        Args:
            observer: of the other run; what it has forgotten was the same.
            names: lines that it observes.
            since: rows before it are known to be the same.
        """
        if tuple(names) != self.names:
            return 0
        if observer.is_alike:
            return None
        words, begin = observer.cycles.words, observer.forgotten
        since = max(since, begin)
        both = min(begin + len(words), len(self.words))
        other = _first(words[since - begin : both - begin] != self.words[since:both])
        firsts = None if other is None else since + other, self._other_changes(observer)
        found = [row for row in firsts if row is not None]
        rows = self.kinds[(self.kinds >= since) & (self.kinds < min([both, *found]))]
        if len(rows):
            seen = observer.part(rows - begin).levels
            odd = _first(seen != self.levels[rows])
            if odd is not None:
                found.append(int(rows[odd]))
        return min(found, default=None)

    def _other_changes(self, observer: Observer) -> int | None:
        """Row at which a line moves otherwise."""
        mine, its = self.changes, observer.changes
        if mine.first != its.first:
            return 0
        till = observer.last_cycle
        both = min(len(mine.cycle), len(its.cycle))
        other = (mine.cycle[:both] != its.cycle[:both]) | (mine.number[:both] != its.number[:both])
        other |= mine.level[:both] != its.level[:both]
        at = _first(other)
        at = both if at is None else at
        moments = [int(one.cycle[at]) for one in (mine, its) if at < len(one.cycle)]
        moment = min(moments, default=None)
        if moment is None or moment > till:
            return None
        return observer.forgotten + int(np.searchsorted(observer.cycles.cycle, moment))


def _first(flags: NDArray[np.bool_]) -> int | None:
    """Index of the first that is set."""
    if not flags.any():
        return None
    return int(flags.argmax())
