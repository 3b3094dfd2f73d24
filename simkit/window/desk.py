"""What lies beside the picture, and who has the keys: the machine, a pane, or a question at the foot."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from simkit.window.pane import Pane

if TYPE_CHECKING:
    from simkit.window.painter import Painter
    from simkit.window.question import Question

WHEEL_ROWS = 3


class Desk:
    """Panes and keys.

    Args:
        painter: knows where things lie.
        count_clicked: the count of findings was clicked.

    Attributes:
        pane: what lies beside the picture, or None.
        question: what is asked at the foot, or None; it has the keys before all others.
        changed: called when the keys go elsewhere.
    """

    def __init__(self, painter: Painter, count_clicked: Callable[[], None]) -> None:
        self._painter = painter
        self._count_clicked = count_clicked
        self.pane: Pane | None = None
        self.question: Question | None = None
        self.changed: Callable[[], None] = lambda: None

    def lay(self, pane: Pane, *, keys: bool) -> None:
        """Lay a pane beside the picture, in the place of any other."""
        if self.pane is not None and self.pane is not pane:
            self.pane.has_keys = False
        self.pane = pane
        if keys:
            self.give_keys(pane)

    def close(self) -> None:
        """Take the pane away."""
        if self.pane is not None:
            self.pane.has_keys = False
            self.pane = None
            self.changed()

    def ask(self, question: Question | None) -> None:
        """Ask something, or no longer."""
        self.question = question
        self.changed()

    def give_keys(self, pane: Pane | None) -> None:
        """The keys go to a pane; None: to the machine."""
        for one in (*(one for one, _ in self._painter.panes()), self.pane):
            if one is not None:
                one.has_keys = one is pane
        if pane is not None:
            pane.has_keys = True
        self.changed()

    @property
    def taker(self) -> Question | Pane | None:
        """Who has the keys; None: the machine."""
        if self.question is not None:
            return self.question
        panes = [self.pane, *(one for one, _ in self._painter.panes())]
        return next((one for one in panes if one is not None and one.has_keys), None)

    def key(self, name: str, *, control: bool) -> bool:
        """A key of the host goes to who has the keys; False: that is the machine."""
        taker = self.taker
        if taker is None:
            return False
        if name == "escape" and not taker.wants_text:
            self.close()
        else:
            taker.key(name, control=control)
        return True

    def text(self, text: str) -> None:
        """Characters go to who has the keys."""
        if self.taker is not None:
            self.taker.text(text)

    def click(self, x: int, y: int) -> bool:
        """The left button was pressed there; False: there is nothing of ours."""
        if self._painter.is_count_at(x, y):
            self._count_clicked()
            return True
        for pane, box in self._painter.panes():
            if box.holds(x, y):
                if pane.closes_at(x, y):
                    self.close()
                elif not pane.has_keys:
                    self.give_keys(pane)
                return True
        if self.taker is not None and self.question is None:
            self.give_keys(None)
        return False

    def wheel(self, rows: int, x: int, y: int) -> None:
        """The wheel was turned there, so many notches down."""
        panes = self._painter.panes()
        under = [pane for pane, box in panes if box.holds(x, y)] or [pane for pane, _ in panes]
        if under:
            under[0].scroll(rows * WHEEL_ROWS)
