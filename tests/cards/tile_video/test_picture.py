"""Display modes of the tile-video card against a model written apart from it, dot by dot in numpy.

[PG] is Texas Instruments, Video Display Processors Programmer's Guide, 1984; [YOUNG] is S. Young, TMS9918A VDP, almost
complete description including undocumented features, 0.4.2, 2002.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from simkit_cards.tile_video.inside import addressed
from simkit_cards.tile_video.picture import Picture
from simkit_cards.tile_video.tables import address_of_cell_4k, areas, cell_of_4k, decode

from tests.examples import examples

LINE_TICKS = 684

MAKER_SETUPS = {  # registers; name, colour, pattern, sprite attribute, sprite pattern table. [PG] T6-1 to T8-2
    "graphics I, table 6-1": ("00 C0 05 80 01 20 00 01", 0x1400, 0x2000, 0x0800, 0x1000, 0x0000),
    "graphics II, table 6-2": ("02 C2 0E FF 03 76 03 0F", 0x3800, 0x2000, 0x0000, 0x3B00, 0x1800),
    "multicolor, table 6-3": ("00 CB 05 00 01 20 00 04", 0x1400, None, 0x0800, 0x1000, 0x0000),
    "text, table 6-4": ("00 D0 02 00 00 20 00 F5", 0x0800, None, 0x0000, None, None),
    "graphics II single set, table 8-2": ("02 C2 0E 9F 00 76 03 0F", 0x3800, 0x2000, 0x0000, 0x3B00, 0x1800),
}


def fold(address):
    """[YOUNG] 2.1: column VA0..5, VA12 and row VA6..11, VA13, re-read as column of 7 and row of 7 bits."""
    bits = [address >> n & 1 for n in range(14)]
    column = [*bits[0:6], bits[12]]
    row = [*bits[6:12], bits[13]]
    return sum(bit << n for n, bit in enumerate(column + row))


def model(memory, registers):
    """The picture with backdrop in place; memory 16384 bytes, registers 8. From the formulas of [PG] and [YOUNG]."""
    plane, over, inks = (layer(memory, registers) for layer in (plane_layer, sprite_layer, ink_layer))
    return composed(plane, over, inks)


def composed(plane, over, inks):
    """Sprites, where there are any, over the pattern plane, with what register 7 held at each dot in place."""
    out = np.where(over > 0, over, plane)
    ink, backdrop = inks >> 4, inks & 15
    out = np.where(out == 16, ink, out)
    return np.where(out == 0, backdrop, out).astype(np.uint8)


def ink_layer(memory, registers):
    return np.full((192, 256), registers[7], int)


def seen_by_chip(memory, r):
    vram = np.frombuffer(memory, np.uint8)
    if not r[1] & 0x80:
        vram = vram[[fold(address) for address in range(0x4000)]]
    return vram.astype(int)


def sprite_layer(memory, registers):
    """Colours of sprites, 0 where none is."""
    r = [int(byte) for byte in registers]
    nothing = np.zeros((192, 256), int)
    return nothing if r[1] & 0x50 != 0x40 else sprites(seen_by_chip(memory, r), r, nothing)


def plane_layer(memory, registers):
    """The pattern plane: colours, 0 for the backdrop, 16 for the text colour."""
    r = [int(byte) for byte in registers]
    vram = seen_by_chip(memory, r)
    m1, m2, m3 = r[1] >> 4 & 1, r[1] >> 3 & 1, r[0] >> 1 & 1
    y, x = np.mgrid[0:192, 0:256]
    out = np.zeros((192, 256), int)
    if r[1] & 0x40:
        if m1:
            column, dot = (x - 6) // 6, (x - 6) % 6
            inside = (x >= 6) & (x < 246)
            if m2:
                lit = dot < 4
            else:
                name = vram[np.where(inside, (r[2] & 15) * 1024 + y // 8 * 40 + column, 0)]
                if m3:
                    at = (r[4] & 4) // 4 * 8192 + ((y // 64 * 2048 + name * 8 + y % 8) & ((r[4] & 3) * 2048 + 2047))
                else:
                    at = (r[4] & 7) * 2048 + name * 8 + y % 8
                lit = vram[at] >> (7 - dot) & 1 == 1
            out = np.where(inside & lit, 16, 0)
        else:
            name = vram[(r[2] & 15) * 1024 + y // 8 * 32 + x // 8]
            masked = (r[4] & 4) // 4 * 8192 + ((y // 64 * 2048 + name * 8 + y % 8) & ((r[4] & 3) * 2048 + 2047))
            plain = (r[4] & 7) * 2048 + name * 8 + y % 8
            if m2:
                block = 2 * (y // 8 % 4) + y % 8 // 4
                if m3:
                    at = (r[4] & 4) // 4 * 8192 + ((y // 64 * 2048 + name * 8 + block) & ((r[4] & 3) * 2048 + 2047))
                else:
                    at = (r[4] & 7) * 2048 + name * 8 + block
                out = np.where(x % 8 < 4, vram[at] // 16, vram[at] % 16)
            else:
                pattern = vram[masked if m3 else plain]
                if m3:
                    offset = y // 64 * 2048 + name * 8 + y % 8
                    colour = vram[(r[3] & 128) * 64 + (offset & ((r[3] & 127) * 64 + 63))]
                else:
                    colour = vram[r[3] * 64 + name // 8]
                out = np.where(pattern >> (7 - x % 8) & 1, colour // 16, colour % 16)
    return out


def sprites(vram, r, out):
    """[PG] chapter 9: the first four of a line by Y, lowest number in front."""
    large, mag = r[1] >> 1 & 1, r[1] & 1
    size = (8 << large) << mag
    base, patterns = (r[5] & 127) * 128, (r[6] & 7) * 2048
    out = out.copy()
    for line in range(192):
        shown = []
        for number in range(32):
            sy = vram[base + 4 * number]
            if sy == 208:
                break
            if (line - sy - 1) % 256 < size:
                shown.append(number)
        for number in reversed(shown[:4]):
            sy, sx, name, tag = vram[base + 4 * number : base + 4 * number + 4]
            row = (line - sy - 1) % 256 >> mag
            left = sx - 32 * (tag >> 7)
            dots = np.arange(size)
            columns = dots >> mag
            at = patterns + (name & 0xFC if large else name) * 8 + row + 16 * (columns // 8)
            seen = (vram[at] >> (7 - columns % 8) & 1 == 1) & (left + dots >= 0) & (left + dots < 256)
            if tag & 15:
                out[line, (left + dots)[seen]] = tag & 15
    return out


def drawn(memory, registers):
    picture = Picture(6, 1)
    picture.start(memory, registers)
    picture.end_frame(0)
    return np.frombuffer(picture.pixels(), np.uint8).reshape(192, 256)


def noise(seed):
    rng = np.random.default_rng(seed)
    memory = rng.integers(0, 256, 0x4000, np.uint8)
    return memory.tobytes()


@pytest.mark.parametrize("name", MAKER_SETUPS)
def test_maker_setups_show_noise_as_the_model_does(name):
    """[PG] tables 6-1 to 6-4, 8-2: the maker's example set-ups."""
    registers = bytes.fromhex(MAKER_SETUPS[name][0])
    memory = noise(1)
    assert np.array_equal(drawn(memory, registers), model(memory, registers))


