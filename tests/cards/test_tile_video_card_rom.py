"""The video test card ROM, page by page, against golden pictures of colour numbers (grey level = number x 17).

The pictures were looked at one by one. To renew them after a wanted change:
    SIMKIT_RENEW_GOLDEN=1 pytest tests/cards/test_tile_video_card_rom.py
"""

import os
from pathlib import Path

import numpy as np
import pytest

from simkit import Machine
from simkit.golden import difference, read_png
from simkit.pictures import write_png

ROOT = Path(__file__).resolve().parents[2]
GOLDEN = ROOT / "tests" / "golden"
PAGES = (
    "text", "graphics-1", "graphics-2", "multicolor", "sprites-8", "sprites-8-doubled", "sprites-16",
    "sprites-16-doubled", "m1-and-m2", "text-with-m3", "multicolor-with-m3", "off",
)  # fmt: skip
LOADING_FRAMES = 12


@pytest.fixture(scope="module")
def pages():
    """Colour numbers of each page; START is held for a moment to go on."""
    image = ROOT / "roms" / "video-test-card.bin"
    machine = Machine.load(ROOT / "demo" / "marlpit", images={2: image})
    shown = []
    for _ in PAGES:
        machine.run(frames=LOADING_FRAMES)
        shown.append(machine.screen.pixels.copy())
        machine.pads[1].press("start")
        machine.run(frames=2)
        machine.pads[1].release("start")
        machine.run(frames=1)
    assert {f.rule for f in machine.findings} == set()
    return shown


@pytest.mark.parametrize("number", range(len(PAGES)), ids=PAGES)
def test_page_is_the_golden_picture(number, pages, tmp_path):
    path = GOLDEN / f"video-test-card-{number:02}-{PAGES[number]}.png"
    shown = np.repeat((pages[number] * np.uint8(17))[:, :, None], 3, axis=2)
    if os.environ.get("SIMKIT_RENEW_GOLDEN"):
        write_png(path, shown)
    unequal = difference(read_png(path), shown)
    if unequal is not None:
        write_png(tmp_path / "difference.png", unequal)
    assert unequal is None, f"see {tmp_path / 'difference.png'}"


def test_two_video_cards_in_one_machine(tmp_path):
    """A second card at $7F40 with the same program's writes only to the first: its own memory, its own screen."""
    (tmp_path / "machine.toml").write_text(
        f'name = "Two"\nbase = "{ROOT / "demo/marlpit/machine.toml"}"\n[[card]]\nslot = 6\nkind = "tile-video"\n'
        'select = "0111 1111 0100 000x"\nlines = { INT = "IRQ" }\n[card.settings]\npart = "9929A"\n'
    )
    machine = Machine.load(tmp_path, images={2: ROOT / "roms" / "video-test-card.bin"})
    machine.run(frames=None, seconds=0.3)
    first, second = machine.card(5).screen, machine.card(6).screen
    assert "ABC" in first.text()
    assert second.text() == ""
    assert second.frame_cycles > first.frame_cycles
