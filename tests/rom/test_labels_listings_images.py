"""Label lists, listings and image files in the forms that assemblers and programmers write."""

import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simkit.contract.errors import SimkitError
from simkit.rom.images import read_image, read_segments, write_image
from simkit.rom.labels import NAME, read_labels
from simkit.rom.listing import read_listing


@pytest.fixture
def write(tmp_path):
    def put(name, text):
        path = tmp_path / name
        path.write_text(text)
        return path

    return put


@pytest.mark.parametrize(
    "line",
    [
        "START = $8000",
        "START=$8000 ; entry",
        "START: = $8000",
        "START := $8000",
        "START EQU $8000",
        "START: equ $8000",
        "START .equ 0x8000",
        "START = 8000h",
        "START = 32768",
        "$8000 | START | main.asm:12",
        "START,$8000",
        '"START","0x8000","code"',
        "START;32768",
    ],
)
def test_plain_forms_of_a_label(line, write):
    assert read_labels(write("a.labels", f"; list\n\n{line}\n")) == {"START": 0x8000}


def test_a_csv_list_may_have_a_heading(write):
    assert read_labels(write("a.csv", "name,address\nSTART,$8000\nEND,$8010\n")) == {"START": 0x8000, "END": 0x8010}


@pytest.mark.parametrize("line", ["reset,8000", "zero;10", "main,C000", "main\t\tC000"])
def test_digits_of_a_csv_list_that_do_not_say_their_base_are_left_out_and_told(line, write):
    notes = []
    assert read_labels(write("a.csv", f"name,address\nSTART,$8000\n{line}\n"), notes) == {"START": 0x8000}
    assert "a.csv:3: One line of this label list could not be read and is left out." in notes[0]


@pytest.mark.parametrize("written", ["START,32768", "START,9"])
def test_decimal_digits_of_a_csv_list_that_can_only_be_decimal_are_taken(written, write):
    assert read_labels(write("a.csv", f"{written}\n")) == {"START": int(written.split(",")[1])}


def test_the_map_that_ophis_writes_is_read(write, tmp_path):
    """ophis-asm 2.3, written here by the assembler itself: `-m`, with an anonymous and a repeated local label."""
    scopes = ".scope\n_in: bne _in\nrts\n.scend\n" * 2
    source = write("small.asm", f".alias Zero $10\n.alias Mask %01000000\n.org $8000\nStart: lda #1\n* bne -\n{scopes}")
    options = ["-q", "-o", tmp_path / "s.bin", "-m", tmp_path / "s.map", "-l", tmp_path / "s.lst"]
    # a process of its own: roms/build.py puts its own writers into the assembler
    subprocess.run([Path(sys.executable).with_name("ophis"), *options, source], check=True)
    labels = read_labels(tmp_path / "s.map")
    assert labels == {"Start": 0x8000, "Zero": 0x10}, "as in the source beside the map; numbers are no places"
    source.unlink()
    assert read_labels(tmp_path / "s.map") == {"start": 0x8000, "zero": 0x10, "mask": 0x40}
    listing = read_listing(tmp_path / "s.lst")
    assert [(row.address, row.length, row.code) for row in listing.rows][:2] == [(0x8000, 2, True), (0x8002, 2, True)]
    assert listing.row(0x8003).address == 0x8002


@pytest.mark.parametrize(
    ("text", "labels", "first", "count"),
    [
        ("START $8000\n", {}, 1, 1),
        ("A = $1\n9LIVES = $8000\n", {"A": 1}, 2, 1),
        ("A = $1\f\v\x1c\x85\u2028\n\r9LIVES = $8000\n", {"A": 1}, 3, 1),
        ("START = $18000\nA = $1\n", {"A": 1}, 1, 1),
        ("A = BC\nB = $2\nwhat is this\n", {"B": 2}, 1, 2),
        ("A,,$BC\n", {}, 1, 1),
        (f"{'X' * 200} = $8000\n", {}, 1, 1),
    ],
)
def test_lines_that_are_no_labels_are_counted_and_told_with_the_forms_that_are_read(text, labels, first, count, write):
    notes = []
    assert read_labels(write("a.labels", text), notes) == labels
    assert f"a.labels:{first}: {'One line' if count == 1 else f'{count} lines'} of this label list" in notes[0]
    assert "Read are: NAME = $1234; NAME,$1234; the map of ophis; ld65 --dbgfile, -Ln and -m;" in notes[0]


