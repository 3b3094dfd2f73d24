"""The long sequences of cycles in a capture of few lines, and the way along those that runs show.

Waiting loops and the moments of input make no run like another. But from cycle to cycle a machine can only do what its
fault lets it do: behind so many cycles that are as in a run of it comes one that came behind them in a run. Where none
does, one wrong bit may be to blame: then all sequences with that bit set right are shown. What is left are places at
which no run goes on as the capture does. Each counts once, as a loop may go through it in every round.

How many phrases of a sequence are not in another is a measure of how unlike their sources are (J. Ziv and N. Merhav, A
measure of relative entropy between individual sequences with application to universal classification, IEEE Transactions
on Information Theory 39, 1993; from memory); here noise is taken out of them.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.suspect.grams import Wanted, Words, changed, grams
from simkit.suspect.steadiness import MOST_AGAIN

LENGTH = 20
"""Cycles of a sequence. Of eight lines shorter ones are shown by many who never went there; noise spoils one in six."""
SURE = 8
"""Sequences that must go on with a bit set right for that bit to be called wrong, where the next noise is so near.
Ours."""


@attrs.frozen(eq=False)
class Walk:
    """How a capture goes along what runs of a class show.

    Attributes:
        wrong: bits that noise must have made wrong.
        places: at which no run goes on as the capture does.
        astray: different sequences behind such places, beyond those that hold the place itself, that no run shows.
        rows: sequences at such places and behind them, as they come: of what noise did there nothing is known.
    """

    wrong: int
    places: int
    astray: int
    rows: int


class LongSequences:
    """The long sequences of a capture, and what one wrong bit makes of each.

    Args:
        levels: of the lines that it sees alone, a word a row.
        whole: rows in which all of them are known.
        lost: rows before which some are missing.
        lines: bits of these lines.
    """

    def __init__(self, levels: Words, whole: NDArray[np.bool_], lost: NDArray[np.bool_], lines: Sequence[int]) -> None:
        mask = sum(1 << line for line in lines)
        numbers = grams(levels, mask, LENGTH)
        count = len(numbers)
        self.whole = np.ones(count, bool)
        for step in range(LENGTH if count else 0):
            self.whole &= whole[step : step + count]
            if step:
                self.whole &= ~lost[step : step + count]
        mended = changed(levels, mask, LENGTH, lines)
        wanted, at = np.unique(np.concatenate((numbers, mended.reshape(-1))), return_inverse=True)
        self.wanted = Wanted(wanted)
        self._walks: dict[bytes, Walk] = {}
        self.own, self._mended = at[:count], at[count:].reshape(mended.shape)

    @property
    def count(self) -> int:
        """How many of them are known."""
        return int(self.whole.sum())

    def unshown(self, shown: NDArray[np.bool_]) -> int:
        """How many of its sequences are not shown, given which of `wanted` are."""
        return int((self.whole & ~shown[self.own]).sum())

    def walk(self, shown: NDArray[np.bool_]) -> Walk:
        """Go along, given which of `wanted` the runs of a class show."""
        key = np.packbits(shown).tobytes()  # many show the same
        if key not in self._walks:
            unshown = self.whole & ~shown[self.own]
            self._walks[key] = walk_along(self.own, unshown, self.whole, self._together(shown))
        return self._walks[key]

    def _together(self, shown: NDArray[np.bool_]) -> NDArray[np.int8]:
        """How many sequences in a row are shown with one bit set right.

        Returns:
            (lines, LENGTH, n): of a line, the cycles from the wrong bit to the end of the first of them, and its place;
            negative where it goes on so until the bit is out of them.
        """
        fits = shown[self._mended] | ~self.whole
        found = np.zeros(fits.shape, np.int8)
        found[:, -1] = np.where(fits[:, -1], -1, 0)
        for back in range(LENGTH - 2, -1, -1):
            behind = np.full((len(fits), len(self.whole)), -1, np.int8)
            behind[:, :-1] = found[:, back + 1, 1:]
            found[:, back] = np.where(fits[:, back], np.where(behind < 0, behind - 1, behind + 1), 0)
        return found


def walk_along(
    sequences: NDArray[np.intp], unshown: NDArray[np.bool_], whole: NDArray[np.bool_], together: NDArray[np.int8]
) -> Walk:
    """Go along a row of sequences.

    Args:
        sequences: a number of each.
        unshown: which of them no run shows.
        whole: which of them are known.
        together: what `LongSequences._together` says.
    """
    at = np.flatnonzero(unshown)
    ends = np.flatnonzero(whole & ~unshown)
    wrong: Counter[int] = Counter()
    met: set[int] = set()
    places = astray = rows = number = anew = 0
    while number < len(at):
        place = int(at[number])
        is_first = place in (0, anew) or not whole[place - 1]  # nothing before it says which of its cycles is wrong
        tried = together[:, : LENGTH if is_first else 1, place].astype(np.intp)
        sure = np.where(tried < 0, LENGTH - tried, tried)
        line, back = np.unravel_index(int(sure.argmax()), sure.shape)
        goes = int(tried[line, back])
        if goes < 0:
            wrong[int(sequences[place])] += 1
            goes_on = place - goes
        elif goes >= SURE:  # and behind it another one: who holds both says nothing
            wrong[int(sequences[place])] += 1
            anew = goes_on = place + LENGTH - int(back)
        else:
            end = np.searchsorted(ends, place)
            goes_on = int(ends[end]) if end < len(ends) else len(whole)
            there = sequences[at[number : int(np.searchsorted(at, goes_on))]]
            new = set(there.tolist()) - met
            rows += len(there)
            places += int(sequences[place]) in new
            astray += max(0, len(new) - LENGTH)
            met |= new
        number = int(np.searchsorted(at, goes_on))
    again = sum(count > MOST_AGAIN for count in wrong.values())
    return Walk(sum(count for count in wrong.values() if count <= MOST_AGAIN), places + again, astray, rows)
