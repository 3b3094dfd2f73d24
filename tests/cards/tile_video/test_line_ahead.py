"""A line's sprites are chosen and fetched before it begins; what is changed in mid-line moves them from the next on.

That sprites are prepared a line ahead: M. Hagerty, measurements on parts, comments of its sprite block. Sprites of
8 x 8 with Y = 45 stand on lines 46 to 53: Texas Instruments, Video Display Processors Programmer's Guide, 1984, 9.2.1.
"""

import numpy as np
import pytest

REGISTERS = bytes.fromhex("00 C0 05 80 01 20 00 01")  # table 6-1 of the guide: attributes at $1000, patterns at 0
C = 0x20


@pytest.fixture
def on_line_50(make_video):
    """Makes a card with sprites at 40 and 200 and lets the beam come to line 50, dot 60; at 2 MHz, 2.7 dots a cycle."""

    def make(entries=(45, 40, 0, 15, 45, 200, 0, 15), end=(0xD0,), **options):
        video = make_video(clock_hz=2_000_000, **options)
        attributes = bytes((*entries, *end)).ljust(128, b"\0")
        memory = b"\xff" * 0x800 + bytes(0x800) + attributes + bytes(0x4000 - 0x1080)
        video.poke(memory, REGISTERS)
        video.frames(1)
        video.status()
        video.to_line(50, 60)
        return video

    return make


def lines_with(picture, columns, colour=15):
    return np.flatnonzero((picture[:, columns] == colour).any(axis=1)).tolist()


@pytest.mark.parametrize(
    ("address", "value", "at_40", "at_140"),
    [
        (0x1000, 200, range(46, 51), []),  # Y
        (0x1001, 140, range(46, 51), range(51, 54)),  # X
        (0x1003, 8, range(46, 51), []),  # colour
        (0x0004, 0, range(46, 54), []),  # the pattern's row on line 50 itself: this frame has it already
        (0x0005, 0, [*range(46, 51), 52, 53], []),  # on line 51
    ],
)
def test_memory_written_while_a_line_is_drawn_moves_sprites_from_the_next_line_on(
    on_line_50, address, value, at_40, at_140
):
    video = on_line_50()
    video.store(address, [value])
    video.frames(1)
    shown = video.picture()
    assert lines_with(shown, slice(40, 48)) == list(at_40)
    assert lines_with(shown, slice(140, 148)) == list(at_140)


@pytest.mark.parametrize(
    ("register", "value", "last"),
    [
        (5, 0x21, 50),  # an attribute table in which every sprite has Y = 0
        (6, 0x04, 50),  # patterns of zeros
        (1, 0xC1, 53 + 8),  # doubled: line 51 is row (51 - 46) / 2, the last one 46 + 15
    ],
)
def test_registers_written_while_a_line_is_drawn_move_sprites_from_the_next_line_on(on_line_50, register, value, last):
    video = on_line_50()
    video.register(register, value)
    video.frames(1)
    shown = video.picture()
    assert lines_with(shown, slice(40, 48)) == list(range(46, last + 1))
    assert lines_with(shown, slice(48, 56)) == (list(range(51, last + 1)) if register == 1 else [])


@pytest.mark.parametrize(("register", "value"), [(1, 0x80), (1, 0xD0)])
def test_a_display_switched_off_in_mid_line_hides_what_has_not_been_drawn(on_line_50, register, value):
    """BL off, or text mode: pattern plane and sprites alike from the next cell on, the sprite at 200 on line 50 too."""
    video = on_line_50()
    video.register(register, value)
    video.frames(1)
    shown = video.picture()
    assert lines_with(shown, slice(40, 48)) == list(range(46, 51))
    assert lines_with(shown, slice(200, 208)) == list(range(46, 50))


@pytest.mark.parametrize("apart", [True, False])
def test_sprites_of_the_line_under_way_meet_where_they_were(on_line_50, apart):
    """Two at 240: moved apart in line 50 they still meet there, and not later; brought together, not before 51."""
    video = on_line_50((45, 240, 0, 15, 45, 240 if apart else 40, 0, 15))
    video.status()
    video.store(0x1005, [40 if apart else 240])
    assert video.card.look(video.bench.cycle)[0][0x1005] == (40 if apart else 240), "moved before dot 240"
    video.to_line(50, 260)
    assert bool(video.status() & C) is apart
    video.to_line(51, 260)
    assert bool(video.status() & C) is not apart


def test_a_fifth_sprite_that_comes_in_mid_line_counts_from_the_next_line_on(on_line_50):
    entries = [byte for x in (0, 20, 40, 60) for byte in (45, x, 0, 15)] + [200, 80, 0, 15]
    video = on_line_50(entries)
    video.store(0x1010, [45])
    video.to_line(50, 260)
    assert not video.status() & 0x40
    video.to_line(51, 10)
    assert video.status() & 0x5F == 0x44
    video.frames(1)
    assert lines_with(video.picture(), slice(80, 88)) == [], "and is not shown, being the fifth"


@pytest.mark.parametrize(("scan_dots", "first"), [(0, 51), (60, 51), (341, 52)])
def test_how_long_before_a_line_its_sprites_are_fixed_is_a_setting(on_line_50, scan_dots, first):
    """341 dots before line 51 begins are 1 dot after line 50 did: what is written at dot 60 and later is too late."""
    video = on_line_50(sprite_scan_dots=scan_dots)
    video.store(0x1000, [200])
    video.frames(1)
    assert lines_with(video.picture(), slice(40, 48)) == list(range(46, first))


def test_a_state_taken_in_mid_line_knows_what_its_sprites_meet(on_line_50):
    video = on_line_50((45, 240, 0, 15, 45, 240, 0, 15))
    video.status()
    video.store(0x1005, [40])
    state = video.card.save(video.bench.cycle)
    assert [line for line, _ in state["fixed"]] == [50]
    later = video.bench.cycle + 40
    for fixed, met in ((state["fixed"], C), ([], 0)):
        video.card.load(state | {"fixed": [list(line) for line in fixed]})
        assert video.card.peek(1, later) & C == met
