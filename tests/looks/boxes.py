"""The boxes of what a drawing says: whether two texts lie over each other, are cut off, or are too small to read."""

from itertools import combinations

from simkit.looks.drawing import Drawing, Words

LEAST = 8
"""Pixels, at 96 an inch: 6 pt."""
UP, DOWN = 0.78, 0.22
"""How far letters reach over and under their line, by their size (DejaVu Sans Mono: 0.76 and 0.24 with brackets)."""


def box(words: Words) -> tuple[float, float, float, float]:
    """Left, top, right and bottom of a text."""
    x, y = words.left, words.at[1]
    return x, y - UP * words.size, x + words.width, y + DOWN * words.size


def lie_over(drawing: Drawing) -> list[tuple[str, str]]:
    """Pairs of texts that lie over each other."""
    boxes = [(one.text, box(one)) for one in drawing.things if isinstance(one, Words) and one.text]
    return [
        (first, second)
        for (first, a), (second, b) in combinations(boxes, 2)
        if a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]
    ]


def outside(drawing: Drawing) -> list[str]:
    """Texts that reach over the edge."""
    return [
        one.text
        for one in drawing.things
        if isinstance(one, Words)
        and not (box(one)[0] >= 0 <= box(one)[1] and box(one)[2] <= drawing.width and box(one)[3] <= drawing.height)
    ]


def too_small(drawing: Drawing) -> list[str]:
    """Texts under 6 pt."""
    return [one.text for one in drawing.things if isinstance(one, Words) and one.size < LEAST]


def check_texts(drawing: Drawing) -> None:
    """No two texts lie over each other, none is cut off or too small."""
    assert lie_over(drawing) == []
    assert outside(drawing) == []
    assert too_small(drawing) == []
