"""Moves of lines that nobody follows: held back by the pins that make them, and written into the lines when asked for.

A port that drives lamps moves eight lines in one access, and most of the time nobody looks at any of them before the
next one. While moves are held back, lines and pins are of classes that have them written before anything else of them
is touched; then they are a `Line` and a `Pin` like others until the next move.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from simkit.contract.lines import HISTORY, Line, Pin
from simkit.contract.nets import Nets

LIMIT = 512
"""Moves held back at most. What is written when they are many is the last few of each line, so most cost nothing."""


class _BehindLine(Line):
    """A line with moves that are held back."""

    __slots__ = ()

    def __getattribute__(self, name: str) -> Any:
        _write(self)
        return getattr(self, name)

    def __setattr__(self, name: str, value: object) -> None:
        _write(self)
        setattr(self, name, value)


class _BehindPin(Pin):
    """A pin of such a line: the one that made the moves."""

    __slots__ = ()

    def __getattribute__(self, name: str) -> Any:
        _write(object.__getattribute__(self, "line"))
        return getattr(self, name)

    def __setattr__(self, name: str, value: object) -> None:
        _write(object.__getattribute__(self, "line"))
        setattr(self, name, value)


def _write(line: Line) -> None:
    """Have the moves of the line written, after which it is an ordinary one."""
    object.__getattribute__(line, "held").write()


class HeldMoves:
    """What one group of pins did to lines that it alone drives and nobody follows.

    Args:
        pins: each is the only one that can drive its line.
        nets: of those lines.
    """

    __slots__ = ("_lines", "_moves", "_nets")

    def __init__(self, pins: Iterable[Pin], nets: Nets) -> None:
        self._nets = nets
        self._lines: list[tuple[int, Pin, Line]] = []
        for pin in pins:
            assert pin.line is not None
            pin.line.held = self
            self._lines.append((pin.bit, pin, pin.line))
        self._moves: list[tuple[int, int, int]] = []  # cycle from which it counts, bits that were driven, levels

    def add(self, changed: int, levels: int, cycle: int) -> None:
        """Drive the pins whose bit in `changed` is 1 to their bit in `levels`, in the event or access of `cycle`."""
        if len(self._moves) >= LIMIT:
            self.write()
        if not self._moves:
            for _, pin, line in self._lines:
                pin.__class__, line.__class__ = _BehindPin, _BehindLine
        self._moves.append((cycle + self._nets.delay, changed, levels))

    def write(self) -> None:
        """Write the moves into lines and pins, as if each had been made in its turn."""
        moves, self._moves = self._moves, []
        for _, pin, line in self._lines:
            object.__setattr__(pin, "__class__", Pin)
            object.__setattr__(line, "__class__", Line)
        last, left_out = _last_changes(moves)
        for bit, pin, line in self._lines:
            changes = last.get(bit)
            if changes is None:
                continue
            if bit & left_out:
                line.level = not changes[-1][1]
            for counts_from, level in reversed(changes):
                if level is not line.level:
                    line.take(level, counts_from)
            pin.value = changes[0][1]


def _last_changes(moves: list[tuple[int, int, int]]) -> tuple[dict[int, list[tuple[int, bool]]], int]:
    """Of each bit its last changes that a line can remember: (cycle from which it counts, level), the last one first.

    Also gives the bits of which earlier changes are left out: what the first of these pushes out of a line's memory
    does not matter.
    """
    changes: dict[int, list[tuple[int, bool]]] = {}
    remembered: dict[int, int] = {}
    left_out = 0
    for counts_from, changed, levels in reversed(moves):
        bits = changed & ~left_out
        while bits:
            bit = bits & -bits
            bits ^= bit
            found = changes.setdefault(bit, [])
            if found and found[-1][0] > counts_from:  # the later one finds this one in the line and remembers it
                remembered[bit] = remembered.get(bit, 0) + 1
                if remembered[bit] == HISTORY:
                    left_out |= bit
            found.append((counts_from, levels & bit != 0))
    return changes, left_out
