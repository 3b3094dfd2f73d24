"""Labels and listings written by 64tass itself (Debian 1.58.2974-1 was tried)."""

import pytest

from simkit.rom.labels import read_labels
from simkit.rom.listing import read_rows
from tests.toolchains.conftest import places

pytestmark = pytest.mark.needs("64tass")

MAIN = """\
cnt = $10
limit = 3
text = "words"
put     .macro
        lda #\\1
        sta $6000
        .endm
* = $8000
start:  ldx #$ff
        txs
_loop   inc cnt
        #put 3
        #put 4
        .for i = 0, i < 2, i += 1
        ldy #i
        sta $6001
        .next
        .if 0
        lda #9
        .endif
        jsr delay
        bne _loop
        .include "part.asm"
-       jmp -
msg     .text "HI",0
big     .fill 20, $55
        .logical $0200
moved   nop
        .here
* = $fffa
        .word start, start, start
"""
PART = "delay   .proc\n        ldy #limit\nd       dey\n        bne d\n        rts\n        .pend\n"
EXPECTED = [
    (0x200, 1, "main.asm", 28, True),
    (0x8000, 2, "main.asm", 9, True), (0x8002, 1, "main.asm", 10, True), (0x8003, 2, "main.asm", 11, True),
    (0x8005, 2, "main.asm", 12, True), (0x8007, 3, "main.asm", 12, True), (0x800A, 2, "main.asm", 13, True),
    (0x800C, 3, "main.asm", 13, True), (0x800F, 2, "main.asm", 15, True), (0x8011, 3, "main.asm", 16, True),
    (0x8014, 2, "main.asm", 15, True), (0x8016, 3, "main.asm", 16, True), (0x8019, 3, "main.asm", 21, True),
    (0x801C, 2, "main.asm", 22, True), (0x801E, 2, "part.asm", 2, True), (0x8020, 1, "part.asm", 3, True),
    (0x8021, 2, "part.asm", 4, True), (0x8023, 1, "part.asm", 5, True), (0x8024, 3, "main.asm", 24, True),
    (0x8027, 3, "main.asm", 25, False), (0x802A, 8, "main.asm", 26, False), (0x8032, 12, "main.asm", 26, False),
    (0x803E, 1, "main.asm", 28, False), (0xFFFA, 6, "main.asm", 31, False),
]  # fmt: skip


def by_byte(rows):
    """File, line and whether it is code of each address: how many bytes of data stand in a line, options change."""
    return {address + n: tuple(rest) for address, length, *rest in rows for n in range(length)}


@pytest.mark.parametrize("options", [(), ("--line-numbers", "--verbose-list"), ("--no-monitor",)])
def test_source_lines_of_a_listing(options, tass):
    """Lines of a macro's body belong to the line that calls it, those of a loop to the loop's body."""
    rows = places(read_rows(tass(*options, main=MAIN, part=PART) / "rom.lst"))
    assert by_byte(rows) == by_byte(EXPECTED)
    assert [row for row in rows if row[4]] == [row for row in EXPECTED if row[4]]


def test_a_listing_without_its_sources_points_into_itself(tass):
    folder = tass(main=MAIN, part=PART)
    for name in ("main.asm", "part.asm"):
        (folder / name).unlink()
    rows = read_rows(folder / "rom.lst")
    assert {row.file for row in rows} == {str(folder / "rom.lst")}
    lines = (folder / "rom.lst").read_text().splitlines()
    assert all(f"{row.data[0]:02x}" in lines[row.line - 1] for row in rows)
    assert [(row[0], row[1], row[4]) for row in places(rows)] == [(row[0], row[1], row[4]) for row in EXPECTED]


def test_labels_are_read_in_all_forms(tass):
    folder = tass(main=MAIN, part=PART)
    notes = []
    plain = {"start": 0x8000, "msg": 0x8027, "big": 0x802A, "moved": 0x200, "delay": 0x801E, "cnt": 0x10}
    labels = read_labels(folder / "rom.labels", notes)
    assert plain.items() <= labels.items()
    assert notes == [], "texts that names stand for are no lines that cannot be read"
    tass("--dump-labels", main=MAIN, part=PART)
    assert read_labels(folder / "rom.labels") == plain | {"start._loop": 0x8003, "delay.d": 0x8020}
    listed = read_labels(folder / "rom.lst")
    assert plain.items() <= listed.items()
    assert listed["start._loop"] == 0x8003
