"""The line at the foot of the window that says something for a while."""

from __future__ import annotations

from collections.abc import Callable

MESSAGE_SECONDS = 5.0
READ_PER_SECOND = 20
"""Characters that a reader takes in; long messages stay longer."""
MOST_TEXTS = 4


class Notice:
    """What is said, and until when.

    Args:
        now: host time in seconds.
    """

    def __init__(self, now: Callable[[], float]) -> None:
        self._now = now
        self._said: Callable[[], str] | str = ""
        self._until = 0.0

    def say(self, text: str) -> None:
        """Show a text for some seconds; what stood there goes."""
        self._said, self._until = text, self._now() + max(MESSAGE_SECONDS, len(text) / READ_PER_SECOND)

    def add(self, text: str) -> None:
        """Say it below what stands there; of more than MOST_TEXTS the oldest go."""
        self.say("\n".join([*self.text.splitlines(), text][-MOST_TEXTS:]))

    def keep_saying(self, words: Callable[[], str]) -> None:
        """Show for some seconds what `words` gives whenever it is looked at."""
        self._said, self._until = words, self._now() + MESSAGE_SECONDS

    @property
    def text(self) -> str:
        """What is said now; "" when nothing is."""
        if self._now() >= self._until:
            self._said = ""
        return self._said if isinstance(self._said, str) else self._said()
