"""The picture in the window: whole numbers only, borders as the card gives them."""

from fractions import Fraction

from hypothesis import given
from hypothesis import strategies as st

from simkit.window.layout import Box, Shape, best_scale, lay_out, scales, size_at

VIDEO = Shape(256, 192, margins=(13, 15, 27, 24))


def test_the_picture_with_borders_fills_what_a_whole_number_allows():
    placed = lay_out(VIDEO, 1000, 800)
    assert (placed.across, placed.down) == (3, 3)
    assert (placed.picture.width, placed.picture.height) == (284 * 3, 243 * 3)


def test_a_window_smaller_than_the_picture_still_shows_it_once():
    assert best_scale(VIDEO, 100, 50) == 1


def test_a_panel_below_takes_its_room_from_the_picture():
    shape = Shape(256, 192, margins=(13, 15, 27, 24), panel_height=80)
    placed = lay_out(shape, 852, 729)
    assert placed.down == 2
    assert placed.panel.y == 729 - 80


def test_pixels_wider_than_high_get_the_nearest_whole_number():
    shape = Shape(256, 192, pixel_aspect=Fraction(8, 7))
    assert [scales(shape, n) for n in (1, 3, 4, 7)] == [(1, 1), (3, 3), (5, 4), (8, 7)]


def test_in_a_low_window_the_panel_leaves_half_of_it_to_the_rest():
    placed = lay_out(Shape(256, 0, panel_height=150), 240, 180, foot=30, pane=(100, 50), instead=(100, 50))
    assert placed.panel == Box(0, 90, 240, 90)
    assert placed.foot.y + placed.foot.height == placed.panel.y
    assert placed.room.height == 60


@given(
    st.integers(1, 400),
    st.integers(1, 300),
    st.tuples(*[st.integers(0, 40)] * 4),
    st.integers(1, 3000),
    st.integers(1, 2000),
    st.integers(0, 200),
)
def test_the_next_scale_up_never_fits(width, height, margins, across, down, panel):
    shape = Shape(width, height, margins, panel_height=panel)
    scale = best_scale(shape, across, down)
    needed = size_at(shape, scale + 1)
    assert scale == 16 or needed[0] > across or needed[1] > down
    if scale > 1:
        placed = lay_out(shape, across, down)
        assert placed.picture.x >= 0
        assert placed.picture.y + placed.picture.height <= placed.panel.y
