"""A line at the foot of the window in which the person writes something."""

from __future__ import annotations

from collections.abc import Callable

MOST_CHARACTERS = 200


class Question:
    """What is asked, and what has been written so far.

    Args:
        asked: what is wanted, in words.
        take: gets what was written; gives "" when it will do, else what is wrong with it.
        close: the question is answered, or given up.
    """

    wants_text = True

    def __init__(self, asked: str, take: Callable[[str], str], close: Callable[[], None]) -> None:
        self._asked = asked
        self._take = take
        self._close = close
        self._wrong = ""
        self.written = ""

    @property
    def words(self) -> str:
        """What stands at the foot."""
        return f"{self._asked}{self.written}_" + (f"\n{self._wrong}" if self._wrong else "")

    def key(self, name: str, *, control: bool) -> None:
        """Enter takes it, escape gives it up, backspace takes a character away."""
        if name in ("enter", "keypad enter"):
            self._wrong = self._take(self.written) if self.written.strip() else ""
            if not self._wrong:
                self._close()
        elif name == "escape":
            self._close()
        elif name == "backspace":
            self.written = self.written[:-1]

    def text(self, text: str) -> None:
        """Characters written."""
        self.written = (self.written + "".join(filter(str.isprintable, text)))[:MOST_CHARACTERS]
