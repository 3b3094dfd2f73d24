"""Files that no assembler wrote: damaged, cut off, or made to take time without end. Each is read or told, and soon."""

import re
import struct
import time
import zlib

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from simkit.contract.errors import SimkitError
from simkit.rom.labels import Labels, read_labels
from simkit.rom.listing import Listing, completed, read_rows
from tests.toolchains.elf import elf, uleb

LD65 = """\
version\tmajor=2,minor=0
info\tcsym=0,file=1,lib=0,line=2,mod=1,scope=2,seg=1,span=2,sym=3,type=1
file\tid=0,name="a.s",size=20,mtime=0x1,mod=0
mod\tid=0,name="a.o",file=0
seg\tid=0,name="CODE",start=0x008000,size=0x0018,addrsize=absolute,type=ro,oname="rom.bin",ooffs=0
span\tid=0,seg=0,start=0,size=2
span\tid=1,seg=0,start=0,size=5,type=0
line\tid=0,file=0,line=1,span=0+1
line\tid=1,file=0,line=2,type=2,count=1,span=1
scope\tid=0,name="",mod=0,size=6,span=1
scope\tid=1,name="delay",mod=0,type=scope,size=6,parent=0,sym=2,span=1
sym\tid=0,name="@d",addrsize=absolute,size=1,parent=2,def=0,ref=1,val=0x8000,seg=0,type=lab
sym\tid=1,name="VIA",addrsize=absolute,scope=0,def=1,val=0x6000,type=equ
sym\tid=2,name="go",addrsize=absolute,scope=1,def=1,val=0x8001,type=lab
"""
TASS = (
    "; 64tass Turbo Assembler Macro V1.58.2974 listing file\n;Offset\t;PC\t;Hex\t\t;Monitor\t;Source\n"
    ";******  Processing input file: a.s\n=$10\t\t\t\t\tcnt = $10\n"
    ".8000\t0200\ta2 ff\t\tldx #$ff\tstart:  ldx #$ff\n>8002\t0202\t48 49\t\t\tmsg .text \"HI\"\n"
    ";******  Processing file: b.s\n.8004\t0204\t60\t\trts\t_x rts\n;******  Return to file: a.s\n"
)  # fmt: skip
VASM = (
    'Sections:\n00: "org0001:8000" (8000-8018)\n\nSource: "a.s"\n00:8000 A2FF  \t     3: start:  ldx #$ff\n'
    "00:8002 20746865\nSymbols by name:\nstart   A:8000  three  E:3\n"
)
OLD = (
    "F00:0003  start:  ldx #$ff\n               S01:00008000:  A2 FF\n\n"
    "Sources:\nF00  a.s\n\nSymbols:\n s LAB (0x8000) ABS\n"
)
TEXTS = {
    "ld65": LD65,
    "label list of ld65": "al 008000 .start\nal 008003 .@loop\n",
    "map of ld65": "Modules list:\n-----\nExports list by name:\nstart   008000 RLA  two 008003 RLA\nImports list:\n",
    "64tass": TASS,
    "labels of 64tass": "a.s:1:1: start = $8000\nstart\t\t= $8000\nx\t\t= \"words\"\n",
    "vasm": VASM,
    "vasm, old": OLD,
    "map": "$8000 | start | a.s:1\n",
}  # fmt: skip
ROWS = [(0x8000, 0, 4), (0x8005, 0, 5), (0x8009, 1, 12), (0x800E, 0, None)]
ELVES = [
    elf(version, symbols=[("main", 0x8000, 2, 1)], folders=["lib"], files=[("a.s", 0), ("b.s", 1)], rows=ROWS)
    for version in (2, 4, 5)
]
SOURCE = "start:  ldx #$ff\nput .macro\n nop\n .endm\n_x rts\n" * 3
THAN_ANY = [
    "-1",
    "0",
    "99999999999999999999",
    "0x",
    "0xFFFFFFFFFFFFFFFFFFFF",
    "1e9",
    '"',
    "",
    "0+0+0",
    "\u0661",
    "+",
    "9" * 5000,
]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    path = tmp_path_factory.mktemp("made-up")
    (path / "a.s").write_text(SOURCE)
    (path / "rom.bin").write_bytes(bytes(32))
    return path


