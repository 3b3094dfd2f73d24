"""Inspection pictures and words of the tile-video card."""

from pathlib import Path

import numpy as np
import pytest

from simkit import Machine
from simkit.commands.main import main
from simkit.errors import SimkitError
from simkit.golden import read_png
from simkit.inspect_video import VideoLook

ROOT = Path(__file__).resolve().parent.parent
PALETTE = tuple((number * 16, number * 16, number * 16) for number in range(16))
GRAPHICS_1 = bytes.fromhex("00 C2 05 80 01 20 00 07")


def memory_of(*parts):
    memory = bytearray(0x4000)
    for address, values in parts:
        memory[address : address + len(values)] = bytes(values)
    return bytes(memory)


def test_pattern_with_its_colours_stands_at_its_place():
    look = VideoLook(memory_of((0x0800 + 17 * 8, [0xF0] * 8), (0x2002, [0x9A])), GRAPHICS_1, PALETTE)
    sheet = look.patterns()
    top, left = 25 + 2, 25 + 2  # 17th: second row, second column; cells of 8 x 3 dots and a line
    assert sheet[top, left].tolist() == [9 * 16] * 3
    assert sheet[top, left + 15].tolist() == [10 * 16] * 3


def test_three_thirds_side_by_side_in_graphics_2():
    look = VideoLook(bytes(0x4000), bytes.fromhex("02 C2 0E FF 03 76 03 0F"), PALETTE)
    assert look.patterns().shape == (400, 3 * 400, 3)


def test_every_mode_has_its_pictures():
    for m1 in range(8):
        registers = bytes([m1 & 1 and 2, 0xC2 | (m1 >> 2 & 1) << 4 | (m1 >> 1 & 1) << 3, 14, 255, 3, 118, 3, 1])
        look = VideoLook(bytes(range(256)) * 64, registers, PALETTE)
        for picture in look.pictures().values():
            assert picture.ndim == 3
            assert picture.dtype == np.uint8


def test_name_page_shown_is_framed():
    sheet = VideoLook(bytes(0x4000), GRAPHICS_1, PALETTE).names()
    frames = [tuple(sheet[row * 200, column * 264 + 200]) for row in range(4) for column in range(4)]
    assert [place for place, colour in enumerate(frames) if colour == (232, 232, 232)] == [5]


def test_memory_map_and_words_show_overlaps():
    registers = bytes.fromhex("00 C2 05 50 02 28 02 07")  # colour and name table inside one pattern table
    look = VideoLook(b"\x01" * 0x4000, registers, PALETTE)
    assert "$1400-$141F  shared by colour table and name table" in look.words() or any(
        "shared by" in line and "name table" in line for line in look.words()
    )
    row, column = divmod(0x1400, 128)
    assert look.memory_map()[row * 4 + 2, 26 + column * 4 + 2].tolist() == [255, 255, 255]


def test_sprite_words_give_true_lines_and_the_end():
    look = VideoLook(memory_of((0x1000, [0xFF, 5, 4, 0x8B, 0xD0])), GRAPHICS_1, PALETTE)
    words = look.words()
    assert "sprite 0: top line 0, left dot -27, early clock, name $04, colour 11 light yellow" in words
    assert "sprite 1: Y = $D0 ends the list; 30 entries after it unused" in words


def test_blank_display_and_masks_are_said():
    words = "\n".join(VideoLook(bytes(0x4000), bytes.fromhex("02 82 0E 9F 00 76 03 0F"), PALETTE).words())
    assert "display BLANKED" in words
    assert "offset mask $07FF: thirds share patterns" in words


def test_command_writes_the_pictures(tmp_path, capsys):
    with pytest.raises(SystemExit) as left:
        main(["video", str(ROOT / "demo" / "marlpit"), "--at", "30f", "--folder", str(tmp_path / "seen")])
    assert left.value.code in (0, None)
    assert "register 0 = $" in capsys.readouterr().out
    files = sorted(path.name for path in (tmp_path / "seen").iterdir())
    assert "video-patterns.png" in files
    assert len(files) == 6
    assert read_png(tmp_path / "seen" / "video-palette.png").shape[2] == 3


def test_wrong_slot_is_told():
    machine = Machine.load(ROOT / "demo" / "marlpit")
    with pytest.raises(SimkitError, match="Slot 3 holds no tile-video card"):
        VideoLook.of(machine, 3)
