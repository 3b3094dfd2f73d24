"""Letters of the window: no holes in words, widths that are those of what is drawn."""

import string

import pytest

pygame = pytest.importorskip("pygame")

from simkit.looks.colours import INK  # noqa: E402
from simkit.window.lettering import TEXT_PX, Lettering  # noqa: E402

LARGE = 16  # times
LETTERS = string.ascii_letters + string.digits + "_$+-"


@pytest.fixture(scope="module")
def letters():
    pygame.font.init()
    return Lettering()


def _ink(image):
    """First column with ink, and the first one behind it."""
    box = image.get_bounding_rect(64)  # a trace of smoothing is no ink
    return box.left, box.right


def _bearings(letter):
    """Columns without ink left and right of a letter, in window pixels, as the font's own drawing has it: large."""
    font = pygame.font.Font(None, (TEXT_PX + 4) * LARGE)
    first, last, _, _, advance = font.metrics(letter)[0]
    return first / LARGE, (advance - last) / LARGE


def test_no_two_letters_have_a_hole_between_them(letters):
    """What is free between the ink of two letters is what the font leaves free, to less than two pixels."""
    alone = {letter: _ink(letters.image(letter, INK)) for letter in LETTERS}
    bearings = {letter: _bearings(letter) for letter in LETTERS}
    for first in LETTERS:
        for second in LETTERS:
            seen = letters.width(first) - alone[first][1] + alone[second][0]
            asked = bearings[first][1] + bearings[second][0]
            assert abs(seen - asked) < 2, (first, second)
    image = letters.image("wn", INK)  # and they stand in a text as they stand alone
    assert _ink(image) == (alone["w"][0], letters.width("w") + alone["n"][1])


def test_a_text_is_as_wide_as_its_letters(letters):
    for text in ("", "button", "DRAWING_READY at $8036", "drawn\n", "\N{SNOWMAN} \U0001f40c", "a\0b"):
        assert letters.width(text) == sum(map(letters.width, text))
        assert letters.image(text, INK).get_width() == letters.width(text)


def test_a_lit_lamp_and_a_dark_one_differ_in_grey_and_in_shape():
    """Lit: light inside, rays outside of the disc; dark: a disc. Compared dot by dot."""
    from simkit.looks.colours import LIT, PAPER, SHAPE, contrast
    from simkit.window.panel import RAY_PX, _draw_lamp

    seen = []
    for lit in (True, False):
        surface = pygame.Surface((40, 40))
        surface.fill(PAPER)
        _draw_lamp(surface, (20, 20), lit=lit)
        seen.append({(x, y): tuple(surface.get_at((x, y)))[:3] for x in range(40) for y in range(40)})
    lamp, dark = seen
    assert lamp[20, 20] == LIT
    far = [at for at in lamp if contrast(lamp[at], dark[at]) >= SHAPE]
    assert len(far) > 120
    outside = [(x, y) for x, y in far if (x - 20) ** 2 + (y - 20) ** 2 > 10**2]
    assert len(outside) >= 30, "rays"
    assert max(abs(x - 20) for x, _ in outside) == RAY_PX
