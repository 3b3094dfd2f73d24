"""Where things lie in the window: the picture by whole numbers with its borders, a pane beside it, foot and panel."""

from __future__ import annotations

from fractions import Fraction

import attrs

MAX_SCALE = 16
PANE_WIDEST_PX = 760
"""Longer lines are hard to read."""
PANEL_MOST = Fraction(1, 2)
"""Part of the window's height that lamps and buttons may take; in lower windows the last rows of them are not seen."""


@attrs.frozen
class Box:
    """A rectangle in window pixels."""

    x: int
    y: int
    width: int
    height: int

    def holds(self, x: int, y: int) -> bool:
        """Whether a point lies in it."""
        return self.x <= x < self.x + self.width and self.y <= y < self.y + self.height


@attrs.frozen
class Shape:
    """What has to fit.

    Attributes:
        width: pixels of the picture across, without borders.
        height: pixels down.
        margins: border sizes in picture pixels: left, right, top, bottom.
        pixel_aspect: width of a pixel divided by its height.
        panel_height: window pixels below the picture, for lamps and buttons.
    """

    width: int
    height: int
    margins: tuple[int, int, int, int] = (0, 0, 0, 0)
    pixel_aspect: Fraction = Fraction(1)
    panel_height: int = 0

    @property
    def whole(self) -> tuple[int, int]:
        """Pixels across and down with the borders."""
        left, right, top, bottom = self.margins
        return self.width + left + right, self.height + top + bottom


@attrs.frozen
class Layout:
    """Where a shape lies.

    Attributes:
        across: window pixels a picture pixel is wide.
        down: window pixels it is high.
        picture: the picture with its borders.
        panel: lamps and buttons, as much of them as PANEL_MOST allows; of height 0 when there are none.
        foot: the line between the two that says how the machine goes.
        room: what the others leave for the picture.
        pane: what is read beside the picture, below it, or over it where there is no room; None when nothing is.
    """

    across: int
    down: int
    picture: Box
    panel: Box
    foot: Box
    room: Box
    pane: Box | None = None


def scales(shape: Shape, down: int) -> tuple[int, int]:
    """Whole-number repeats of a pixel across and down; across comes as near to the pixel's true shape as it can."""
    return max(1, round(down * shape.pixel_aspect)), down


def size_at(shape: Shape, down: int) -> tuple[int, int]:
    """Window size that a scale needs."""
    across, down = scales(shape, down)
    width, height = shape.whole
    return width * across, height * down + shape.panel_height


def best_scale(shape: Shape, width: int, height: int) -> int:
    """Largest scale that fits into a window, at least 1."""
    scale = 1
    while scale < MAX_SCALE:
        needed = size_at(shape, scale + 1)
        if needed[0] > width or needed[1] > height:
            break
        scale += 1
    return scale


def lay_out(
    shape: Shape,
    width: int,
    height: int,
    *,
    foot: int = 0,
    pane: tuple[int, int] | None = None,
    instead: tuple[int, int] = (0, 0),
) -> Layout:
    """Place the picture in the middle of what the others leave, as large as a whole number allows.

    Args:
        shape: what has to fit.
        width: of the window.
        height: of the window.
        foot: height of the line above the panel.
        pane: least width and height of what is read beside the picture; None when nothing is.
        instead: the same of what stands in the place of a picture, when there is none.
    """
    panel = min(shape.panel_height, int(height * PANEL_MOST))
    room = Box(0, 0, width, max(0, height - panel - foot))
    pane_box = _beside(shape, room, pane, instead) if pane is not None else None
    if pane_box is not None and pane_box.x > 0:
        room = Box(0, 0, pane_box.x, room.height)
    elif pane_box is not None and pane_box.y > 0:
        room = Box(0, 0, width, pane_box.y)
    bare = attrs.evolve(shape, panel_height=0)
    across, down = scales(shape, best_scale(bare, room.width, room.height))
    picture_width, picture_height = shape.whole[0] * across, shape.whole[1] * down
    picture = Box(
        (room.width - picture_width) // 2, max(0, (room.height - picture_height) // 2), picture_width, picture_height
    )
    top = height - panel
    foot_box = Box(0, max(0, top - foot), width, foot)
    return Layout(across, down, picture, Box(0, top, width, panel), foot_box, room, pane_box)


def _beside(shape: Shape, room: Box, least: tuple[int, int], instead: tuple[int, int]) -> Box:
    """Where a pane lies: right of the picture, else below it, else over all of the room."""
    bare = attrs.evolve(shape, panel_height=0)
    wide, high = instead
    if shape.height:
        wide, _ = size_at(bare, best_scale(bare, room.width - least[0], room.height))
        _, high = size_at(bare, best_scale(bare, room.width, room.height - least[1]))
    if room.width - wide >= least[0] and room.height >= least[1] and wide:
        width = min(room.width - wide, max(PANE_WIDEST_PX, least[0]))
        if not shape.height:
            width = max(least[0], min(width, room.width // 3))
        return Box(room.width - width, 0, width, room.height)
    if room.height - high >= least[1] and high:
        return Box(0, high, room.width, room.height - high)
    return room
