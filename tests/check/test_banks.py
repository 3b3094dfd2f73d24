"""Code in banks: places are those of the bank in which something happened, whichever is seen at the end."""

import subprocess
from fractions import Fraction

import pytest

from simkit import Machine
from simkit.check.run import check

MACHINE = """\
name = "Banked"
clock = "1 MHz"
[[card]]
slot = 1
kind = "sram"
select = "0xxx xxxx xxxx xxxx"
not_select = ["0111 1111 xxxx xxxx"]
[[card]]
slot = 2
kind = "rom"
select = "100x xxxx xxxx xxxx"
wires = { A13 = "BANK0" }
image = "banks.bin"
LABELS
settings = { size = 16384 }
[[card]]
slot = 3
kind = "rom"
select = "111x xxxx xxxx xxxx"
image = "fix.bin"
settings = { size = 8192 }
[[card]]
slot = 5
kind = "bank-latch"
select = "0111 1111 0111 0000"
lines = { Q0 = "BANK0" }
"""
BANKS = {
    # zero: nop, fault: sta $8000, rts
    0: "$8000  EA        zero.s:2    zero: nop\n$8001  8D 00 80  zero.s:3    fault: sta $8000\n"
    "$8004  60        zero.s:4    rts\n",
    # one: lda #$12, bad: sta $8000; switches to bank 0 and falls into its rts
    1: "$8000  EA        one.s:1    one: nop\n$8001  8D 00 80  one.s:2    bad: sta $8000\n"
    "$8004  8E 70 7F  one.s:3    away: stx $7F70\n",
}
CODE = {0: "EA 8D0080 60 0000 60", 1: "EA 8D0080 8E707F 00"}
FIX = "A2FF9A A900 8D707F 200080 A901A200 8D707F 200080 A900 8D707F"  # each bank in turn, then bank 0 again
FIX += " 4C18E0"
NAMES = {0: {"zero": 0x8000, "fault": 0x8001}, 1: {"one": 0x8000, "bad": 0x8001, "away": 0x8004}}
LD65 = """\
version\tmajor=2,minor=0
info\tcsym=0,file=2,lib=0,line=6,mod=1,scope=0,seg=2,span=6,sym=5,type=0
file\tid=0,name="zero.s",size=1,mtime=0x0,mod=0
file\tid=1,name="one.s",size=1,mtime=0x0,mod=0
mod\tid=0,name="m.o",file=0
seg\tid=0,name="B0",start=0x008000,size=0x0005,addrsize=absolute,type=ro,oname="banks.bin",ooffs=0
seg\tid=1,name="B1",start=0x008000,size=0x0007,addrsize=absolute,type=ro,oname="banks.bin",ooffs=8192
span\tid=0,seg=0,start=0,size=1
span\tid=1,seg=0,start=1,size=3
span\tid=2,seg=0,start=4,size=1
span\tid=3,seg=1,start=0,size=1
span\tid=4,seg=1,start=1,size=3
span\tid=5,seg=1,start=4,size=3
line\tid=0,file=0,line=2,span=0
line\tid=1,file=0,line=3,span=1
line\tid=2,file=0,line=4,span=2
line\tid=3,file=1,line=1,span=3
line\tid=4,file=1,line=2,span=4
line\tid=5,file=1,line=3,span=5
sym\tid=0,name="zero",addrsize=absolute,val=0x8000,seg=0,type=lab
sym\tid=1,name="fault",addrsize=absolute,val=0x8001,seg=0,type=lab
sym\tid=2,name="one",addrsize=absolute,val=0x8000,seg=1,type=lab
sym\tid=3,name="bad",addrsize=absolute,val=0x8001,seg=1,type=lab
sym\tid=4,name="away",addrsize=absolute,val=0x8004,seg=1,type=lab
"""


@pytest.fixture(params=["exact", "auto"])
def load(request, tmp_path):
    for name in ("zero.s", "one.s"):
        (tmp_path / name).write_text("\n" * 9)
    banks = bytearray(b"\xff" * 16384)
    for bank, code in CODE.items():
        data = bytes.fromhex(code)
        banks[bank * 8192 : bank * 8192 + len(data)] = data
    fix = bytearray(b"\xff" * 8192)
    code = bytes.fromhex(FIX)
    fix[: len(code)] = code
    fix[-6:] = b"\x00\xe0" * 3
    (tmp_path / "banks.bin").write_bytes(banks)
    (tmp_path / "fix.bin").write_bytes(fix)

    def made(named):
        (tmp_path / "machine.toml").write_text(MACHINE.replace("LABELS", named))
        return Machine.load(tmp_path, engine=request.param)

    return made


