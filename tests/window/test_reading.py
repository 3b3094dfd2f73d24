"""A pane of text: its title."""

import pygame
import pytest

from simkit.looks.colours import Rgb
from simkit.window.layout import Box
from simkit.window.lettering import Lettering
from simkit.window.reading import CLOSE, LEAST_PX, TITLE_LINES_FROM_PX, Reading

TITLE = "At 3.087344 s, cycle 6 174 688"


class Noted(Lettering):
    """Letters that remember what was drawn with them."""

    def __init__(self) -> None:
        super().__init__()
        self.drawn: list[str] = []

    def image(self, text: str, colour: Rgb) -> pygame.Surface:
        self.drawn.append(text)
        return super().image(text, colour)


@pytest.mark.parametrize(
    ("width", "height", "expected"),
    [
        (600, LEAST_PX[1], [TITLE]),
        (LEAST_PX[0], TITLE_LINES_FROM_PX, ["At 3.087344 s, cycle", "6 174 688"]),
        (LEAST_PX[0], LEAST_PX[1], ["At 3.087344 s, cycle …"]),
    ],
)
def test_a_title_is_whole_where_there_is_room_and_cut_where_the_text_needs_it(width, height, expected):
    letters = Noted()
    Reading(TITLE).draw(pygame.Surface((width, height)), Box(0, 0, width, height), letters)
    assert letters.drawn[: letters.drawn.index(CLOSE)] == expected
