"""Where on picture and border a moment lies, against a walk of the beam from dot to dot.

Sizes: 342 dots a line, 262 or 313 lines (published notes on measurements on parts); 28 dots and 51 lines of border at
60 Hz, three lines more above (gateware quirks document, Video timing); 13 of the dots left: from memory.
"""

from functools import cache
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from simkit_cards.tile_video.raster import Raster, margins
from simkit_cards.tile_video.sweep import Sweep, colours

WAYS = [(262, 27, 256), (262, 27, 0), (262, 27, 300), (262, 27, 341), (313, 54, 256), (313, 0, 256), (313, 102, 8)]
"""Lines a frame, top border, dot of line 191 at which a frame ends."""


@cache
def way(lines, top, flag_dot):
    """The sweep, and its visible dots in order of time: (ticks each begins at, position on the picture)."""
    sizes = margins(lines, top)
    left, right, top, bottom = sizes
    found = []
    for line in range(191 - lines, 193):
        for dot in range(-left, 256 + right):
            ticks = line * 684 + dot * 2
            if not 191 * 684 + 2 * (flag_dot - lines * 342) <= ticks < 191 * 684 + 2 * flag_dot:
                continue
            row = line + top if line >= -top else line + lines + top
            if row < top + 192 + bottom:
                found.append((ticks, row * (left + 256 + right) + dot + left))
    return Sweep(Raster(lines, flag_dot), sizes), np.array(found)


@pytest.mark.parametrize(("lines", "top", "flag_dot"), WAYS)
def test_each_dot_of_picture_and_border_is_passed_once_in_a_sweep(lines, top, flag_dot):
    sweep, dots = way(lines, top, flag_dot)
    assert sorted(dots[:, 1]) == list(range(sweep.size))
    chosen = dots[:: 97 if lines == 262 else 211]
    assert [sweep.position(int(ticks)) for ticks in chosen[:, 0]] == chosen[:, 1].tolist()


@settings(deadline=None, max_examples=40)
@given(
    st.sampled_from(WAYS),
    st.integers(0, 255),
    st.lists(st.tuples(st.integers(-313 * 684, 192 * 684), st.integers(0, 255)), max_size=12),
)
def test_runs_give_each_dot_what_register_7_held_when_the_beam_was_there(chosen, before, changes):
    sweep, dots = way(*chosen)
    lines, _, flag_dot = chosen
    end = 191 * 684 + flag_dot * 2
    changes = sorted((change for change in changes if end - lines * 684 <= change[0] < end), key=lambda one: one[0])
    held = np.full(len(dots), before)
    for ticks, value in changes:
        held[dots[:, 0] >= ticks] = value
    expected = np.zeros(sweep.size, int)
    expected[dots[:, 1]] = held
    runs = sweep.runs(before, changes)
    places = [position for position, _ in runs]
    assert places[0] == 0
    assert places == sorted(set(places))
    shown = np.repeat([value for _, value in runs], np.diff([*places, sweep.size]))
    assert np.array_equal(shown, expected)
    backdrop = colours(runs)
    assert all(one[1] != other[1] for one, other in pairwise(backdrop))
    shown = np.repeat([value for _, value in backdrop], np.diff([*(position for position, _ in backdrop), sweep.size]))
    assert np.array_equal(shown, expected & 15)
