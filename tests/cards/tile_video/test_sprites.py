"""Sprites and the status bits they set, line by line, against a model written apart in numpy.

[PG] is Texas Instruments, Video Display Processors Programmer's Guide, 1984; [YOUNG] is S. Young, TMS9918A VDP, almost
complete description including undocumented features, 0.4.2, 2002; [PARTS] is M. Hagerty, measurements on parts: version
history and comments.
"""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.examples import examples

REGISTERS = bytes.fromhex("00 C0 05 80 01 20 00 01")  # [PG] table 6-1: attributes at $1000, sprite patterns at 0
CALM = [0xD0]


def memory_with(entries, patterns=b"\xff" * 0x800):
    attributes = bytes(entries) + bytes(128 - len(entries))
    return patterns + bytes(0x800) + attributes + bytes(0x4000 - 0x1080)


def at_rest(video, entries, r1=0xC0, patterns=b"\xff" * 0x800):
    """Frame flag cleared, just past the last active line: nothing of the coming frame is drawn."""
    video.poke(memory_with(CALM), REGISTERS)
    video.frames(1)
    video.poke(memory_with(entries, patterns), REGISTERS[:1] + bytes([r1]) + REGISTERS[2:])
    video.status()
    return video


def scan(entries, size, count_lines=192):
    """[YOUNG] 4.3: for each line the sprites chosen and the fifth, from the Y bytes; last: where a scan ends."""
    ys = [entries[n * 4] for n in range(32)]
    last = ys.index(0xD0) if 0xD0 in ys else 31
    count = last if 0xD0 in ys else 32
    lines = []
    for line in range(count_lines):
        on = [n for n in range(count) if (line - ys[n] - 1) % 256 < size]
        lines.append((on[:4], on[4] if len(on) > 4 else None))
    return lines, last


