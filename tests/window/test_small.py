"""Windows too small to read say so, whatever stands in them; from the least size on everything is there."""

import pytest

from simkit.looks.colours import INK, PAPER
from simkit.window.small import LEAST_PX, is_too_small

WIDE, HIGH = LEAST_PX


def shown_at(window, size):
    window.pygame.display.set_mode(size, window.pygame.RESIZABLE)
    window.app.painter.resized()
    window.ticks(30)
    surface = window.pygame.display.get_surface()
    return [tuple(surface.get_at((x, y)))[:3] for y in range(size[1]) for x in range(size[0])]


@pytest.mark.parametrize("size", [(WIDE - 1, HIGH), (WIDE, HIGH - 1), (120, 90), (60, 200), (1, 1)])
def test_a_window_too_small_says_so_on_paper_and_shows_nothing_else(hello, size):
    assert is_too_small(size)
    dots = shown_at(hello, size)
    assert set(hello.machine.screen.port.palette) & set(dots) <= {PAPER}
    assert dots.count(PAPER) > len(dots) * 0.6 or size == (1, 1)
    assert INK in dots or size == (1, 1)
    before = hello.machine.cycle
    hello.ticks(10)
    assert hello.machine.cycle > before, "the machine goes on"


def test_from_the_least_size_on_the_picture_is_there(hello):
    assert not is_too_small(LEAST_PX)
    dots = shown_at(hello, LEAST_PX)
    assert len(set(dots) & set(hello.machine.screen.port.palette)) > 1
    shown_at(hello, (120, 90))
    assert len(set(shown_at(hello, LEAST_PX)) & set(hello.machine.screen.port.palette)) > 1
