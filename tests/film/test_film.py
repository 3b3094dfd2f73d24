"""Films: every frame once, exactly the screen's pictures, at exact times; read back by another program than ours."""

import io
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from simkit import Machine
from simkit.contract.errors import SimkitError
from simkit.film.frames import Frame, Frames
from simkit.film.writing import PER_SECOND, SHORTEST, film, kind_of, pictures, timed
from simkit.outside.journal import record
from simkit.outside.player import Player
from simkit.outside.recording import read_recording


def filmed(machine, run, begin=0, border=False):
    frames = []
    watched = Frames(machine, machine.screen.slot, border=border, take=frames.append)
    watched.begin_with(begin)
    run()
    watched.stop()
    return frames, watched.palette


@pytest.fixture(scope="module")
def title():
    """Two seconds and a half of the game's title."""
    machine = Machine.load("demo:marlpit")
    machine.run(seconds=1.5)
    return filmed(machine, lambda: machine.run(seconds=2.5), begin=machine.cycle, border=True)


def test_each_frame_is_there_once_and_is_the_screens_picture_when_it_has_ended():
    machine, beside = Machine.load("demo:marlpit"), Machine.load("demo:marlpit")
    begin = 2_000_000
    frames, _ = filmed(machine, lambda: machine.run(seconds=2), begin)
    port = beside.screen.port
    expected, seen = [], None
    while beside.cycle < machine.cycle:
        beside.run(cycles=1000)
        number = port.frames(beside.cycle)
        if beside.cycle >= begin and seen is not None and number != seen:
            expected.append((number, port.pixels(beside.cycle)))
        seen = number
    assert [(frame.number, b"".join(frame.rows)) for frame in frames] == expected
    assert len(expected) in (59, 60)


def test_frames_last_as_long_as_the_machine_shows_them():
    machine = Machine.load("demo:marlpit", clock="4 MHz")
    frames, _ = filmed(machine, lambda: machine.run(seconds=0.2))
    assert {frame.seconds for frame in frames} == {machine.screen.frame_cycles / machine.clock_hz}


def test_a_recording_is_filmed_through_power_cycles(tmp_path):
    machine, path = Machine.load("demo:marlpit"), tmp_path / "a.rec"
    with record(machine, path):
        machine.run(seconds=0.5)
        machine.power_cycle()
        machine.run(seconds=0.5)
    player = Player(Machine.load("demo:marlpit"), read_recording(path))
    frames, _ = filmed(player.machine, lambda: player.run(10_000_000))
    numbers = [frame.number for frame in frames]
    assert numbers == [*range(1, numbers.index(1, 1) + 1), *range(1, len(numbers) - numbers.index(1, 1) + 1)]
    assert len(numbers) in range(56, 61)


@pytest.mark.parametrize("kind", ["WEBP", "GIF", "PNG"])
@pytest.mark.parametrize("scale", [1, 2])
def test_a_film_shows_the_very_pictures_at_their_times(title, kind, scale):
    frames, palette = title
    shown = timed(frames, kind)
    with Image.open(io.BytesIO(film(frames, palette, kind, scale))) as read:
        assert read.n_frames == len(shown) > 10
        assert read.size == (len(frames[0].rows[0]) * scale, len(frames[0].rows) * scale)
        for number, one in enumerate(shown):
            read.seek(number)
            picture = read.convert("RGB")
            assert read.info["duration"] == one.units * 1000 // PER_SECOND[kind]
            if number % 5 == 0:
                assert picture.tobytes() == as_rgb(one.frame.rows, palette, scale)


def as_rgb(rows, palette, scale):
    wide = (row if scale == 1 else bytes(pixel for pixel in row for _ in range(scale)) for row in rows)
    return b"".join(b"".join(bytes(palette[pixel]) for pixel in row) * scale for row in wide)


def test_pictures_are_numbered_and_exact(title):
    frames, palette = title
    made = pictures(frames[:3], palette, 2)
    assert list(made) == [f"frame-{frame.number:06d}.png" for frame in frames[:3]]
    for frame, data in zip(frames, made.values(), strict=False):
        with Image.open(io.BytesIO(data)) as read:
            assert read.convert("RGB").tobytes() == as_rgb(frame.rows, palette, 2)


@given(
    st.lists(st.integers(0, 3), min_size=1, max_size=400),
    st.fractions(Fraction(1, 130), Fraction(1, 20)),
    st.sampled_from(sorted(PER_SECOND)),
)
def test_times_never_add_up_an_error(looks, seconds, kind):
    """A picture begins in the unit nearest to its time, or is left out because the one before has just begun."""
    frames = [Frame(number, seconds, (bytes([look]),)) for number, look in enumerate(looks)]
    shown = timed(frames, kind)
    at = 0
    for one in shown:
        assert at == round(one.frame.number * seconds * PER_SECOND[kind])
        assert one.units >= SHORTEST[kind]
        at += one.units
    assert abs(at - len(frames) * seconds * PER_SECOND[kind]) <= SHORTEST[kind]


def test_a_film_that_is_too_long_is_refused_before_it_fills_the_memory(monkeypatch, title):
    frames, palette = title
    monkeypatch.setattr("simkit.film.writing.MOST_BYTES", 1_000_000)
    with pytest.raises(SimkitError, match="too many for one file"):
        film(frames, palette, "WEBP", 2)


def test_the_ending_says_the_kind_and_others_are_refused(tmp_path):
    names = ("a.webp", "a.GIF", "a.png", "frames")
    assert [kind_of(tmp_path / name) for name in names] == ["WEBP", "GIF", "PNG", None]
    with pytest.raises(SimkitError, match=r"no \.mp4 file"):
        kind_of(tmp_path / "a.mp4")
