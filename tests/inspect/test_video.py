"""Inspection pictures and words of the tile-video card."""

import io
import json
from base64 import b64decode
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from simkit_cards.tile_video.colours import COLOUR_NAMES

from simkit import Machine
from simkit.commands.main import main
from simkit.inspect.drawing import patterned
from simkit.inspect.video import VideoLook
from simkit.inspect.video_memory import FREE, MARGIN_PX, SHARED, STYLES
from simkit.inspect.video_page import CAPTIONS, html
from simkit.looks.colours import INK, MUTED, PAPER
from simkit.looks.patterns import TILE

ROOT = Path(__file__).resolve().parents[2]
PALETTE = tuple((number * 16, number * 16, number * 16) for number in range(16))
MARLPIT = str(ROOT / "demo" / "marlpit")
GRAPHICS_1 = bytes.fromhex("00 C2 05 80 01 20 00 07")


def memory_of(*parts):
    memory = bytearray(0x4000)
    for address, values in parts:
        memory[address : address + len(values)] = bytes(values)
    return bytes(memory)


def test_pattern_with_its_colours_stands_at_its_place():
    look = VideoLook(memory_of((0x0800 + 17 * 8, [0xF0] * 8), (0x2002, [0x9A])), GRAPHICS_1, PALETTE)
    sheet = look.patterns()
    top, left = (
        26 + 2,
        28 + 26 + 2,
    )  # margin 28; 17th: second row, second column; cells of 8 x 3 dots, a line of two
    assert sheet[top, left].tolist() == [9 * 16] * 3
    assert sheet[top, left + 15].tolist() == [10 * 16] * 3


def test_three_thirds_side_by_side_in_graphics_2():
    look = VideoLook(bytes(0x4000), bytes.fromhex("02 C2 0E FF 03 76 03 0F"), PALETTE)
    assert look.patterns().shape == (416, 3 * 444, 3)


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
    assert [place for place, colour in enumerate(frames) if colour == PAPER] == [5]


def square(look, address):
    """The dots of a byte on the map."""
    row, column = divmod(address, 128)
    top, left = row * TILE, MARGIN_PX + column * TILE
    return look.memory_map()[top : top + TILE, left : left + TILE].tolist()


def drawn(style, *, zero):
    return np.where((patterned(style.pattern, TILE, TILE) != zero)[:, :, None], INK, style.tint).tolist()


def test_a_byte_on_the_map_has_the_pattern_of_its_table_and_is_dark_where_it_is_zero():
    look = VideoLook(memory_of((0x0880, [1, 0]), (0x3E90, [1, 0])), GRAPHICS_1, PALETTE)  # patterns at $0800
    for address, style in ((0x0880, STYLES["pattern table"]), (0x3E90, FREE)):
        assert square(look, address) == drawn(style, zero=False)
        assert square(look, address + 1) == drawn(style, zero=True)


def test_memory_map_and_words_show_overlaps():
    registers = bytes.fromhex("00 C2 05 50 02 28 02 07")  # colour and name table inside one pattern table
    look = VideoLook(b"\x01" * 0x4000, registers, PALETTE)
    assert "$1400-$141F  shared by colour table and name table" in look.words() or any(
        "shared by" in line and "name table" in line for line in look.words()
    )
    assert square(look, 0x1410) == drawn(SHARED, zero=False)


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
    assert len(files) == 7
    with Image.open(tmp_path / "seen" / "video-palette.png") as written:
        assert np.array_equal(np.array(written.convert("RGB")), VideoLook.of(Machine.load(MARLPIT)).palette())


def said(capsys, *arguments):
    """What the command says when it was used wrongly; exit code 2, nothing printed as a result, no traceback."""
    with pytest.raises(SystemExit) as left:
        main(["video", *arguments])
    printed = capsys.readouterr()
    assert left.value.code == 2
    assert not printed.out
    assert "Traceback" not in printed.err
    return " ".join(printed.err.split())


def test_wrong_slot_is_told(capsys):
    told = said(capsys, MARLPIT, "--slot", "3")
    assert "Slot 3 holds no tile-video card." in told
    assert "They are in: 5." in told


def test_machine_without_a_video_card_is_told(tmp_path, capsys):
    (tmp_path / "machine.toml").write_text(
        f'name = "Blind"\nbase = "{ROOT / "demo/marlpit/machine.toml"}"\n[[card]]\nslot = 5\nremove = true\n'
    )
    told = said(capsys, str(tmp_path))
    assert "The machine has no tile-video card" in told
    assert "Put one into a slot" in told


TWO = f'''name = "Two"
base = "{ROOT / "demo/marlpit/machine.toml"}"
[[card]]
slot = 6
kind = "tile-video"
select = "0111 1111 0100 000x"
'''


def test_several_video_cards_need_a_slot(tmp_path, capsys):
    (tmp_path / "machine.toml").write_text(TWO)
    told = said(capsys, str(tmp_path))
    assert "The machine has 2 tile-video cards." in told
    assert "--slot" in told
    assert "5, 6" in told
    with pytest.raises(SystemExit) as left:
        main(["video", str(tmp_path), "--slot", "6", "--at", "5000c"])
    assert left.value.code in (0, None)
    assert "no register was written since power-on" in capsys.readouterr().out


@pytest.mark.parametrize("time", ["soon", "2", "-1s", "", "1e9999s"])
def test_time_that_is_none_is_told(time, capsys):
    told = said(capsys, MARLPIT, "--at", time)
    assert time in told
    assert "0.5s" in told