def read(folder, content):
    """All that is done with a file; gives the notes. What is refused is refused with what to do."""
    path = folder / "file"
    path.write_bytes(content)
    before = time.process_time()
    notes, remedy = [], ""
    try:
        labels = Labels(read_labels(path, notes))
        rows = completed(read_rows(path, notes, []), "65C02", lambda address, length: bytes(length))
    except SimkitError as error:
        remedy = error.remedy
        notes.append(str(error))
    else:
        listing = Listing(rows)
        assert all(0 <= address <= 0xFFFF and name.isprintable() for name, address in labels.items())
        assert all(0 <= row.address < row.address + row.length <= 0x10000 and row.line >= 1 for row in rows)
        assert len(listing.instructions()) <= len(rows)
    assert time.process_time() - before < 2
    assert remedy is not None
    return notes


@pytest.mark.parametrize("form", TEXTS)
def test_a_text_cut_off_anywhere_is_read_as_far_as_it_goes(form, folder):
    whole = TEXTS[form].encode()
    for at in range(0, len(whole), 7):
        read(folder, whole[:at])


@pytest.mark.parametrize("form", TEXTS)
@pytest.mark.parametrize("ends", ["\r\n", "\r"])
def test_lines_may_end_as_on_any_system(form, ends, folder):
    read(folder, TEXTS[form].encode())
    same = read_labels(folder / "file"), read_rows(folder / "file")
    read(folder, TEXTS[form].replace("\n", ends).encode())
    assert (read_labels(folder / "file"), read_rows(folder / "file")) == same


@pytest.mark.parametrize("form", TEXTS)
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_a_text_with_anything_in_place_of_its_words_is_read_or_told(form, data, folder):
    """Numbers that are none or too large, ids that come twice or refer in a circle, lines twice or in another order."""
    lines = TEXTS[form].splitlines()
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(lines) - 1))
        line = lines[at]
        place = data.draw(st.integers(0, len(line)))
        end = data.draw(st.integers(place, min(len(line), place + 6)))
        other = data.draw(st.sampled_from(THAN_ANY) | st.text(max_size=5) | st.integers(0, 3).map(str))
        lines[at] = line[:place] + other + line[end:]
        if data.draw(st.booleans()):
            lines.insert(at, lines[data.draw(st.integers(0, len(lines) - 1))])
    read(folder, "\n".join(lines).encode("utf-8", "replace"))


@pytest.mark.parametrize("form", TEXTS)
def test_a_number_too_long_for_python_in_place_of_each_number_is_read_or_told(form, folder):
    """int() reads at most 4,300 decimal digits (Python 3.11, Built-in Types, Integer string conversion limitation)."""
    for found in re.finditer(r"[0-9]+", TEXTS[form]):
        read(folder, (TEXTS[form][: found.start()] + "9" * 5000 + TEXTS[form][found.end() :]).encode())


def test_circles_of_scopes_and_symbols_end(folder):
    circle = 'sym\tid=9,name="a",parent=8,val=0x8000,type=lab\nsym\tid=8,name="b",parent=9,val=1,type=lab\n'
    circle += 'scope\tid=7,name="s",parent=7\nsym\tid=6,name="c",scope=7,val=2,type=lab\n'
    read(folder, (LD65 + circle).encode())


def test_control_characters_in_names_are_written_out(folder):
    notes = read(folder, LD65.replace("VIA", "V\x1b[31m").replace("a.s", "x\u202e.s").encode())
    assert read_labels(folder / "file")["V\\x1b[31m"] == 0x6000
    assert all(row.file.isprintable() for row in read_rows(folder / "file"))
    assert all(note.isprintable() for note in notes)