@pytest.fixture(params=["ld65", "two listings", "one listing"])
def banked(request, load, tmp_path):
    if request.param == "ld65":
        (tmp_path / "x.dbg").write_text(LD65)
        return load('labels = "x.dbg"')
    if request.param == "one listing":
        (tmp_path / "x.lst").write_text(BANKS[0] + BANKS[1])
        return load('listing = "x.lst"')
    for bank, text in BANKS.items():
        (tmp_path / f"bank{bank}.lst").write_text(text)
    return load('listing = ["bank0.lst", "bank1.lst"]')


def test_what_is_found_at_one_address_in_two_banks_is_told_with_the_line_of_each(banked, request):
    result = check(banked, seconds=Fraction(1, 1000))
    assert [remark for remark in result.remarks if "not used" in remark] == []
    found = [one for one in result.findings if one.rule.name == "write-to-rom"]
    assert [(one.pc, one.file.rpartition("/")[2], one.line, one.count) for one in found] == [
        (0x8001, "zero.s", 3, 1),
        (0x8001, "one.s", 2, 1),
    ]
    assert [one.rule.name for one in result.findings if one.rule.level == "error"] == ["write-to-rom"] * 2
    if "ld65" in request.node.name:
        assert [one.label for one in found] == ["fault", "bad"]


def test_a_finding_keeps_which_bank_was_seen(banked):
    banked.run(cycles=1000)
    found = [one for one in banked.findings if one.rule == "write-to-rom"]
    listing = banked.source_lines.listing
    assert [one.seen for one in found] == [(2, 1), (2, 0x2001)]
    assert [listing.row(one.pc, one.seen).line for one in found] == [3, 2]
    assert listing.row(0x8001).place.endswith("zero.s:3"), "the bank that is seen now"


def test_a_saved_state_holds_no_more_than_it_did(banked):
    banked.run(cycles=1000)
    state = banked.save_state()
    hashes = banked.state_hashes()
    banked.load_state(state)
    assert banked.state_hashes() == hashes
    assert {one.seen for one in banked.findings} == {None}


def test_labels_are_those_of_the_bank(load, tmp_path):
    (tmp_path / "x.dbg").write_text(LD65)
    listing = load('labels = "x.dbg"').source_lines.listing
    assert listing.label(0x8003, (2, 3)) == ("fault", 2)
    assert listing.label(0x8003, (2, 0x2003)) == ("bad", 2)
    assert listing.label(0x8004, (2, 4)) == ("fault", 3)
    assert listing.label(0x8004, (2, 0x2004)) == ("away", 0)
    assert listing.label(0xE000) is None, "one program alone: any list of labels may be asked"


@pytest.mark.needs("64tass")
def test_labels_and_lines_of_banks_out_of_a_listing_of_64tass(load, tmp_path):
    source = """\
        .cpu "65c02"
* = 0
        .logical $8000
zero    nop
fault   sta $8000
        rts
        .here
* = $2000
        .logical $8000
one     nop
bad     sta $8000
away    stx $7f70
        .here
"""
    (tmp_path / "b.asm").write_text(source)
    command = ["64tass", "-q", "-b", "-o", "b.bin", "--list=b.lst", "--labels=b.labels", "--dump-labels", "b.asm"]
    subprocess.run(command, cwd=tmp_path, check=True, capture_output=True)
    result = check(load('labels = "b.labels"'), seconds=Fraction(1, 1000))
    found = [one for one in result.findings if one.rule.name == "write-to-rom"]
    assert [(one.pc, one.label, one.line) for one in found] == [(0x8001, "fault", 5), (0x8001, "bad", 11)]


def test_a_listing_of_another_image_is_still_told(load, tmp_path):
    (tmp_path / "x.lst").write_text("$8000  A9 01  zero.s:2    zero: lda #1\n")
    m = load('listing = "x.lst"')
    assert m.source_lines.listing is None
    assert [slot for slot, _ in m.source_lines.stale] == [2]