def test_a_name_with_several_places_keeps_them_all(write):
    notes = []
    text = "A = $8000\nA = $8001\nB = $8002\nA = $8003\nA = $8001\n"
    assert read_labels(write("a.labels", text), notes) == {"A": 0x8000, "A.2": 0x8001, "B": 0x8002, "A.3": 0x8003}
    assert "one name stands for several places" in notes[0]


@given(text=st.text(alphabet='A_9.$=,:;|xh EQU\t"0f\n', max_size=80))
@settings(deadline=None, max_examples=150)
def test_any_text_gives_labels_or_a_note(text, tmp_path_factory):
    path = tmp_path_factory.mktemp("labels") / "x.labels"
    path.write_text(text)
    notes = []
    found = read_labels(path, notes)
    assert all(str(path) in note for note in notes)
    assert found or notes
    assert all(NAME.fullmatch(name) and 0 <= address <= 0xFFFF for name, address in found.items())


def test_a_listing_tells_code_from_data_and_gives_places(write):
    path = write(
        "p.lst",
        "$8000  A2 FF                     p.asm:3          ldx #$FF   ; top\n"
        "$8002  9A                        p.asm:4     on:  txs\n"
        '$8003  48 49                     p.asm:5          .byte "HI: lda"\n'
        "$8005  FF 250 times              p.asm:6          .advance $80FF, $FF\n",
    )
    listing = read_listing(path)
    assert [row.code for row in listing.rows] == [True, True, False, False]
    assert listing.row(0x8001).place == "p.asm:3"
    assert listing.row(0x80FE).line == 6
    assert listing.row(0x80FF) is None


@pytest.mark.parametrize(
    "listing", sorted((Path(__file__).parents[2] / "roms").rglob("*.lst")), ids=lambda path: path.stem
)
def test_every_line_of_the_projects_listings_is_a_row(listing):
    lines = listing.read_text().splitlines()
    rows = read_listing(listing).rows
    assert len(rows) == len(lines)
    assert all(row.file.endswith(".asm") for row in rows)


def test_a_row_whose_place_cannot_be_read_is_told(write):
    """A source file's long name, glued to a label in the first column."""
    path = write(
        "p.lst", "$8000  AD 01 7F      serial-6551-test.asm:59   lda $7F01\n$8003  D0 FB   t.asm:60_wait: bne _wait\n"
    )
    notes = []
    assert len(read_listing(path, notes).rows) == 1
    assert "p.lst:2: One line of this listing could not be read" in notes[0]


@pytest.mark.parametrize(
    "row",
    [
        "$FFFF  A2 FF                     p.asm:3          ldx #$FF",
        "$FFF0  FF 17 times               p.asm:6          .advance $10000, $FF",
        "$0000  FF 65537 times            p.asm:6          .advance",
        "$0001  FF 99999 times            p.asm:6          .advance",
        " FFF8  00 01 02 03 04 05 06 07 08",
    ],
)
def test_a_row_that_goes_on_beyond_the_last_address_is_left_out_and_told(row, write):
    notes = []
    assert len(read_listing(write("p.lst", f"$8000  9A   p.asm:1   txs\n{row}\n"), notes).rows) == 1
    assert "p.lst:2: One line of this listing could not be read" in notes[0]


@pytest.mark.parametrize("row", ["$FFFE  A2 FF   p.asm:3   ldx #$FF", "$0000  FF 65536 times   p.asm:6   .advance"])
def test_a_row_may_go_up_to_the_last_address(row, write):
    assert len(read_listing(write("p.lst", f"{row}\n")).rows) == 1


def test_a_file_without_rows_is_no_listing(write):
    with pytest.raises(SimkitError, match="begins with an address and bytes"):
        read_listing(write("x.lst", "nothing here\n"))


# hex files ------------------------------------------------------------------------------------------------------------


def test_published_records_of_intel_hex(write):
    """Record layout and checksum: Intel, Hexadecimal Object File Format Specification, revision A, 6 January 1988;
    check values by arithmetic."""
    text = ":05800000A9428D0060A3\n:06FFFA0000000080008001\n:00000001FF\n"
    assert read_segments(write("a.hex", text)) == [
        (0x8000, bytes.fromhex("A9428D0060")),
        (0xFFFA, bytes.fromhex("000000800080")),
    ]
    linear = ":020000040001F9\r\n:0100000055aa\r\n:00000001ff\r\n"
    assert read_segments(write("b.hex", linear)) == [(0x10000, b"U")]
    assert read_segments(write("c.hex", ":020000021200EA\n:0100000055AA\n:00000001FF\n")) == [(0x12000, b"U")]
    assert read_segments(write("d.hex", ":10010000214601360121470136007EFE09D2190140\n:00000001FF\n"))[0][0] == 0x100


