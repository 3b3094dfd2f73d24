"""Where the time went as a picture: a box for each routine, as wide as its cycles, below the one that calls it.

The main program and each handler are a box of their own in the first row; together they are as wide as all cycles. What
stands free below a box are its own cycles. Boxes that would be too narrow to be seen are drawn together, filled. All of
it can be read in print and in grey.
"""

from __future__ import annotations

from collections.abc import Sequence

import attrs

from simkit.looks.colours import INK, MUTED, PAPER, WHITE
from simkit.looks.drawing import LETTER, Area, Drawing, Stroke, Words
from simkit.spent.figures import MAIN, Node
from simkit.spent.result import Spent
from simkit.spent.words import number, percent

MOST_DEEP = 32
"""Rows of boxes; what is called deeper is not drawn."""
LISTED = 12
"""Routines named below the boxes."""
_WIDTH = 1160
_MARGIN = 16
_ROW = 22
_SMALL, _LARGE = 10, 15
_NARROW = 3.0
"""Pixels under which a box is drawn together with its neighbours."""
_LINE = 16

Thing = Stroke | Area | Words


@attrs.frozen
class _Box:
    """A box that is still to be drawn."""

    node: Node
    left: float
    row: int


def drawn(spent: Spent) -> Drawing:
    """The picture."""
    title = f"{spent.machine}: where {number(spent.cycles)} cycles went"
    things: list[Thing] = [Words((_MARGIN, 28), _cut(title, _LARGE, _WIDTH - 2 * _MARGIN), _LARGE, bold=True)]
    about = "A box is a routine, as wide as its cycles; below it stands what it calls. Dashed: a handler."
    about += " Filled: several, too narrow to be told apart."
    things.append(Words((_MARGIN, 48), about, _SMALL))
    scale = (_WIDTH - 2 * _MARGIN) / max(spent.cycles, 1)
    top = 62.0
    deepest, left_out = _boxes(things, spent.tree, scale, top)
    y = top + (deepest + 1) * _ROW + 22
    if left_out:
        things.append(Words((_MARGIN, y), f"What is called more than {MOST_DEEP} deep is not drawn.", _SMALL))
        y += _LINE
    y = _list(things, spent, y)
    return Drawing(_WIDTH, round(y + _MARGIN), title, things, ground=WHITE)


def _boxes(things: list[Thing], roots: Sequence[Node], scale: float, top: float) -> tuple[int, bool]:
    """Draw all; gives the lowest row, and whether something lies lower still."""
    todo = list(_beside(things, roots, float(_MARGIN), 0, scale, top))
    deepest, left_out = 0, False
    for box in todo:
        deepest = max(deepest, box.row)
        width = box.node.cycles * scale
        _draw(things, box, width, top)
        if box.row + 1 < MOST_DEEP:
            todo += _beside(things, box.node.below, box.left, box.row + 1, scale, top)
        else:
            left_out |= bool(box.node.below)
    if any(box.row == deepest and box.node.below for box in todo):
        deepest += 1  # the narrow ones
    return deepest, left_out


def _beside(things: list[Thing], nodes: Sequence[Node], left: float, row: int, scale: float, top: float) -> list[_Box]:
    """Boxes from left to right; those too narrow come last, drawn here as one."""
    found, narrow = [], 0
    for node in nodes:
        width = node.cycles * scale
        if width < _NARROW:
            narrow += node.cycles
            continue
        found.append(_Box(node, left, row))
        left += width
    if narrow * scale >= 0.5:
        y = top + row * _ROW
        right = left + narrow * scale
        things.append(Area(((left, y + 2), (right, y + 2), (right, y + _ROW - 4), (left, y + _ROW - 4)), MUTED))
    return found


def _draw(things: list[Thing], box: _Box, width: float, top: float) -> None:
    left, y = box.left, top + box.row * _ROW
    right, bottom = left + width - 1, y + _ROW - 2
    corners = ((left, y), (right, y), (right, bottom), (left, bottom))
    if box.node.place is None or box.node.cause:
        things.append(Area(corners, PAPER))
    things.append(Stroke((*corners, corners[0]), INK, 1, dashed=bool(box.node.cause)))
    text = _cut(box.node.name, _SMALL, width - 8)
    if len(text) > 2 or text == box.node.name:
        things.append(Words((left + 4, y + 14), text, _SMALL))


def _list(things: list[Thing], spent: Spent, y: float) -> float:
    """The largest, by cycles of their own."""
    rows = [(MAIN, spent.own), *((one.name, one.own) for one in spent.routines)]
    rows = sorted((row for row in rows if row[1]), key=lambda row: -row[1])[:LISTED]
    things.append(Words((_MARGIN, y), "Cycles of their own, without what they call:", _SMALL, bold=True))
    for name, own in rows:
        y += _LINE
        things.append(Words((_MARGIN + 90, y), number(own), _SMALL, anchor="end"))
        things.append(Words((_MARGIN + 150, y), percent(own, spent.cycles), _SMALL, anchor="end"))
        things.append(Words((_MARGIN + 166, y), _cut(name, _SMALL, 700), _SMALL))
    return y


def _cut(text: str, size: int, width: float) -> str:
    """As much of a text as has room."""
    room = max(0, int(width / (LETTER * size)))
    return text if len(text) <= room else text[: max(0, room - 1)] + ("…" if room else "")