def test_folder_that_cannot_be_made_is_told_before_the_machine_runs(tmp_path, capsys):
    (tmp_path / "file").write_text("")
    told = said(capsys, MARLPIT, "--at", "100000000s", "--folder", str(tmp_path / "file"))
    assert "video-patterns.png cannot be written" in told
    told = said(capsys, MARLPIT, "--at", "100000000s", "--folder", str(tmp_path / "file" / "below"))
    assert "video-patterns.png cannot be written" in told


def test_picture_that_cannot_be_written_is_told(tmp_path, capsys):
    (tmp_path / "video-palette.png").mkdir()
    told = said(capsys, MARLPIT, "--at", "5000c", "--folder", str(tmp_path))
    assert "video-palette.png cannot be written" in told


def test_as_json(tmp_path, capsys):
    with pytest.raises(SystemExit) as left:
        main(["video", MARLPIT, "--at", "30f", "--folder", str(tmp_path), "--json"])
    assert left.value.code in (0, None)
    printed = json.loads(capsys.readouterr().out)
    assert printed["cycle"] >= 30 * 33_376
    assert any(line.startswith("status $") for line in printed["words"])
    assert Path(printed["files"]["screen"]).is_file()


def test_screen_picture_has_true_lines_and_frames():
    """Sprite 0 with Y = 95 begins at line 96: Texas Instruments, Programmer's Guide, 1984, 9.2.1."""
    pixels = np.zeros((192, 256), np.uint8)
    memory = memory_of((0x1000, [95, 40, 0, 15, 0xD0]))
    look = VideoLook(memory, GRAPHICS_1, PALETTE, pixels=pixels)
    sheet = look.pictures()["screen"]
    assert sheet.shape == (576, 32 + 768, 3)
    dots = sheet[:, 32:].any(axis=2)
    rows, columns = np.flatnonzero(dots.any(axis=1)), np.flatnonzero(dots.any(axis=0))
    assert rows[0] in range(96 * 3, 96 * 3 + 3)
    assert rows[-1] in range((96 + 16) * 3 - 3, (96 + 16) * 3)
    assert columns[0] in range(40 * 3, 40 * 3 + 3)
    assert sheet[96 * 3, 30].tolist() == list(PAPER)  # a mark at every eighth line


def test_sprites_behind_the_end_are_grey_and_struck_out():
    shapes = [(0x0000, [0xFF] * 32)]
    shown = VideoLook(memory_of(*shapes, (0x1000, [50, 0, 0, 8])), GRAPHICS_1, PALETTE).sprites()
    ended = VideoLook(memory_of(*shapes, (0x1000, [0xD0, 0, 0, 8])), GRAPHICS_1, PALETTE).sprites()
    assert shown[8 * 3 + 1, 1].tolist() == [128] * 3
    assert ended[8 * 3 + 1, 1].tolist() == list(MUTED)
    assert ended[7 * 3 + 1, 60].tolist() == list(INK)


class _Page(HTMLParser):
    """What stands in a page: headings, captions, pictures, cells."""

    def __init__(self, text):
        super().__init__()
        self.seen, self.images, self.inside, self.foreign = [], [], "", []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.inside = tag
        named = dict(attrs)
        if tag == "img":
            self.images.append((named["alt"], b64decode(named["src"].removeprefix("data:image/png;base64,"))))
        self.foreign += [tag] if tag in ("script", "link", "iframe") or "href" in named else []

    def handle_data(self, data):
        if data.strip():
            self.seen.append((self.inside, data.strip()))


def test_the_page_has_every_picture_with_heading_and_caption_and_every_colour_by_name():
    look = VideoLook(bytes(range(256)) * 64, GRAPHICS_1, PALETTE, pixels=np.zeros((192, 256), np.uint8))
    page = _Page(html(look, "Potting <shed>", "a \x1b[2J machine"))
    assert ("h1", "Potting <shed>") in page.seen
    assert not page.foreign, "loads nothing"
    assert not [text for _, text in page.seen if "\x1b" in text]
    pictures = look.pictures()
    assert len(page.images) == len(pictures) - 1  # the palette is a table
    captions = [text for tag, text in page.seen if tag == "figcaption"]
    assert len(captions) == len(page.images)
    for heading, content in page.images:
        name = next(name for name, (words, _) in CAPTIONS.items() if words == heading)
        assert np.array_equal(np.array(Image.open(io.BytesIO(content)).convert("RGB")), pictures[name])
        assert ("h2", heading) in page.seen
    cells = [text for _, text in page.seen]
    for number, name in enumerate(COLOUR_NAMES):
        assert cells[cells.index(name) - 1] == str(number)
    assert "register 7" in cells
    assert "$1400-$16FF" in cells


@pytest.mark.parametrize("m1", range(8))
def test_the_page_says_of_what_there_is_none_in_every_mode(m1):
    registers = bytes([m1 & 1 and 2, 0xC2 | (m1 >> 2 & 1) << 4 | (m1 >> 1 & 1) << 3, 14, 255, 3, 118, 3, 1])
    look = VideoLook(bytes(0x4000), registers, PALETTE)
    page = _Page(html(look, "Shed"))
    missing = sum(text.startswith("There is none") for _, text in page.seen)
    assert len(page.images) + missing == len(CAPTIONS)
