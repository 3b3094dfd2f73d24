"""The bar: what the person at the window can do to the machine, in words; opened as `bar_key.py` says.

While it is open the keys are the bar's: left, right, enter, escape, or the bar key to close it.
"""

from __future__ import annotations

from collections.abc import Callable

import attrs

_NEXT = ("right", "down", "tab")
_BEFORE = ("left", "up")
_DO = ("enter", "keypad enter", "space")


@attrs.frozen
class Entry:
    """One thing to do.

    Attributes:
        words: gives what stands in the bar, as it is now.
        act: does it.
        closes: whether the bar closes then.
    """

    words: Callable[[], str]
    act: Callable[[], None]
    closes: bool = True


class Bar:
    """Entries, which one is chosen, and whether the bar is open."""

    def __init__(self, entries: list[Entry]) -> None:
        self.entries = entries
        self.chosen = 0
        self.is_open = False

    def change(self, entries: list[Entry]) -> None:
        """Other entries from now on, as for another machine."""
        self.entries = entries
        self.chosen = min(self.chosen, len(entries) - 1)

    def open(self) -> None:
        """Open it; the first entry is chosen."""
        self.is_open = True
        self.chosen = 0

    def close(self) -> None:
        """Close it."""
        self.is_open = False

    def words(self) -> list[str]:
        """What stands in it."""
        return [entry.words() for entry in self.entries]

    def key(self, key: str) -> None:
        """A key went down while the bar is open."""
        if key in _NEXT:
            self.chosen = (self.chosen + 1) % len(self.entries)
        elif key in _BEFORE:
            self.chosen = (self.chosen - 1) % len(self.entries)
        elif key in _DO:
            self.do(self.chosen)
        elif key == "escape":
            self.close()

    def do(self, number: int) -> None:
        """Do the entry of that number."""
        self.chosen = number
        entry = self.entries[number]
        if entry.closes:
            self.close()
        entry.act()
