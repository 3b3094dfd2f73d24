"""What opens the bar: a key or both Shift keys together, and the pointer that rests at the top edge of the window.

Both Shift keys together are two presses with no other key between them. The first reaches the machine, as it may be all
that the person wants; the second does not, and as the bar takes the keys the first comes up again: a make code and a
break code, and no Shift that stays. With another key between them (a capital letter, and the hand changes) they are two
Shift keys of the machine.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from enum import Enum, auto

from simkit.outside.host_keys import KEY_NAMES

BOTH_SHIFTS = "both shifts"
SHIFTS = ("left shift", "right shift")
BAR_KEYS = (BOTH_SHIFTS, *KEY_NAMES)
"""What the bar key can be."""

EDGE_PX = 3
REST_SECONDS = 0.5
"""A pointer on its way out of the window is past the edge long before."""


def bar_key_words(bar_key: str) -> str:
    """The bar key in words."""
    return "both Shift keys together" if bar_key == BOTH_SHIFTS else f"the key {bar_key.title()}"


def how_to_open(bar_key: str) -> str:
    """How the bar is opened, in a sentence."""
    words = bar_key_words(bar_key)
    return f"{words[0].upper()}{words[1:]}, the right mouse button or the pointer at the top edge opens the bar."


class Press(Enum):
    """What a key that went down is."""

    OTHERS = auto()
    """Not the bar key: it goes on to whoever has the keys."""
    TURNS = auto()
    """Opens the bar, or closes it; nobody else's."""
    REPEATED = auto()
    """The host's repeat of one that turned it; nobody's."""


class BarKey:
    """Tells when the bar key was pressed.

    Args:
        name: one of BAR_KEYS.
    """

    def __init__(self, name: str) -> None:
        self._keys = frozenset(SHIFTS if name == BOTH_SHIFTS else (name,))
        self._down: set[str] = set()
        self._turned: set[str] = set()
        self._alone = True  # no other key came since the first of them went down

    def press(self, key: str) -> Press:
        """A key went down."""
        if key not in self._keys:
            self._alone = False
            return Press.OTHERS
        if key in self._down:
            return Press.REPEATED if key in self._turned else Press.OTHERS
        if not self._down:
            self._alone = True
        self._down.add(key)
        if self._down != self._keys or not self._alone:
            return Press.OTHERS
        self._turned.add(key)
        return Press.TURNS

    def release(self, key: str) -> None:
        """A key came up."""
        self._down.discard(key)
        self._turned.discard(key)

    def forget(self) -> None:
        """Releases may not have been told: the window lost the focus."""
        self._down.clear()
        self._turned.clear()


class TopEdge:
    """Tells when the pointer rests at the top edge of the window, once each time it comes there.

    Args:
        now: host time in seconds.
    """

    def __init__(self, now: Callable[[], float]) -> None:
        self._now = now
        self._away = True
        self._since = math.inf

    def move(self, y: int, *, drags: bool) -> None:
        """The pointer is there, window pixels from the top."""
        if y >= EDGE_PX or drags:
            self.leave()
        elif self._away:
            self._away, self._since = False, self._now()

    def leave(self) -> None:
        """The pointer is elsewhere."""
        self._away, self._since = True, math.inf

    def spend(self) -> None:
        """It has opened the bar, or that is open: the pointer has to come anew."""
        self._since = math.inf

    @property
    def rests(self) -> bool:
        """Whether the pointer has been there long enough."""
        return self._now() - self._since >= REST_SECONDS
