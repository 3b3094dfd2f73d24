"""What a candidate foretells to be noise explains nothing that is unlike its noise."""

import random
import zlib
from functools import partial

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simkit.suspect.amounts import distances
from simkit.suspect.blocks import Shown, of_pixels
from simkit.suspect.outcome import Look, Outcome
from simkit.suspect.screens import judge_shown
from simkit.suspect.seen import SeenMemory, SeenPicture, SeenText
from simkit.suspect.shown import memory_shown, picture_shown, text_shown

RUNS, FEW_RUNS = 12, 4
ROWS, COLUMNS = 12, 32
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789?!+-"
TITLE = "SEED DRAWERS\n\nPRESS A KEY"
OTHER_PROGRAM = "WATER BUTT LEVEL\n\n1  FULL\n2  HALF\n3  EMPTY\n\nNEXT LOOK AT 7"


def noise_of_letters(seed, part=0.7):
    drawn = random.Random(seed)
    cells = [drawn.choice(LETTERS) if drawn.random() < part else " " for _ in range(ROWS * COLUMNS)]
    return "\n".join("".join(cells[row * COLUMNS :][:COLUMNS]) for row in range(ROWS))


def signs(seed, shape=(96, 128)):
    """A screen full of signs of a noisy set of 40: blocks come again, as on a screen made of letters."""
    drawn = np.random.default_rng(seed)
    shapes = drawn.integers(0, 2, (40, 8, 8))
    names = drawn.integers(0, 40, (shape[0] // 8, shape[1] // 8))
    return shapes[names].transpose(0, 2, 1, 3).reshape(shape).astype(np.uint8)


def plain(colour, shape=(96, 128)):
    return np.full(shape, colour, np.uint8)


def drawn_on(colour):
    found = plain(colour)
    found[40:48, 32:88] = signs(5)[:8, :56]
    return found


def run_with(text=None, pixels=None, memory=b""):
    pictures = {} if pixels is None else {5: (*pixels.shape, zlib.compress(pixels.tobytes()))}
    look = Look(100, pictures, {} if text is None else {5: text})
    return Outcome(None, (), (look,), 100, "", False, 0, {1: (len(memory), zlib.compress(memory))})


def is_explained(seen, runs):
    if isinstance(seen, SeenText):
        views = partial(text_shown, seen, 0)
    elif isinstance(seen, SeenPicture):
        views = partial(picture_shown, seen, 0)
    else:
        views = partial(memory_shown, seen, [(1, at) for at in range(len(seen.content))])
    return not judge_shown({"a": runs}, views, "symptom", None).misfit


def texts(count, kinds):
    """Runs whose screens show what these make of a number, one after the other."""
    return [run_with(text=kinds[number % len(kinds)](number)) for number in range(count)]


NOISY = [noise_of_letters]
AT_TIMES = [noise_of_letters, lambda seed: ""]
SELDOM = [noise_of_letters, *[lambda seed: ""] * 3]


@pytest.mark.parametrize("kinds", [NOISY, AT_TIMES, SELDOM], ids=["always", "at times", "seldom"])
@pytest.mark.parametrize("count", [RUNS, FEW_RUNS])
@pytest.mark.parametrize("text", ["lorem ipsum 12345", TITLE, OTHER_PROGRAM, noise_of_letters(900, 0.05)])
def test_noise_explains_no_text_that_is_none(kinds, count, text):
    assert not is_explained(SeenText(text), texts(count, kinds))


@pytest.mark.parametrize("kinds", [NOISY, AT_TIMES], ids=["always", "at times"])
@pytest.mark.parametrize("count", [RUNS, FEW_RUNS])
def test_noise_explains_other_noise_of_its_kind_and_just_what_one_of_its_runs_shows(kinds, count):
    runs = texts(count, kinds)
    for seed in range(500, 520):
        assert is_explained(SeenText(noise_of_letters(seed)), runs)
    assert is_explained(SeenText(runs[0].looks[0].texts[5]), runs)


@given(
    letters=st.text(st.sampled_from(LETTERS), min_size=12, max_size=32),
    width=st.integers(6, COLUMNS),
    blank_at_times=st.booleans(),
    first=st.integers(0, 10_000),
    part=st.floats(0.4, 1.0),
)
def test_whatever_a_short_text_says_a_candidate_whose_runs_fill_the_screen_does_not_explain_it(
    letters, width, blank_at_times, first, part
):
    text = "\n".join(letters[at : at + width] for at in range(0, len(letters), width))
    runs = [
        run_with(text="" if blank_at_times and at % 2 else noise_of_letters(first + at, part)) for at in range(RUNS)
    ]
    assert not is_explained(SeenText(text), runs)


ONE_COLOUR = [run_with(pixels=plain(colour)) for colour in (1, 4, 9, 13, 4, 2, 7, 1, 11, 4, 8, 2)]
SIGNS = [run_with(pixels=signs(seed)) for seed in range(RUNS)]
STEADY = [run_with(pixels=drawn_on(4))] * RUNS


@pytest.mark.parametrize(
    ("pixels", "explained_by"),
    [
        (plain(4), [ONE_COLOUR]),
        (plain(14), [ONE_COLOUR]),
        (drawn_on(4), [STEADY]),
        (drawn_on(9), []),
        (signs(70), [SIGNS]),
        (np.kron(signs(71, (16, 16))[:12], np.ones((8, 8), np.uint8)), []),
        (np.random.default_rng(3).integers(0, 16, (96, 128)).astype(np.uint8), []),
        (np.vstack((drawn_on(4)[:48], signs(72)[:48])), []),
    ],
    ids=["one colour", "a new one", "drawn", "drawn on another", "signs", "big dots", "small dots", "half of each"],
)
@pytest.mark.parametrize("count", [RUNS, FEW_RUNS])
def test_a_picture_is_explained_by_candidates_of_its_kind_alone(pixels, explained_by, count):
    for runs in (ONE_COLOUR, SIGNS, STEADY):
        assert is_explained(SeenPicture(pixels), runs[:count]) == any(runs is one for one in explained_by)


def test_memory_that_the_power_up_fills_explains_no_memory_that_was_set():
    def noise(seed):
        return random.Random(seed).randbytes(256)

    runs = [run_with(memory=noise(seed)) for seed in range(RUNS)]
    assert all(is_explained(SeenMemory(0, noise(seed)), runs) for seed in range(600, 620))
    assert not is_explained(SeenMemory(0, bytes(256)), runs)
    assert not is_explained(SeenMemory(0, bytes(range(16)) * 16), runs)


def test_how_far_the_nearest_is_counts_what_is_new_once_and_in_standard_deviations():
    own = np.array([[of_pixels(plain(colour))] for colour in (1, 4, 4)], np.uint64)
    new, where, rows = distances(Shown(of_pixels(plain(7)), own))
    one_new = 2 * ((1 + 3 / 8) ** 0.5 - (3 / 8) ** 0.5)
    assert new.its == 0.0  # as new as the only one of colour 1 is
    assert new.among == [[pytest.approx(one_new * 2**0.5)], [0.0], [0.0]]
    assert (where.its, where.among) == (rows.its, rows.among) == (0.0, [[0.0]] * 3)


def test_as_many_letters_elsewhere_on_the_screen_are_another_noise():
    def lines(seed, rows):
        return "\n" * min(rows) + "\n".join(noise_of_letters(seed + row).split("\n")[0] for row in rows)

    runs = [run_with(text="TITLE\n" + lines(100 * seed, (4, 5))) for seed in range(RUNS)]
    assert is_explained(SeenText("TITLE\n" + lines(5000, (4, 5))), runs)
    assert not is_explained(SeenText("TITLE\n" + lines(5000, (9, 10))), runs)


STREWN = ["\n".join(noise_of_letters(seed, 0.2).split("\n")[:4]) for seed in range(40)]


@pytest.mark.parametrize("count", [RUNS, FEW_RUNS])
@pytest.mark.parametrize("text", ["lorem ipsum 12345", "HELLO WORLD\n\nREADY", TITLE, OTHER_PROGRAM])
def test_letters_strewn_over_some_lines_explain_no_words_though_they_be_as_many(text, count):
    runs = [run_with(text=one) for one in STREWN[:count]]
    assert not is_explained(SeenText(text), runs)
    assert all(is_explained(SeenText(one), runs) for one in STREWN[20:])


SIGNS_OF_TERMINALS = "".join(map(chr, range(33, 127)))


def few_signs(seed):
    drawn = random.Random(seed)
    return "\n".join(
        "".join(drawn.choice(SIGNS_OF_TERMINALS) if drawn.random() < 0.5 else " " for _ in range(width))
        for width in (7, 15)
    )


@pytest.mark.parametrize("text", ["HELLO WORLD\n\nREADY", "lorem ipsum\n12345", "3141592\n65358"])
def test_as_many_signs_of_every_sort_explain_no_text_of_one_sort(text):
    runs = [run_with(text=few_signs(seed)) for seed in range(RUNS)]
    assert not is_explained(SeenText(text), runs)
    assert all(is_explained(SeenText(few_signs(seed)), runs) for seed in range(600, 620))


def test_a_screen_that_goes_on_moving_is_held_to_other_moments_of_other_runs():
    def moving(start):
        return [of_pixels(np.hstack((plain(2)[:, : 8 * (start + at)], plain(1)))[:, :128]) for at in range(6)]

    moved = np.array([moving(1)] * 5, np.uint64)
    new, where, rows = distances(Shown(moved[0, 3], moved))
    assert new.its == where.its == rows.its == 0.0
    assert all(len(row) == 6 and min(row) > 0 for row in where.among)
