"""What can be read off the screen, or the terminal, at the end: the letter whose place tells most of candidates."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.suspect.outcome import Outcome

Letters = NDArray[np.uint32]
"""Code points, (rows, columns)."""

LATE_LOOKS = 4
"""At the end: what changes between them is not asked for."""
MOST_ROWS, MOST_COLUMNS = 100, 200
VARIES = np.uint32(0)
_BLANK, _FIRST, _LAST = 0x20, 0x21, 0x7E
"""What everybody can type."""


@attrs.frozen
class Place:
    """Where a letter stands.

    Attributes:
        slot: of the screen, or of the serial card whose terminal it is.
        row, column: counted from 0.
    """

    slot: int
    row: int
    column: int

    @property
    def words(self) -> str:
        """For a builder."""
        return f"row {self.row + 1}, column {self.column + 1}"

    def read(self, text: str) -> str:
        """The letter that stands there, " " for none."""
        lines = text.split("\n")
        line = lines[self.row] if self.row < len(lines) else ""
        return line[self.column] if self.column < len(line) else " "


def letters_by_place(runs: Mapping[str, Sequence[Outcome]]) -> tuple[list[Place], NDArray[np.uint32]]:
    """Places at which candidates show other letters than one another, and the letters.

    Args:
        runs: of the candidates.

    Returns:
        places, and for each candidate, in order, and each place the code point that all its runs show late, or VARIES.
    """
    own = list(runs.values())
    slots = {slot for each in own for run in each for look in run.looks[-LATE_LOOKS:] for slot in look.texts}
    places: list[Place] = []
    columns: list[NDArray[np.uint32]] = []
    for slot in sorted(slots):
        held = np.stack([_steady(each, slot) for each in own])
        can_be_told = (held == VARIES) | ((held >= _BLANK) & (held <= _LAST))
        differ = (held != held[0]).any(axis=0) & can_be_told.all(axis=0)
        for row, column in np.argwhere(differ).tolist():
            places.append(Place(slot, row, column))
            columns.append(held[:, row, column])
    return places, np.stack(columns, axis=1) if columns else np.zeros((len(own), 0), np.uint32)


def _steady(runs: Sequence[Outcome], slot: int) -> Letters:
    """What all runs show late at each place."""
    texts = {look.texts.get(slot, "") for run in runs for look in run.looks[-LATE_LOOKS:]}
    first, *others = [_letters(text) for text in sorted(texts)]
    for other in others:
        first = np.where(first == other, first, VARIES)
    return first


def _letters(text: str) -> Letters:
    found = np.full((MOST_ROWS, MOST_COLUMNS), _BLANK, np.uint32)
    for row, line in enumerate(text.split("\n")[:MOST_ROWS]):
        codes = np.frombuffer(line[:MOST_COLUMNS].encode("utf-32-le", "surrogatepass"), np.uint32)
        found[row, : len(codes)] = np.where(codes == VARIES, np.uint32(_BLANK), codes)
    return found
