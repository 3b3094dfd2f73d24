"""Small drawing for inspection pictures: letters of 3 x 5 dots, sheets of cells with numbers at the edge, frames."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simkit.looks.colours import INK, PAPER, Rgb
from simkit.looks.patterns import TILE, Pattern

Colours = NDArray[np.uint8]

_LETTERS = {  # 3 x 5 dots, three bits a row from the top; our own drawing
    "0": (7, 5, 5, 5, 7), "1": (2, 6, 2, 2, 7), "2": (7, 1, 7, 4, 7), "3": (7, 1, 3, 1, 7), "4": (5, 5, 7, 1, 1),
    "5": (7, 4, 7, 1, 7), "6": (7, 4, 7, 5, 7), "7": (7, 1, 2, 2, 2), "8": (7, 5, 7, 5, 7), "9": (7, 5, 7, 1, 7),
    "A": (2, 5, 7, 5, 5), "B": (6, 5, 6, 5, 6), "C": (7, 4, 4, 4, 7), "D": (6, 5, 5, 5, 6), "E": (7, 4, 6, 4, 7),
    "F": (7, 4, 6, 4, 4), "G": (7, 4, 5, 5, 7), "H": (5, 5, 7, 5, 5), "I": (7, 2, 2, 2, 7), "L": (4, 4, 4, 4, 7),
    "J": (1, 1, 1, 5, 2), "K": (5, 5, 6, 5, 5), "Q": (2, 5, 5, 6, 3), "V": (5, 5, 5, 5, 2), "W": (5, 5, 7, 7, 5),
    "X": (5, 5, 2, 5, 5), "Y": (5, 5, 2, 2, 2), "Z": (7, 1, 2, 4, 7), "-": (0, 0, 7, 0, 0), ",": (0, 0, 0, 2, 4),
    "M": (5, 7, 7, 5, 5), "N": (6, 5, 5, 5, 5), "O": (2, 5, 5, 5, 2), "P": (7, 5, 7, 4, 4), "R": (6, 5, 6, 5, 5),
    "S": (3, 4, 2, 1, 6), "T": (7, 2, 2, 2, 2), "U": (5, 5, 5, 5, 7), "$": (3, 6, 7, 3, 6), " ": (0, 0, 0, 0, 0),
}  # fmt: skip


LINE_PX = 2
"""What parts the cells of a sheet."""


def write(picture: Colours, top: int, left: int, text: str, colour: Rgb = PAPER, *, scale: int = 1) -> None:
    """Write digits and capital letters, with a dark ground of their own when they are light; cut off at the edges."""
    block = np.zeros((7, 4 * len(text) + 1), bool)
    for place, character in enumerate(text):
        for row, bits in enumerate(_LETTERS[character]):
            for column in range(3):
                block[1 + row, 1 + place * 4 + column] = bits >> (2 - column) & 1
    block = block.repeat(scale, axis=0).repeat(scale, axis=1)
    top, left = max(top - scale, 0), max(left - scale, 0)
    region = picture[top : top + block.shape[0], left : left + block.shape[1]]
    if not region.size:
        return
    block = block[: region.shape[0], : region.shape[1]]
    if colour == PAPER:
        region[:] = INK
    region[block] = colour


def ruled(cell: Colours) -> Colours:
    """A cell with a line of two dots below and right of it, dark and light, which is seen between any two colours."""
    high, wide = cell.shape[0], cell.shape[1]
    ground = np.full((high + LINE_PX, wide + LINE_PX, 3), PAPER, np.uint8)
    ground[: high + 1, : wide + 1] = INK
    ground[:high, :wide] = cell
    return ground


def patterned(pattern: Pattern, rows: int, columns: int) -> NDArray[np.bool_]:
    """Which of rows x columns dots are dots of the pattern."""
    tile = np.array([[dot == "#" for dot in row] for row in pattern])
    return np.tile(tile, (-(-rows // TILE), -(-columns // TILE)))[:rows, :columns]


def sheet(cells: list[Colours], columns: int, *, scale: int = 3, numbered: bool = False) -> Colours:
    """Cells of one size in rows of `columns`, each dot `scale` wide and high, a line between.

    With `numbered`, the hexadecimal number of its first cell stands left of each row.
    """
    framed = []
    for cell in cells:
        large = cell.repeat(scale, axis=0).repeat(scale, axis=1)
        framed.append(ruled(large))
    rows = [np.concatenate(framed[n : n + columns], axis=1) for n in range(0, len(framed), columns)]
    picture = np.concatenate(rows, axis=0)
    if not numbered:
        return picture
    margin = np.full((picture.shape[0], 28, 3), INK, np.uint8)
    step = 256 // len(cells)
    for row in range(len(rows)):
        write(margin, row * rows[0].shape[0] + 8, 3, f"${row * columns * step:02X}", scale=2)
    return np.concatenate([margin, picture], axis=1)


def frame(picture: Colours, top: int, left: int, height: int, width: int) -> None:
    """Draw a frame of light and dark dots, seen on any ground; what lies outside the picture is left out."""
    rows, columns = picture.shape[:2]
    for row in range(max(top, 0), min(top + height, rows)):
        for column in (left, left + width - 1):
            if 0 <= column < columns:
                picture[row, column] = PAPER if row & 2 else INK
    for column in range(max(left, 0), min(left + width, columns)):
        for row in (top, top + height - 1):
            if 0 <= row < rows:
                picture[row, column] = PAPER if column & 2 else INK