def expected_status(entries, r1, patterns, where="on screen", last_counted=191):
    """Status after one whole frame that began with F clear."""
    large, mag = r1 >> 1 & 1, r1 & 1
    size = (8 << large) << mag
    lines, last = scan(entries, size, 256)
    hits = np.zeros((256, 32 + 256 + 32), int)
    for line, (shown, _) in enumerate(lines):
        for n in shown:
            y, x, name, tag = entries[n * 4 : n * 4 + 4]
            row = (line - y - 1) % 256 >> mag
            for dot in range(size):
                column = dot >> mag
                byte = patterns[(name & 0xFC if large else name) * 8 + row + 16 * (column // 8)]
                hits[line, 32 + x - 32 * (tag >> 7) + dot] += byte >> (7 - column % 8) & 1
    area = {"on screen": hits[:192, 32:288], "left and right too": hits[:192], "everywhere": hits}[where]
    coincidence = 0x20 if (area > 1).any() else 0
    fifth = next((number for _, number in lines[: last_counted + 1] if number is not None), None)
    return 0x80 | coincidence | (0x40 | fifth if fifth is not None else last)


@pytest.mark.parametrize("r1", [0xC0, 0xC1, 0xC2, 0xC3])
def test_sprite_at_every_y(video, r1):
    """[PG] 9.2.1: first line (Y + 1) MOD 256; $FF flush with the top; $E0 to $FF bleed in; $D0 ends the list."""
    size = (8 << (r1 >> 1 & 1)) << (r1 & 1)
    for y in range(256):
        at_rest(video, [y, 100, 0, 7, 0xD0], r1)
        video.frames(1)
        lines = sorted(set(np.argwhere(video.picture() == 7)[:, 0].tolist()))
        covered = [] if y == 0xD0 else [line for line in range(192) if (line - y - 1) % 256 < size]
        assert lines == covered


@pytest.mark.parametrize(
    ("y", "r1", "lines", "rows"),
    [
        (0xFF, 0xC0, range(8), range(8)),
        (0x00, 0xC0, range(1, 9), range(8)),
        (0xBE, 0xC0, [191], [0]),
        (0xE0, 0xC3, [0], [15]),
        (0xF9, 0xC0, [0, 1], [6, 7]),
    ],
)
def test_rows_of_a_sprite_that_is_cut(video, y, r1, lines, rows):
    """Arithmetic from [PG] 9.2.1: d = (line - Y - 1) AND 255, halved with doubled dots."""
    patterns = bytes(1 << row % 8 for row in range(16)) + bytes(0x7F0)
    at_rest(video, [y, 0, 0, 9, 0xD0], r1, patterns)
    video.frames(1)
    picture = video.picture()
    step = 1 + (r1 & 1)
    found = {line: np.flatnonzero(picture[line] == 9)[0] // step for line in range(192) if (picture[line] == 9).any()}
    assert found == {line: 7 - row % 8 for line, row in zip(lines, rows, strict=True)}


@pytest.mark.parametrize(
    ("x", "tag", "r1", "first", "count"),
    [(0, 0x89, 0xC3, None, 0), (31, 0x89, 0xC3, 0, 31), (255, 0x09, 0xC0, 255, 1), (32, 0x89, 0xC0, 0, 8)],
)
def test_left_edge_and_early_clock(video, x, tag, r1, first, count):
    """[PG] 9.2.2, 9.2.4: early clock moves 32 dots left; nothing wraps to the other side."""
    at_rest(video, [50, x, 0, tag, 0xD0], r1)
    video.frames(1)
    dots = np.flatnonzero(video.picture()[60 if r1 & 1 else 52] == 9)
    assert (int(dots[0]) if len(dots) else None, len(dots)) == (first, count)


def test_order_of_pattern_bytes_of_a_large_sprite(video):
    """[PG] figures 7-9, 7-10: 0 upper left, 8 lower left, 16 upper right, 24 lower right; low name bits ignored."""
    patterns = bytearray(0x800)
    patterns[32], patterns[40], patterns[48], patterns[56] = 0x07, 0x80, 0xE0, 0x01
    at_rest(video, [9, 0, 7, 5, 0xD0], 0xC2, bytes(patterns))
    video.frames(1)
    picture = video.picture()
    assert np.flatnonzero(picture[10] == 5).tolist() == [5, 6, 7, 8, 9, 10]
    assert np.flatnonzero(picture[18] == 5).tolist() == [0, 15]


def test_lowest_number_is_in_front_and_colour_0_hides_nothing(video):
    """[PG] 9; SYM page 18."""
    at_rest(video, [9, 0, 0, 0, 9, 0, 0, 6, 9, 4, 0, 8, 0xD0])
    video.frames(1)
    assert video.picture()[10, :12].tolist() == [6] * 8 + [8] * 4


def test_fifth_sprite_on_a_line(video):
    """Sprites 0 to 4 at Y = 50, entry 5 ends the list: $44 once line 51 has begun. [YOUNG] 4.3."""
    at_rest(video, [v for n in range(5) for v in (50, n * 20, 0, 1)] + CALM)
    video.to_line(50, 250)
    assert video.bench.peek(1) & 0x40 == 0
    video.to_line(51, 10)
    assert video.status() == 0x44
    video.to_line(52, 10)
    assert video.status() == 0x44
    video.to_line(59, 10)
    assert video.status() == 0x44
    video.to_line(60, 10)
    assert video.status() == 0x05


def test_fifth_sprite_is_not_noted_while_f_is_set(video):
    """Data manual 2.3.3 page 2-11, quoted by [PARTS]: only while F = 0."""
    at_rest(video, CALM)
    video.frames(1)
    video.poke(memory_with([v for n in range(5) for v in (50, n * 20, 0, 1)] + CALM), REGISTERS)
    video.to_line(55)
    assert video.status() == 0x84  # F from the frame before; the scan of line 55 stopped at sprite 4
    video.to_line(57)
    assert video.status() == 0x44


@pytest.mark.parametrize("end", [0, 7, 31, None])
def test_number_without_a_fifth_sprite(video, end):
    """[YOUNG] 4.3: 31, or the number of the entry whose Y is $D0."""
    entries = [200, 0, 0, 1] * 32
    if end is not None:
        entries[end * 4] = 0xD0
    at_rest(video, entries)
    video.frames(1)
    assert video.status() & 0x5F == (31 if end is None else end)


def test_five_or_more_sprites_at_every_line(video):
    """Five, six and 32 on a line, moved over all lines; the fifth in the order of the list is named. [YOUNG] 4.3."""
    for y in [*range(0, 256, 3), 189, 190, 191]:
        for count in (5, 6, 32):
            if y == 0xD0:
                continue
            entries = [v for n in range(count) for v in (y, n * 8 & 0xFF, 0, 1)] + (CALM if count < 32 else [])
            at_rest(video, entries)
            video.frames(1)
            entries += [0] * (128 - len(entries))
            assert video.status() == expected_status(entries, 0xC0, b"\xff" * 0x800)


@pytest.mark.parametrize("place", range(28))
def test_fifth_sprite_at_every_place_of_the_list(video, place):
    """Five on a line among others elsewhere: the number is the place in the list."""
    entries = [v for n in range(32) for v in (100 if place <= n < place + 5 else 10 + n * 2 % 60, n * 8, 0, 1)]
    spread = [v if k % 4 or place <= k // 4 < place + 5 else 193 for k, v in enumerate(entries)]
    at_rest(video, spread)
    video.frames(1)
    assert video.status() & 0x5F == 0x40 | place + 4


@settings(deadline=None, max_examples=examples(40))
@given(
    st.lists(
        st.tuples(
            st.one_of(st.integers(0, 255), st.integers(90, 110), st.sampled_from([190, 191, 192, 230, 250])),
            st.integers(0, 255),
            st.integers(0, 255),
            st.sampled_from([0, 1, 15, 0x80, 0x8F]),
        ),
        min_size=32,
        max_size=32,
    ),
    st.sampled_from([0xC0, 0xC1, 0xC2, 0xC3]),
    st.integers(0, 100),
    st.sampled_from(["on screen", "left and right too", "everywhere"]),
    st.sampled_from([191, 192]),
)
def test_status_after_a_frame_against_counting_every_dot(make_video, rows, r1, seed, where, last_counted):
    """[PG] 5.2.2, 5.2.3: two 1 bits of chosen sprites on one dot set C, whatever their colour, never dropped ones."""
    entries = [value for row in rows for value in row]
    rng = np.random.default_rng(seed)
    patterns = (rng.integers(0, 256, 0x800, np.uint8) & rng.integers(0, 256, 0x800, np.uint8)).tobytes()
    video = make_video(coincidence=where, last_counted_line=last_counted)
    at_rest(video, entries, r1, patterns)
    video.frames(1)
    assert video.status() == expected_status(entries, r1, patterns, where, last_counted)


@pytest.mark.parametrize(
    ("entries", "met"),
    [
        ([50, 10, 0, 0, 50, 12, 0, 0, 0xD0], True),  # colour 0 collides. [PG] 5.2.2
        ([50, 10, 0, 1, 50, 18, 0, 1, 0xD0], False),  # side by side
        ([50, 10, 0, 1, 58, 10, 0, 1, 0xD0], False),  # one above the other
        ([50, 10, 0, 1, 57, 17, 0, 1, 0xD0], True),  # corner dots
        ([50, 10, 0, 1, 0xD0, 0, 0, 0, 50, 10, 0, 1], False),  # behind the end of the list. [YOUNG] 4.3
        ([50, 0, 0, 1, 50, 40, 0, 1, 50, 80, 0, 1, 50, 120, 0, 1, 50, 120, 0, 1, 0xD0], False),  # the fifth
        ([192, 10, 0, 1, 192, 10, 0, 1, 0xD0], False),  # below the picture. [PARTS] v1.8
    ],
)
def test_what_counts_as_coincidence(video, entries, met):
    """[PG] 5.2.2, [YOUNG] 4.3, [PARTS]; each row says which."""
    at_rest(video, entries)
    video.frames(1)
    assert bool(video.status() & 0x20) is met


@pytest.mark.parametrize(
    ("setting", "beside", "below"),
    [("on screen", False, False), ("left and right too", True, False), ("everywhere", True, True)],
)
def test_meeting_off_screen_is_a_setting(make_video, setting, beside, below):
    """[PG] 5.2.2 counts sprites partly or wholly off the screen, [PARTS] v1.4 and v1.8 found that parts do not."""
    pairs = {
        "left": ([50, 0, 0, 0x81, 50, 4, 0, 0x81, 0xD0], beside),
        "right": ([50, 252, 0, 1, 50, 253, 0, 1, 0xD0], beside),
        "below": ([191, 10, 0, 1, 191, 12, 0, 1, 0xD0], below),
        "above": ([0xF0, 10, 0, 1, 0xF0, 12, 0, 1, 0xD0], below),
        "hidden part, above": ([0xFC, 10, 0, 1, 0xF6, 12, 0, 1, 0xD0], below),
    }
    for place, (entries, met) in pairs.items():
        pattern = b"\x0f" if place == "right" else b"\xff"  # dots 256 to 260
        video = at_rest(make_video(coincidence=setting), entries, patterns=pattern * 0x800)
        video.frames(1)
        assert bool(video.status() & 0x20) is met


@pytest.mark.parametrize(("setting", "beside"), [("on screen", False), ("left and right too", True)])
def test_a_meeting_in_one_dot_counts_by_the_column_of_that_dot(make_video, setting, beside):
    """[PARTS] v1.4, v1.8: dots 0 to 255 are on the screen. Two sprites with one dot each, moved over both edges."""
    video = make_video(coincidence=setting)
    for dot in (-32, -31, -2, -1, 0, 1, 127, 254, 255, 256, 257, 262):
        place = max(0, dot - 255)  # which dot of the pattern it is, the left edge being at 255 at most
        x, tag = (dot + 32, 0x81) if dot < 0 else (dot - place, 1)
        at_rest(video, [50, x, 0, tag] * 2 + CALM, patterns=bytes([0x80 >> place]) * 0x800)
        video.frames(1)
        assert bool(video.status() & 0x20) is (beside or 0 <= dot <= 255), dot


@pytest.mark.parametrize(("last", "noted"), [(191, False), (192, True)])
def test_fifth_sprite_on_the_line_below_the_picture_is_a_setting(make_video, last, noted):
    """Lines 0 to 192 in public notes that quote the data manual, 0 to 191 by [PARTS] v1.8: the latter by default."""
    for y, counts in ((190, True), (191, noted), (192, False)):
        entries = [v for n in range(6) for v in (y, n * 20, 0, 1)] + CALM
        video = at_rest(make_video(last_counted_line=last), entries)
        video.frames(1)
        assert video.status() == (0xC4 if counts else 0x86)


def test_coincidence_comes_while_the_dot_is_drawn(video):
    """Public demo for real hardware that polls C to find a line: C rises at the meeting dot, and again each frame."""
    at_rest(video, [99, 100, 0, 1, 99, 104, 0, 1, 0xD0])
    video.to_line(100, 90)
    assert not video.bench.peek(1) & 0x20
    video.to_line(100, 112)
    assert video.status() & 0x20
    video.to_line(120)
    assert video.status() & 0x20  # met again on the lines below
    video.to_line(121)
    assert not video.status() & 0x20
    video.frames(1)
    video.to_line(100, 112)
    assert video.status() & 0x20


@pytest.mark.parametrize(("off", "edge"), [((27, 0x81), (32, 0x81)), ((255, 1), (254, 1))])
def test_a_meeting_beside_the_screen_counts_at_the_dot_nearest_to_it(make_video, off, edge):
    """At dot 0 or 255 of the line, as far as parts that count it are described ([PG] 5.2.2 gives no moment)."""
    moments = []
    for (x, tag), pattern in ((off, 0x80 >> (off[0] == 255)), (edge, 0x80 >> (edge[0] == 254))):
        video = make_video(coincidence="left and right too", clock_hz=Fraction(10_738_635))
        at_rest(video, [50, x, 0, tag] * 2 + CALM, patterns=bytes([pattern]) * 0x800)
        video.to_line(50, 300)
        while not video.bench.peek(1) & 0x20:
            video.bench.run(1)
        moments.append(video.bench.cycle - video.card._raster.start)
    assert moments[0] == moments[1]


def test_sprite_moved_after_its_lines_still_counts_where_it_was(video):
    """Flags come from what was drawn, not from what memory holds when somebody asks."""
    at_rest(video, [50, 10, 0, 1, 50, 12, 0, 1, 0xD0])
    video.to_line(100)
    video.store(0x1004, [120, 200])
    video.to_line(180)
    assert video.status() & 0x20
    video.frames(1)
    assert not video.status() & 0x20


@pytest.mark.parametrize(
    ("address", "value"),
    [(0x1078, 150), (0x1079, 200), (0x107F, 0x81), (0x107E, 1), (0x0000, 0), (0x07FF, 0)],
)
def test_any_byte_of_a_sprite_changed_after_its_lines_counts_from_the_next_frame_on(video, address, value):
    """The last two sprites of the list meet in one dot; a byte of their entries or their pattern ends that. $07FF is
    the last byte of the pattern table, $107F of the list. Flags come from what was drawn."""
    name, row = (0, 0) if address == 0 else (255, 7)
    patterns = bytearray(0x800)
    patterns[name * 8 + row] = 0x01
    entries = [200, 0, 0, 0] * 30 + [50, 40, name, 1] * 2
    at_rest(video, entries, patterns=bytes(patterns))
    video.to_line(100)
    video.store(address, [value])
    assert video.status() & 0x20
    video.frames(1)
    assert not video.status() & 0x20


def test_a_write_that_waits_for_its_window_ends_the_promise_on_the_status(video):
    """The chip stores the byte up to 8 us after the strobe ([PG] B-1), and the sprite then meets another."""
    at_rest(video, [100, 10, 0, 1, 0xC0, 10, 0, 2, 0xD0])
    video.to_line(20)
    video.control(0x04, 0x40 | 0x10)
    video.status()
    video.bench.run(20)
    video.bench.write(0, 100)  # the second sprite onto the first
    promised = video.card.steady_until(1, video.bench.cycle)
    value = video.bench.peek(1)
    while video.bench.cycle < promised:
        assert video.bench.peek(1) == value
        video.bench.run(1)
    video.bench.run(20)
    value, promised = video.bench.peek(1), video.card.steady_until(1, video.bench.cycle)
    assert promised > video.bench.cycle + 1_000
    while video.bench.cycle < promised:
        assert video.bench.peek(1) == value
        video.bench.run(1)
    assert not value & 0x20
    assert video.bench.peek(1) & 0x20


@pytest.mark.parametrize("r1", [0x80, 0xD0])
def test_no_sprites_while_blanked_or_in_text(video, r1):
    """[YOUNG] 4: sprites are off when BL = 0 or M1 = 1."""
    at_rest(video, [50, 10, 0, 1] * 32, r1)
    before = video.bench.peek(1) & 0x1F
    video.frames(1)
    assert video.status() == 0x80 | before


@pytest.mark.parametrize("dots", [0, 100, 341])
def test_moment_of_the_fifth_sprite_is_a_setting(make_video, dots):
    """Sprites of a line are counted in the line before (M. Hagerty, measurements on parts); the dot is unknown."""
    video = make_video(sprite_scan_dots=dots)
    attributes = bytes([50, 10, 0, 1] * 5 + [0xD0])
    video.poke(bytes(0x1000) + attributes + bytes(0x3000 - len(attributes)), bytes.fromhex("00 C0 05 80 01 20 00 01"))
    video.frames(1)
    video.status()
    video.to_line(10)
    before = 51 * 342 - dots
    promised = video.card.steady_until(1, video.bench.cycle)
    video.to_line(*divmod(before - 4, 342))
    assert not video.bench.peek(1) & 0x40
    assert promised >= video.bench.cycle
    video.to_line(*divmod(before + 8, 342))
    assert video.bench.peek(1) & 0x5F == 0x44
    assert promised <= video.bench.cycle
