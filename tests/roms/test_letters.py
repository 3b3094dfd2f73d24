"""The letters that all programs share, and the colours of their text."""

import itertools
import re
from pathlib import Path

import numpy as np
import pytest

from simkit import Machine

ROMS = Path(__file__).resolve().parents[2] / "roms"
LETTERS = ROMS / "drivers" / "font.asm"
WITH_LETTERS = ("catalogue", "hello", "keyboard-test", "pad-test", "slug-watch", "video-test-card")
PAIRS = "0O 0D 0Q 08 1l 1I Il 1i 1| l| 5S 8B 8S 2Z 6G 6b 9g 9q uv UV VY oc OQ rn"
TEXT_SCREENS = ("catalogue", "hello", "keyboard-test", "pad-test", "video-test-card")


def drawn():
    """{character: (8, 8) array of dots}, from the source."""
    numbers = re.findall(r"%([01]{8})", LETTERS.read_text())
    dots = np.array([[int(dot) for dot in number] for number in numbers]).reshape(96, 8, 8)
    return {chr(0x20 + number): letter for number, letter in enumerate(dots)}


def test_every_program_has_the_letters_of_the_one_source():
    image = np.packbits(np.array(list(drawn().values()))).tobytes()
    assert len(image) == 768
    for name in WITH_LETTERS:
        assert (ROMS / f"{name}.bin").read_bytes().count(image) == 1, name
    with_font = [path.name for path in ROMS.rglob("*.asm") if re.search(r"^font:", path.read_text(), re.MULTILINE)]
    assert with_font == ["font.asm"]


def test_a_letter_leaves_room_to_the_next_one_and_none_is_like_another():
    letters = drawn()
    for character, letter in letters.items():
        assert not letter[:, 5:].any(), character  # text mode shows six columns
        if character not in "_|Qgjpqy,;":
            assert not letter[7].any(), character  # only tails reach the line below
    for one, other in itertools.combinations(letters, 2):
        assert (letters[one] != letters[other]).sum() >= 2, (one, other)


@pytest.mark.parametrize("pair", PAIRS.split())
def test_what_is_easily_taken_for_another_differs_by_four_dots_and_more(pair):
    one, other = (drawn()[character] for character in pair)
    assert (one != other).sum() >= 4


def luminance(colour):
    """Relative luminance of an sRGB colour, W3C, Web Content Accessibility Guidelines 2.1, 2018."""
    level = np.array(colour) / 255
    return np.where(level <= 0.04045, level / 12.92, ((level + 0.055) / 1.055) ** 2.4) @ (0.2126, 0.7152, 0.0722)


@pytest.mark.parametrize("rom", TEXT_SCREENS)
def test_text_is_dark_on_light_with_the_contrast_that_reading_asks_for(rom):
    """4.5 : 1 at least: Web Content Accessibility Guidelines 2.1, success criterion 1.4.3."""
    machine = Machine.load(ROMS.parent / "demo" / "marlpit", images={2: ROMS / f"{rom}.bin"})
    machine.run(seconds=0.3)
    ground, text = np.bincount(machine.screen.pixels.ravel(), minlength=16).argsort()[:-3:-1]
    palette = machine.screen.port.palette
    assert len(np.unique(machine.screen.pixels)) == 2
    assert luminance(palette[ground]) > luminance(palette[text])
    assert (luminance(palette[ground]) + 0.05) / (luminance(palette[text]) + 0.05) >= 4.5