@pytest.mark.parametrize("name", MAKER_SETUPS)
def test_tables_of_maker_setups_lie_where_the_maker_says(name):
    """[PG] tables 6-1 to 6-4, 8-2. The look-up tables of its appendix A hold misprints; the formulas are followed."""
    registers, *places = MAKER_SETUPS[name]
    found = {area.what: area.start for area in areas(decode(bytes.fromhex(registers)))}
    names = ("name table", "colour table", "pattern table", "sprite attribute table", "sprite pattern table")
    assert [found.get(what) for what in names] == places


@settings(deadline=None, max_examples=examples(50))
@given(
    st.binary(min_size=8, max_size=8),
    st.integers(0, 1000),
    st.sampled_from([0x00, 0x80, 0xC0, 0xC0, 0xC0, 0xC0]),
    st.booleans(),
)
def test_any_registers_show_what_the_model_shows_and_never_raise(registers, seed, switches, tame):
    """Every mode, legal or not, every table address and mask, both address splits; sprites at random places."""
    registers = bytearray(registers)
    registers[1] = registers[1] & 0x3F | switches
    if tame:
        registers[1] &= ~0x10
    memory = noise(seed)
    assert np.array_equal(drawn(memory, bytes(registers)), model(memory, bytes(registers)))


CHANGES = st.lists(
    st.tuples(
        st.integers(-400, 192 * LINE_TICKS),
        st.one_of(st.integers(0, 0x3FFF), st.integers(-8, -1), st.sampled_from([-2, -3, -5, -8])),
        st.integers(0, 255),
    ),
    max_size=25,
)


