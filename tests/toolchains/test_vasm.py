"""Listings as vasm 2.0c writes them (6502, oldstyle syntax): the two forms, after its documentation and its output."""

from simkit.rom.labels import read_labels
from simkit.rom.listing import read_rows
from tests.toolchains.conftest import places

WIDE = """\
Sections:
00: "org0001:8000" (8000-8018)


Source: "blink.s"
                            \t     1: VIA = $6000
                            \t     2:         org $8000
00:8000 A2FF                \t     3: start:  ldx #$ff
00:8002 9A                  \t     4:         txs
00:8003 E610                \t     5: .loop:  inc cnt
00:8005 4849                \t     6: msg:    byte "HI there"
00:8007 20746865
00:800B 7265

Source: "io.inc"
00:800D 8D0060              \t     3:         sta VIA


Symbols by name:
msg                              A:8005
start                            A:8000
three                            E:3
VIA                              E:6000

Symbols by value:
8000 start
"""
OLD = """\
F00:0003  start:  ldx #$ff
               S01:00008000:  A2 FF
F00:0006  .loop: inc cnt
               S01:00008002:  E6 10


Sources:
F00  blink.s

Symbols:
 start LAB (0x8000) ABS
 start .loop EXPR(32770=0x8002) ABS
"""


def test_the_wide_form(tmp_path):
    (tmp_path / "a.lst").write_text(WIDE)
    notes = []
    assert read_labels(tmp_path / "a.lst", notes) == {"msg": 0x8005, "start": 0x8000, "VIA": 0x6000}
    assert notes == []
    assert places(read_rows(tmp_path / "a.lst")) == [
        (0x8000, 2, "blink.s", 3, True), (0x8002, 1, "blink.s", 4, True), (0x8003, 2, "blink.s", 5, True),
        (0x8005, 2, "blink.s", 6, False), (0x8007, 4, "blink.s", 6, False), (0x800B, 2, "blink.s", 6, False),
        (0x800D, 3, "io.inc", 3, True),
    ]  # fmt: skip


def test_the_old_form(tmp_path):
    (tmp_path / "a.lst").write_text(OLD)
    assert read_labels(tmp_path / "a.lst") == {"start": 0x8000, "start.loop": 0x8002}
    assert places(read_rows(tmp_path / "a.lst")) == [(0x8000, 2, "blink.s", 3, True), (0x8002, 2, "blink.s", 6, True)]


def test_rows_that_cannot_be_read_are_counted(tmp_path):
    (tmp_path / "a.lst").write_text(WIDE.replace("00:8002 9A ", "00:8002 9G "))
    notes = []
    read_labels(tmp_path / "a.lst", notes)
    assert "a.lst:9: One line of this listing of vasm could not be read" in notes[0]


SAMPLE = """\
Sections:
00: "org0001:8000" (8000-8018)


Source: "blink.s"
                            \t     5: cnt = $10
00:8003 E610                \t     6: .loop:  inc cnt
00:800F A003                \t    14: delay:  ldy #3
                            \t    15: bad line
                        ^-ERROR:0002

Symbols by name:
delay                            A:800F
VIA                              E:6000
"""
SAMPLE_OLD = """\
F00:0006  .loop: inc cnt
               S01:00008003:  E6 10


Sources:
F00  blink.s

Symbols:
 start LAB (0x8000) ABS
 start .loop EXPR(32771=0x8003) ABS
"""


def test_samples_of_both_forms(tmp_path):
    """Lines that vasm 2.0c wrote for one program (Debian has no package of it)."""
    notes = []
    path = tmp_path / "a.lst"
    path.write_text(SAMPLE)
    assert read_labels(path, notes) == {"delay": 0x800F, "VIA": 0x6000}
    assert places(read_rows(path)) == [(0x8003, 2, "blink.s", 6, True), (0x800F, 2, "blink.s", 14, True)]
    path.write_text(SAMPLE_OLD)
    assert read_labels(path, notes) == {"start": 0x8000, "start.loop": 0x8003}
    assert places(read_rows(path)) == [(0x8003, 2, "blink.s", 6, True)]
    assert notes == []
