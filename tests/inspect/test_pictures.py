"""Picture files of screens, written by the kit and read by another program, and the other way round.

W3C, Portable Network Graphics Specification, second edition, 10 November 2003.
"""

import io
import zlib

import numpy as np
import pytest
from PIL import Image

from simkit import Machine
from simkit.commands.new import write_machine
from simkit.inspect.pictures import png
from simkit.testing.golden import PictureError, difference, read_numbers, unequal_pixels


def test_a_screen_is_written_as_numbers_with_its_palette(tmp_path):
    machine = Machine.load("demo:marlpit")
    machine.run(frames=30)
    with Image.open(machine.screen.save_png(tmp_path / "all.png", scale=2)) as written:
        numbers, colours = np.array(written), written.getpalette()
    left, right, top, bottom = machine.screen.port.margins
    assert numbers.shape == ((top + 192 + bottom) * 2, (left + 256 + right) * 2)
    assert np.array_equal(numbers[top * 2 : -bottom * 2 : 2, left * 2 : -right * 2 : 2], machine.screen.pixels)
    assert colours[: 16 * 3] == [level for colour in machine.screen.port.palette for level in colour]


@pytest.mark.parametrize("depth", [1, 2, 4, 8])
def test_numbers_are_read_whatever_their_depth_and_filters(tmp_path, depth):
    """Section 7.2 (pixels packed into bytes), section 9 (filters)."""
    rng = np.random.default_rng(depth)
    numbers = rng.integers(0, 1 << depth, (31, 45)).astype(np.uint8)
    picture = Image.fromarray(numbers, "P")
    picture.putpalette(rng.integers(0, 256, 3 << depth).astype(np.uint8).tobytes())
    picture.save(tmp_path / "kept.png", bits=depth)
    assert np.array_equal(read_numbers(tmp_path / "kept.png"), numbers)


@pytest.mark.parametrize("kind", range(5))
def test_each_filter_is_undone(tmp_path, kind):
    """Section 9.2, written out again from its formulas: a byte less what a (left), b (up), c (corner) predict."""
    numbers = np.random.default_rng(kind).integers(0, 256, (9, 12))
    rows = []
    for y in range(9):
        rows.append(kind)
        for x in range(12):
            a, b = (numbers[y, x - 1] if x else 0), (numbers[y - 1, x] if y else 0)
            c = numbers[y - 1, x - 1] if x and y else 0
            p = a + b - c
            nearest = (
                a if abs(p - a) <= abs(p - b) and abs(p - a) <= abs(p - c) else b if abs(p - b) <= abs(p - c) else c
            )
            rows.append(int(numbers[y, x] - (0, a, b, (a + b) // 2, nearest)[kind]) & 0xFF)
    picture = Image.new("P", (12, 9))
    picture.putpalette(bytes(range(256)) * 3)
    picture.save(tmp_path / "kept.png", bits=8)
    data = (tmp_path / "kept.png").read_bytes()
    at = data.index(b"IDAT")
    body = zlib.compress(bytes(rows))
    chunk = len(body).to_bytes(4) + b"IDAT" + body + zlib.crc32(b"IDAT" + body).to_bytes(4)
    length = int.from_bytes(data[at - 4 : at])
    (tmp_path / "kept.png").write_bytes(data[: at - 4] + chunk + data[at + 8 + length :])
    assert np.array_equal(read_numbers(tmp_path / "kept.png"), numbers)


@pytest.mark.parametrize("damage", ["colours", "cut", "no picture", "a bit"])
def test_a_file_that_cannot_be_compared_is_told(tmp_path, damage):
    path = tmp_path / "kept.png"
    if damage == "colours":
        Image.new("RGB", (3, 3)).save(path)
    elif damage == "no picture":
        path.write_bytes(b"seeds")
    else:
        Image.new("P", (30, 30)).save(path)
        data = bytearray(path.read_bytes())
        data[40] ^= damage == "a bit"
        path.write_bytes(data[: 60 if damage == "cut" else None])
    with pytest.raises(PictureError) as told:
        read_numbers(path)
    assert told.value.file == str(path)
    assert "--simkit-accept" in str(told.value)


def test_pictures_of_two_sizes_differ_where_they_do_not_overlap():
    palette = np.array([(0, 0, 0), (255, 255, 255)], np.uint8)
    small, large = np.zeros((2, 2), np.uint8), np.zeros((3, 4), np.uint8)
    apart = difference(small, large, palette)
    assert apart is not None
    assert apart[:, -4:, 0].tolist() == [[0, 0, 255, 255], [0, 0, 255, 255], [255] * 4]
    assert unequal_pixels(small, large) is None
    assert unequal_pixels(small, small + 1) == 4
    assert difference(small, small, palette) is None


def test_the_picture_holds_the_text_that_a_run_waited_for(tmp_path):
    """The last whole frame was drawn with it, from its first line on."""
    folder, _ = write_machine(tmp_path / "potting-shed")
    machine = Machine.load(folder)
    machine.run(screen_text="HELLO!", timeout=1)
    seen = machine.screen.pixels
    assert len(set(seen.ravel().tolist())) > 1
    machine.run(frames=3)
    assert (machine.screen.pixels == seen).all()


@pytest.mark.parametrize("colours", [1, 2, 256, 257])
def test_a_picture_in_many_colours_or_few_is_the_same_in_its_file(colours):
    """Up to 256 fit a palette (ISO 15948, section 11.2.3)."""
    rng = np.random.default_rng(colours)
    kinds = rng.choice(1 << 24, colours, replace=False)
    words = np.concatenate([kinds, rng.choice(kinds, 300 - colours)]).reshape(12, 25)
    picture = np.stack([words >> 16, words >> 8 & 255, words & 255], axis=2).astype(np.uint8)
    with Image.open(io.BytesIO(png(picture))) as written:
        assert written.mode == ("P" if colours <= 256 else "RGB")
        assert np.array_equal(np.array(written.convert("RGB")), picture)