@settings(deadline=None, max_examples=examples(6))
@given(st.binary(min_size=8, max_size=8), st.integers(0, 1000), st.lists(CHANGES, min_size=1, max_size=4), st.data())
def test_frames_drawn_on_from_the_last_equal_frames_drawn_from_scratch(registers, seed, frames, data):
    """Each dot shows memory and registers as they were for it, however often anybody looked before.

    Memory counts for whole lines of the plane, registers 0 to 6 from the next cell, register 7 from the next dot, and
    all of them for sprites from the next line: the moments that `picture` names.
    """
    registers = bytearray(registers)
    registers[1] |= 0x40
    memory = bytearray(noise(seed))
    picture = Picture(6, 1)
    picture.start(memory, registers)
    frame_ticks = 262 * LINE_TICKS
    for number, changes in enumerate(frames):
        start = number * frame_ticks
        changes = sorted(changes, key=lambda change: change[0])
        layers = [layer(bytes(memory), registers) for layer in (plane_layer, sprite_layer, ink_layer)]
        shown = np.full((192, 256), registers[1] & 0x50 == 0x40).reshape(-1)
        plane, over, inks = (layer.reshape(-1) for layer in layers)
        done = 0
        for tick, what, value in changes:
            picture.journal.append((start + tick, what, value))
            text = registers[1] & 0x10
            if what >= 0:
                memory[what] = value
            else:
                registers[-1 - what] = value
            line, dot = tick // LINE_TICKS, -(-(tick % LINE_TICKS) // 2)
            first = max(0, line * 256 + min(dot, 256))
            if what == -8:
                inks[first:] = value
                continue
            if what >= 0:
                first = max(0, -(-(tick - 511) // LINE_TICKS)) * 256  # dots 0 to 255 belong to their line
            elif first % 256:
                column = first % 256
                edges = [*range(6, 252, 6), 256] if text else range(0, 257, 8)
                first += min(edge for edge in edges if edge >= column) - column
            done = max(first, done)
            if done < 192 * 256:
                plane[done:] = plane_layer(bytes(memory), registers).reshape(-1)[done:]
            shown[done:] = registers[1] & 0x50 == 0x40
            line = max(0, (tick - 2) // LINE_TICKS + 1)
            if line < 192:
                over[line * 256 :] = sprite_layer(bytes(memory), registers).reshape(-1)[line * 256 :]
        picture.end_frame(start)
        if data.draw(st.booleans()):
            expected = composed(plane, np.where(shown, over, 0), inks)
            assert np.array_equal(np.frombuffer(picture.pixels(), np.uint8), expected)


def test_a_frame_without_changes_is_the_same_object():
    """Nothing is drawn again when nothing changed."""
    picture = Picture(6, 1)
    picture.start(noise(3), bytes.fromhex("00 C0 05 80 01 20 00 01"))
    picture.end_frame(0)
    first = picture.pixels()
    picture.end_frame(1)
    assert picture.pixels() is first


def test_only_rows_whose_bytes_changed_are_made_again():
    registers = bytes.fromhex("00 C0 05 80 01 20 00 01")
    memory = bytearray(0x4000)
    memory[0x1400:0x1700] = bytes([row for row in range(24) for _ in range(32)])
    picture = Picture(6, 1)
    picture.start(memory, registers)
    picture.end_frame(0)
    picture.pixels()
    plane = next(iter(picture._planes.values()))
    before = dict(plane._rows)
    picture.journal.append((0, 0x0800 + 5 * 8, 0xFF))  # a pattern that row 5 alone shows
    picture.end_frame(0)
    picture.pixels()
    again = [names for key, names in plane._rows.items() if before.get(key) is not names]
    assert len(again) == 1


def test_multicolor_left_half_is_the_high_nibble():
    """[PG] figure 8-11 and page 8-13: byte $64 is colour 6 left, 4 right; [YOUNG] 3.4 has it the other way round."""
    memory = bytearray(0x4000)
    memory[0x0800:0x0802] = b"\x64\x7a"
    shown = drawn(bytes(memory[:0x1000]) + b"\xd0" + bytes(memory[0x1001:]), bytes.fromhex("00 C8 05 00 01 20 00 04"))
    assert shown[0, [0, 3, 4, 7]].tolist() == [6, 6, 4, 4]
    assert shown[4, [0, 7]].tolist() == [7, 10]


@pytest.mark.parametrize(("half", "left"), [("high half", 6), ("low half", 4)])
def test_left_half_of_multicolor_is_a_setting(make_video, half, left):
    """[PG] 8.6 and figure 8-11: the high nibble; [YOUNG] 3.4 states it the other way round."""
    video = make_video(multicolor_left=half)
    video.poke(b"\x64" * 0x1000 + b"\xd0" + bytes(0x2FFF), bytes.fromhex("00 C8 05 80 01 20 00 04"))
    video.frames(2)
    assert video.picture()[0, :8].tolist() == [left] * 4 + [10 - left] * 4


def test_multicolor_bytes_of_a_row():
    """[PG] page 8-14: PT = $0800; row 23, name $FF: $0FFE, $0FFF; row 1, name 2: $0812, $0813; row 0: $0810, $0811."""
    memory = bytearray(0x4000)
    memory[0x1000] = 0xD0
    memory[0x1400 + 23 * 32] = 0xFF
    memory[0x1400 + 32] = memory[0x1400] = 2
    for address, value in ((0xFFE, 0x12), (0xFFF, 0x34), (0x812, 0x56), (0x813, 0x78), (0x810, 0x9A), (0x811, 0xBC)):
        memory[address] = value
    shown = drawn(bytes(memory), bytes.fromhex("00 C8 05 00 01 20 00 04"))
    assert [int(shown[line, 0]) for line in (184, 188, 8, 12, 0, 4)] == [1, 3, 5, 7, 9, 11]


def test_text_letter_lies_six_dots_in():
    """[PG] figures 7-3, 7-4: "A" is 20 50 88 88 F8 88 88 00; T6-4: white on light blue; six dots left
    of it: published notes on measurements on parts, 2026."""
    memory = bytearray(0x4000)
    memory[0x208:0x210] = bytes.fromhex("20 50 88 88 F8 88 88 00")
    memory[0x0800] = 0x41
    memory[0x0800 + 23 * 40 + 39] = 0x41  # $0BBF, the last: [PG] figure 6-5
    shown = drawn(bytes(memory), bytes.fromhex("00 D0 02 00 00 20 00 F5"))
    assert shown[0, 6:12].tolist() == [5, 5, 15, 5, 5, 5]
    assert shown[4, 6:12].tolist() == [15, 15, 15, 15, 15, 5]
    assert shown[188, 240:246].tolist() == [15, 15, 15, 15, 15, 5]
    assert set(shown[:, :6].flat) == set(shown[:, 246:].flat) == {5}


def test_text_margin_setting_of_eight(make_video):
    """[YOUNG] 3.2 says 8 dots on either side; a setting chooses."""
    video = make_video(text_left=8)
    memory = bytearray(0x4000)
    memory[0:8] = b"\xfc" * 8
    video.poke(bytes(memory), bytes.fromhex("00 D0 02 00 00 20 00 F5"))
    video.frames(2)
    assert np.flatnonzero(video.picture()[0] == 15)[[0, -1]].tolist() == [8, 247]


@pytest.mark.parametrize(("x", "y", "address", "mask"), [(0, 0, 0, 0x80), (255, 191, 0x17FF, 1), (100, 100, 0x0C64, 8)])
def test_bitmap_dot_of_graphics_2(x, y, address, mask):
    """[PG] example 8-2: byte 8*(x/8) + 256*(y/8) + y MOD 8 (the printed $1755 for the corner is a misprint)."""
    memory = bytearray(0x4000)
    memory[0x3800:0x3B00] = bytes(range(256)) * 3
    memory[0x2000:0x3800] = b"\xf1" * 0x1800
    memory[0x3B00] = 0xD0
    memory[address] = mask
    shown = drawn(bytes(memory), bytes.fromhex("02 C2 0E FF 03 76 03 01"))
    assert np.argwhere(shown == 15).tolist() == [[y, x]]


@pytest.mark.parametrize(("setup", "pattern", "colour"), [(1, 0x120A, 0x320A), (4, 0x020A, 0x220A)])
def test_graphics_2_masks_at_line_130_name_41(setup, pattern, colour):
    """[PG] T6-2 and T8-2 with the masks of [YOUNG] 3.3: arithmetic from offset (2 << 11 | $41 << 3 | 2)."""
    registers = bytes.fromhex(list(MAKER_SETUPS.values())[setup][0])
    memory = bytearray(0x4000)
    memory[0x3B00] = 0xD0
    memory[0x3800 + 16 * 32] = 0x41
    memory[pattern], memory[colour] = 0x80, 0x73
    shown = drawn(bytes(memory), registers)
    assert shown[130, :8].tolist() == [7, 3, 3, 3, 3, 3, 3, 3]


def test_last_name_of_graphics_2_and_middle_name_of_graphics_1():
    """[PG] figure 6-3: $3AFF is the last name; T6-1: row 12, column 16 lies at $1590."""
    memory = bytearray(0x4000)
    memory[0x3B00] = 0xD0
    memory[0x3AFF] = 9
    memory[2 * 2048 + 72 : 2 * 2048 + 80] = b"\xff" * 8
    memory[0x2000 + 2 * 2048 + 72 : 0x2000 + 2 * 2048 + 80] = b"\xc0" * 8
    shown = drawn(bytes(memory), bytes.fromhex("02 C2 0E FF 03 76 03 0F"))
    assert np.argwhere(shown == 12).min(axis=0).tolist() == [184, 248]
    memory = bytearray(0x4000)
    memory[0x1000] = 0xD0
    memory[0x1590], memory[0x2001] = 9, 0xB0
    memory[0x0800 + 72] = 0x80
    shown = drawn(bytes(memory), bytes.fromhex("00 C0 05 80 01 20 00 01"))
    assert np.argwhere(shown == 11).tolist() == [[96, 128]]


def test_blanked_display_shows_backdrop_alone():
    """[PG] 5.1.2: BL = 0."""
    assert set(drawn(noise(1), bytes.fromhex("00 80 05 80 01 20 00 07")).flat) == {7}


def test_transparent_everything_shows_colour_0():
    """[PG] 2.1: backdrop 0 lets external video through; without it black, which colour 0 of the palette is."""
    assert set(drawn(bytes(0x1000) + b"\xd0" + bytes(0x2FFF), bytes.fromhex("00 C0 05 80 01 20 00 00")).flat) == {0}


def test_register_change_at_a_line_splits_the_picture(video):
    """Register changes act on the line being drawn (public demo for real hardware: changes of registers 4 and 7).

    The strobe ends with its cycle, 10.7 ticks or 5.4 dots long at 1 MHz: 5.4 to 10.7 dots after dot 40.
    """
    video.poke(bytes(0x1000) + b"\xd0" + bytes(0x2FFF), bytes.fromhex("00 C0 05 80 01 20 00 04"))
    video.frames(1)
    video.to_line(99, 300)
    video.bench.write(1, 0x06)
    video.bench.run(3)
    video.to_line(100, 40)
    video.bench.write(1, 0x87)
    video.frames(1)
    dots = video.picture().reshape(-1)
    first = int(np.argmax(dots == 6))
    assert divmod(first, 256)[0] == 100
    assert 45 <= first % 256 <= 51
    assert set(dots[:first]) == {4}
    assert set(dots[first:]) == {6}


def test_change_after_dot_255_shows_from_the_next_line(video):
    video.poke(bytes(0x1000) + b"\xd0" + bytes(0x2FFF), bytes.fromhex("00 C0 05 80 01 20 00 04"))
    video.frames(1)
    video.control(0x06)
    video.to_line(100, 270)
    video.bench.write(1, 0x87)
    video.frames(1)
    assert set(video.picture()[:101].flat) == {4}
    assert set(video.picture()[101:].flat) == {6}


def test_the_4k_address_split_is_undone_by_its_inverse():
    """A bijection of the 16,384 cells: $0040 lies in cell $0080, $1000 in cell $0040. [YOUNG] 2.1, derived."""
    assert [cell_of_4k(a) for a in (0x0040, 0x1000)] == [0x0080, 0x0040]
    assert [address_of_cell_4k(cell_of_4k(a)) for a in range(0x4000)] == list(range(0x4000))
    memory = bytes(n * 7 + (n >> 8) & 0xFF for n in range(0x4000))
    assert addressed(memory) == bytes(memory[cell_of_4k(a)] for a in range(0x4000))
