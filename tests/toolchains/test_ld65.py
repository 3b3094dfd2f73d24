"""Debug files, label lists and maps written by ld65 itself (Debian cc65 2.19-1 was tried)."""

import pytest

from simkit.contract.errors import SimkitError
from simkit.rom.labels import read_labels
from simkit.rom.listing import completed, read_listing, read_rows
from tests.toolchains.conftest import places

pytestmark = pytest.mark.needs("cc65")

BLINK = """\
        .include "io.inc"
        .zeropage
cnt:    .res 1
LIMIT = 3
        .code
start:  ldx #$ff
        txs
@loop:  inc cnt
        lda cnt
        putport
        jsr delay
        bne @loop
        .proc delay
        ldy #LIMIT
@d:     dey
        bne @d
        rts
        .endproc
:       jmp :-
msg:    .byte "HI",0
        .segment "VECTORS"
        .word start, start, start
"""
IO = "VIA = $6000\n        .macro putport\n        sta VIA\n        eor #1\n        .endmacro\n"


@pytest.fixture
def blink(ca65):
    return ca65(blink=BLINK, include_io=IO)


def test_labels_of_a_debug_file_are_scoped_and_plain_numbers_are_none(blink):
    notes = []
    assert read_labels(blink / "rom.dbg", notes) == {
        "start": 0x8000, "start@loop": 0x8003, "delay": 0x8011, "delay@d": 0x8013, "msg": 0x801A, "cnt": 0x10,
        "VIA": 0x6000,
    }  # fmt: skip
    assert notes == []


def test_source_lines_of_a_debug_file(blink):
    """A line that calls a macro stands for all instructions of it, each of which has a row."""
    assert places(read_rows(blink / "rom.dbg")) == [
        (0x10, 1, "blink.s", 3, False),
        (0x8000, 2, "blink.s", 6, True), (0x8002, 1, "blink.s", 7, True), (0x8003, 2, "blink.s", 8, True),
        (0x8005, 2, "blink.s", 9, True), (0x8007, 3, "blink.s", 10, True), (0x800A, 2, "blink.s", 10, True),
        (0x800C, 3, "blink.s", 11, True), (0x800F, 2, "blink.s", 12, True), (0x8011, 2, "blink.s", 14, True),
        (0x8013, 1, "blink.s", 15, True), (0x8014, 2, "blink.s", 16, True), (0x8016, 1, "blink.s", 17, True),
        (0x8017, 3, "blink.s", 19, True), (0x801A, 3, "blink.s", 20, False), (0xFFFA, 6, "blink.s", 22, False),
    ]  # fmt: skip
    row = read_listing(blink / "rom.dbg").row(0x8007)
    assert (row.text, row.data) == ("putport", bytes.fromhex("8D0060"))


def test_a_debug_file_without_image_and_sources_gives_lines_all_the_same(blink):
    for name in ("rom.bin", "blink.s", "io.inc"):
        (blink / name).rename(blink / f"{name}.away")
    memory = (blink / "rom.bin.away").read_bytes()
    rows = completed(
        read_rows(blink / "rom.dbg"), "65C02", lambda address, length: memory[address - 0x8000 :][:length].ljust(length)
    )
    found = {row.address: row for row in rows}
    assert (found[0x8007].place, found[0x8007].length, found[0x800A].length) == ("blink.s:10", 3, 2)
    assert read_labels(blink / "rom.dbg")["start@loop"] == 0x8003


def test_a_source_that_changed_since_is_told(blink):
    (blink / "blink.s").write_text("; one more line\n" + BLINK)
    notes = []
    read_labels(blink / "rom.dbg", notes)
    assert "blink.s changed after it was assembled" in notes[0]


def test_a_label_list_gives_cheap_locals_the_label_before_them(blink):
    assert read_labels(blink / "rom.lbl") == {
        "start": 0x8000, "start@loop": 0x8003, "delay": 0x8011, "delay@d": 0x8013, "msg": 0x801A, "cnt": 0x10,
    }  # fmt: skip


def test_a_map_gives_exported_labels_and_says_what_gives_more(ca65):
    folder = ca65(one=".import two\n.export one\n.code\none: jmp two\n", two=".export two\n.code\ntwo: rts\n")
    notes = []
    assert read_labels(folder / "rom.map", notes) == {"two": 0x8003}
    assert "--dbgfile" in notes[0]
    assert {row.file.rpartition("/")[2] for row in read_rows(folder / "rom.dbg")} == {"one.s", "two.s"}


def test_labels_of_one_name_in_several_files_are_told_apart(ca65):
    notes = []
    labels = read_labels(ca65(one=".code\ngo: nop\n@y: nop\n", two=".code\ngo: nop\n@y: nop\n") / "rom.dbg", notes)
    assert labels == {"go": 0x8000, "go@y": 0x8001, "go.2": 0x8002, "go@y.2": 0x8003}
    assert "2 names stand for several places" in notes[0]


def test_lines_of_a_debug_file_that_cannot_be_read_are_counted(blink):
    path = blink / "rom.dbg"
    path.write_text(path.read_text() + "rubbish\nsym\tid=x\nfuture\tid=7,new=1\n")
    notes = []
    assert read_labels(path, notes)["start"] == 0x8000
    assert "2 lines of this debug file of ld65 could not be read" in notes[0]


def test_a_listing_of_ca65_is_refused_with_what_to_use(tmp_path):
    (tmp_path / "a.lst").write_text("ca65 V2.18 - Debian 2.19-1\nMain file   : a.s\n\n000000r 1  EA   nop\n")
    with pytest.raises(SimkitError, match="not final") as refused:
        read_listing(tmp_path / "a.lst")
    assert "--dbgfile" in refused.value.remedy