def test_a_message_of_lines_that_cannot_be_read_counts_them_and_names_the_forms(folder):
    notes = read(folder, b"al 008000 .start\nrubbish\nal 00zz00 .x\n")
    assert "2 lines of this label list could not be read" in notes[0]
    assert "ld65 --dbgfile" in notes[0]


# ELF ------------------------------------------------------------------------------------------------------------------


@pytest.fixture
def elftools():
    pytest.importorskip("elftools", reason="the package pyelftools is not installed")


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_an_elf_file_with_bytes_changed_or_missing_is_read_or_told(data, folder, elftools):
    content = bytearray(data.draw(st.sampled_from(ELVES)))
    for _ in range(data.draw(st.integers(1, 3))):
        content[data.draw(st.integers(4, len(content) - 1))] = data.draw(st.integers(0, 255))
    read(folder, bytes(content[: data.draw(st.integers(4, len(content)) | st.just(len(content)))]))


def table_of_version_5(formats, count):
    """A line table whose list of folders is as said, by (content, form) pairs, and so many of them."""
    head = bytes([1, 1, 1, 0xFB, 14, 13]) + bytes([0, 1, 1, 1, 1, 0, 0, 0, 1, 0, 0, 1])
    head += bytes([len(formats)]) + b"".join(uleb(content) + uleb(form) for content, form in formats) + uleb(count)
    body = struct.pack("<HBBI", 5, 4, 0, len(head)) + head
    return struct.pack("<I", len(body)) + body


def table_of_version_4(operations):
    """A line table of one file, with these operations."""
    head = bytes([1, 1, 1, 0xFB, 14, 13]) + bytes([0, 1, 1, 1, 1, 0, 0, 0, 1, 0, 0, 1]) + b"\0a\0\0\0\0\0"
    body = struct.pack("<HI", 4, len(head)) + head + operations
    return struct.pack("<I", len(body)) + body


PACKED = 0x800
"""Flag of a section that is compressed (SHF_COMPRESSED)."""
GIGABYTES = struct.pack("<III", 1, 0xF0000000, 1) + zlib.compress(bytes(1 << 20))
ENDLESS = {
    "folders of no bytes": {"version": 5, "line_table": table_of_version_5([], 1 << 60)},
    "folders of flags": {"version": 5, "line_table": table_of_version_5([(1, 0x19)], 1 << 60)},
    "more folders than bytes": {"version": 5, "line_table": table_of_version_5([(1, 8)], 1 << 60)},
    "a number of a million bytes": {"line_table": table_of_version_4(b"\2" + b"\x80" * 1_000_000 + b"\1")},
    "a million operations": {"line_table": table_of_version_4(b"\x20" * 1_000_000)},
    "many units": {"units": 40_000},
    "a packed table of gigabytes": {"line_table": GIGABYTES, "flags": PACKED},
    "names without end": {"symbols": [("x" * 100_000, 1, 2, 1)] + [("", 1, 2, 1)] * 20_000},
}


@pytest.mark.parametrize(
    "kind", [pytest.param(kind, marks=[pytest.mark.slow] * (kind == "a million operations")) for kind in ENDLESS]
)
def test_an_elf_file_that_takes_time_or_room_without_end_is_given_up_soon(kind, folder, elftools):
    words = {"files": [("a.s", 0)], "rows": [(0x8000, 0, 4), (0x8001, 0, None)], **ENDLESS[kind]}
    version = words.pop("version", 4)
    content = elf(version, **words)
    if kind == "names without end":  # all of them begin where the long one does
        content = re.sub(rb"(?s)....(?=\x01\x00{7}\x12\x00\x01\x00)", struct.pack("<I", 1), content)
    assert "more than a program for the 6502 ever needs" in read(folder, content)[0]


@pytest.mark.parametrize("at", [4, 5, 18])
def test_an_elf_file_of_another_processor_or_width_is_told_as_such(at, folder, elftools):
    content = bytearray(ELVES[0])
    content[at] ^= 3
    (told, *_) = read(folder, bytes(content))
    assert "of another processor" in told or "damaged" in told