def test_published_records_of_the_s_format(write):
    """Layout and checksum: Motorola M68000 family reference, S-record appendix (from memory); values by arithmetic."""
    text = "S00600004844521B\nS1088000A9428D00609F\nS109FFFA000000800080FD\nS5030002FA\nS90380007C\n"
    assert read_segments(write("a.s19", text)) == [
        (0x8000, bytes.fromhex("A9428D0060")),
        (0xFFFA, bytes.fromhex("000000800080")),
    ]
    assert read_segments(write("b.s19", "S1137AF00A0A0D0000000000000000000000000061\nS9030000FC\n"))[0][0] == 0x7AF0


@pytest.mark.parametrize(
    ("count", "fine"),
    [
        ("S5030002FA", True),
        ("S604000002F9", True),
        ("S5030001FB", False),
        ("S5030003F9", False),
        ("S5030000FC", False),
        ("S604000003F8", False),
        ("S604010002F8", False),
        ("S503FFFFFE", False),
    ],
)
def test_a_count_of_s_records_is_held_against_the_records_before_it(count, fine, write):
    """S5 holds the number of S1, S2 and S3 records before it in two bytes, S6 in three (Motorola M68000 family
    reference, S-record appendix, from memory); sums by arithmetic."""
    text = f"S1048000A9D2\nS10480014238\n{count}\nS9030000FC\n"
    path = write("a.s19", text)
    if fine:
        assert read_segments(path) == [(0x8000, b"\xa9\x42")]
        return
    with pytest.raises(SimkitError, match=r"it counts \d+ data records, before it stand 2") as refused:
        read_segments(path)
    assert refused.value.line == 3


@pytest.mark.parametrize("part_bytes", [0, -1, -32768, 1 << 25])
def test_a_part_of_no_size_takes_no_image(part_bytes, write):
    for name, text in (("a.bin", "x"), ("a.hex", ":0100000055AA\n:00000001FF\n")):
        with pytest.raises(SimkitError, match=f"has {part_bytes} bytes"):
            read_image(write(name, text), part_bytes)


def test_a_part_of_one_byte_takes_one(write):
    assert read_image(write("a.hex", ":01800000552A\n:00000001FF\n"), 1) == b"U"
    with pytest.raises(SimkitError, match="Two bytes fall on offset"):
        read_image(write("a.hex", ":028000005556D3\n:00000001FF\n"), 1)


@pytest.mark.parametrize("name", ["a.bin", "a.hex", "a.s19"])
def test_an_empty_image_is_told(name, write):
    with pytest.raises(SimkitError, match=r"is empty|no end record"):
        read_image(write(name, ""), 1024)


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_hex_files_have_lines_as_on_any_system(mark, end, tmp_path):
    path = tmp_path / "a.hex"
    path.write_bytes((mark + end.join((":0100000055AA", "", " :00000001ff "))).encode())
    assert read_segments(path) == [(0, b"U")]


def test_written_records_are_the_published_ones():
    """The same records, written: the sheets' own layout with 16 data bytes a record."""
    code = bytes.fromhex("A9428D0060")
    assert write_image(code, ".hex", address=0x8000) == b":05800000A9428D0060A3\n:00000001FF\n"
    assert b"S1088000A9428D00609F\n" in write_image(code, ".s19", address=0x8000)
    assert write_image(code, ".s19").endswith(b"S9030000FC\n")
    assert write_image(code, ".bin") == code


