"""Where things lie in the window: the picture by whole numbers with its borders, lamps and buttons below it."""

from __future__ import annotations

from fractions import Fraction

import attrs

MAX_SCALE = 16


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
        panel: lamps and buttons; of height 0 when there are none.
    """

    across: int
    down: int
    picture: Box
    panel: Box


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


def lay_out(shape: Shape, width: int, height: int) -> Layout:
    """Place the picture in the middle of what the panel leaves, as large as a whole number allows."""
    across, down = scales(shape, best_scale(shape, width, height))
    picture_width, picture_height = shape.whole[0] * across, shape.whole[1] * down
    room = height - shape.panel_height
    picture = Box((width - picture_width) // 2, max(0, (room - picture_height) // 2), picture_width, picture_height)
    return Layout(across, down, picture, Box(0, max(0, room), width, shape.panel_height))