@pytest.mark.parametrize(
    ("name", "text", "message"),
    [
        ("a.hex", ":05800000A9428D0060A4\n:00000001FF\n", "Not a sound hex file"),
        ("a.hex", ":05800000A9428D0060A3\n", "no end record"),
        ("a.hex", ":0100000055AA\n:0100000056A9\n:00000001FF\n", "for the same address"),
        ("a.s19", "S1088000A9428D006000\nS9030000FC\n", "Not a sound hex file"),
        ("a.s19", "hello\n", "Not a sound hex file"),
        ("a.hex", "hello\n", "is no whole record"),
        ("a.hex", ":00000001FF\nS9030000FC\n", "behind the end record"),
        ("a.s19", "S1088000A9428D00609F\n:00000001FF\n", "is no whole record of S-records"),
        ("a.hex", ":05800000A9428D0060A\n", "is no whole record"),
        ("a.hex", ":05800000A9428D0060\n", "wrong size"),
        ("a.hex", ":05800000A9428DO060A3\n", "is no whole record"),
        ("a.hex", ":05800000A9428D0061A3\n", "checksum \\$A3; its bytes give \\$A2"),
        ("a.hex", ":0100000655A4\n", "no record of type 06"),
        ("a.s19", "S40300FFFD\n", "no record of type S4"),
        ("a.hex", "\n\n", "no end record"),
        ("a.hex", "", "no end record"),
        ("a.hex", ":05800000A9428D0060A3\u00e9\n", "is no whole record of Intel HEX"),
    ],
)
def test_a_damaged_hex_file_is_told(name, text, message, write):
    """Record layouts: Intel, Hexadecimal Object File Format Specification, revision A, 6 January 1988; Motorola M68000
    family reference, S-record appendix (from memory)."""
    path = write(name, text)
    with pytest.raises(SimkitError, match=message) as told:
        read_image(path, 32768)
    assert told.value.file == str(path)
    assert told.value.remedy


@pytest.fixture(scope="session")
def damaged_file(tmp_path_factory):
    folder = tmp_path_factory.mktemp("damaged")
    return lambda suffix, content: ((folder / f"x{suffix}").write_bytes(content), folder / f"x{suffix}")[1]


def told_of(path):
    """The one clear error of a hex file with its place, or what it holds."""
    try:
        return None, read_segments(path)
    except SimkitError as caught:
        error = caught
    assert str(error).startswith(f"{path}:")
    assert error.message.endswith(".")
    assert error.remedy
    return error, None


@given(data=st.binary(min_size=1, max_size=80), suffix=st.sampled_from([".hex", ".s19"]), where=st.data())
@settings(deadline=None, max_examples=150)
def test_a_hex_file_that_was_cut_off_is_told_with_its_line(data, suffix, where, damaged_file):
    whole = write_image(data, suffix).rstrip()
    length = where.draw(st.integers(0, len(whole) - 1))
    error, _ = told_of(damaged_file(suffix, whole[:length]))
    assert error is not None
    assert error.line == (len(whole[:length].splitlines()) or None)


@given(data=st.binary(min_size=1, max_size=80), suffix=st.sampled_from([".hex", ".s19"]), where=st.data())
@settings(deadline=None, max_examples=250)
def test_a_hex_file_with_a_wrong_character_is_told_or_says_the_same(data, suffix, where, damaged_file):
    """One character replaced, lost or too much. The type of an S-record has no check: its digit stays as it is."""
    whole = write_image(data, suffix)
    at = where.draw(st.integers(0, len(whole) - 1))
    if suffix == ".s19" and whole[at - 1 : at] == b"S":
        at -= 1
    new = where.draw(st.sampled_from(["", *map(chr, range(0x80))])).encode()
    taken = where.draw(st.integers(0, 1))
    content = whole[:at] + new + whole[at + taken :]
    error, found = told_of(damaged_file(suffix, content))
    assert error is not None or found == told_of(damaged_file(suffix, whole))[1]


@given(content=st.one_of(st.binary(max_size=60), st.text(":S0123456789ABCDEF\n", max_size=60).map(str.encode)))
@settings(deadline=None, max_examples=150)
def test_any_bytes_are_a_hex_file_or_give_one_clear_error(content, damaged_file):
    for suffix in (".hex", ".s19"):
        told_of(damaged_file(suffix, content))


def test_hex_addresses_count_modulo_the_part(write):
    image = read_image(write("a.hex", ":05800000A9428D0060A3\n:06FFFA0000000080008001\n:00000001FF\n"), 32768)
    assert image[:5] == bytes.fromhex("A9428D0060")
    assert image[0x7FFA:] == bytes.fromhex("000000800080")
    assert set(image[5:0x7FFA]) == {0xFF}


@given(data=st.binary(min_size=1, max_size=600), suffix=st.sampled_from([".hex", ".s19"]))
@settings(deadline=None, max_examples=60)
def test_any_image_survives_writing_and_reading(data, suffix, tmp_path_factory):
    path = tmp_path_factory.mktemp("images") / f"x{suffix}"
    path.write_bytes(write_image(data, suffix))
    assert read_image(path, 1024) == data
