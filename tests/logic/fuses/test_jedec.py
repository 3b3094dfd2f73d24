"""The file that carries fuses: [J3A] JEDEC Standard No. 3-A, as a programmer maker's text file gives it.

The figures of the first three tests are worked out in [J3A] itself; the fourth's and fifth's are plain sums.
"""

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simkit.contract.errors import SimkitError
from simkit.logic.fuses.devices import device_of
from simkit.logic.fuses.jedec import MAX_FUSES, checksum, load_fuse_map, read_fuse_map, transmission_sum
from simkit.logic.fuses.program import programmed
from tests.examples import examples
from tests.logic.fuses.written import field_c, jedec, random_fuses


def fields(*lines, **more):
    """A fuse map of these lines."""
    return read_fuse_map(("\x02a design*" + "\n".join(lines) + "\n\x030000").encode("latin-1"), "d.jed", **more)


def refusal(*lines):
    with pytest.raises(SimkitError) as caught:
        fields(*lines)
    assert caught.value.file == "d.jed"
    assert caught.value.remedy
    return caught.value.line, caught.value.message


def test_the_sum_of_what_is_sent():
    sent = b"\x02TEST*\r\nQF0384*\r\nF0*  \r\nL10 101*\r\n\x03"
    assert transmission_sum(sent) == 0x05C4
    found = read_fuse_map(sent + b"05C4", "d.jed")
    assert [n for n, fuse in enumerate(found.fuses) if fuse] == [10, 12]
    assert (len(found.fuses), found.notes) == (384, ("There is no fuse checksum (field C).",))


@pytest.mark.parametrize(
    ("count", "lists", "said"),
    [
        (500, ["L0 01001110 00001000 11110000 11111111 01010001"], 0x021A),
        (1004, ["L0 01010101", "L8 01010111", "L1000 0101"], 0x019E),
    ],
)
def test_the_checksum_of_fuses(count, lists, said):
    found = fields(f"QF{count}*F0*", *(f"{each}*" for each in lists), f"C{said:04x}*")
    assert found.checksum == said
    assert found.notes == ()


def test_the_checksum_of_two_fuses_far_apart():
    assert fields("QF16*F0*", "L0 10000000 00000001*C0081*").fuses == bytes([1, *[0] * 14, 1])


@pytest.mark.parametrize(("line_end", "said"), [("\n", 0x073D), ("\r\n", 0x0771)])
def test_other_line_ends_make_another_sum_and_no_error(line_end, said):
    sent = line_end.join(("\x02*", "QF16*F0*", "L0 10000000 00000001*", "C0081*", "\x03")).encode()
    assert transmission_sum(sent) == said
    assert read_fuse_map(sent + f"{said:04x}".encode(), "d.jed").notes == ()
    assert read_fuse_map(sent + b"0000\r\n", "d.jed").notes == ()
    other = 0x073D + 0x0771 - said
    (note,) = read_fuse_map(sent + f"{other:04X}".encode(), "d.jed").notes
    assert f"is {said:04X}" in note
    assert f"stands {other:04X}" in note


@pytest.mark.parametrize(("count", "said"), [(2194, 0x10F1), (2706, 0x50B1), (5892, 0xDD2F)])
def test_the_checksum_of_all_fuses_open_and_of_none(count, said):
    assert checksum(b"\1" * count) == said
    assert checksum(bytes(count)) == 0


@settings(max_examples=examples(60))
@given(st.binary(max_size=70).map(lambda raw: bytes(byte & 1 for byte in raw)))
def test_the_checksum_is_that_of_another_way_to_add(fuses):
    assert checksum(fuses) == field_c(fuses)


@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("default", [0, 1])
@settings(max_examples=examples(30))
@given(seed=st.integers(0, 999), width=st.sampled_from((1, 7, 32, 44, 5892)))
def test_any_fuses_come_back_however_they_are_split(line_end, default, seed, width):
    fuses = random_fuses("16V8", random.Random(seed))
    found = read_fuse_map(jedec(fuses, line_end=line_end, default=default, width=width, pins=20), "d.jed")
    assert (found.fuses, found.pins, found.notes) == (fuses, 20, ())


def test_asterisks_may_stand_at_the_beginning_of_lines():
    text = "Assembler 1\n*QP20\n*QF8\n*F0\n*G1\n*N a note: anything, L0 1\n*L0\n  11\n 1\n*C0007\n\x030000"
    found = read_fuse_map(("\x02" + text).encode(), "d.jed")
    assert (found.fuses, found.pins, found.secured) == (bytes([1, 1, 1, 0, 0, 0, 0, 0]), 20, True)
    assert (found.line_of(1), found.line_of(2)) == (8, 9)
    assert found.line_of(7) == 3
    assert found.notes == ()


def test_the_default_may_stand_before_the_number_of_fuses():
    """As some open assemblers write it (from memory); [J3A] has the number first."""
    text = "\n\nAn assembler\nDevice: GAL16V8\n\n*F0\n*G0\n*QF8\n*L0000 10000000\n*C0001\n*\n\x030000\n"
    found = read_fuse_map(("\x02" + text).encode(), "d.jed")
    assert (found.fuses, found.notes, found.count_line) == (bytes([1, *[0] * 7]), (), 8)


def test_without_stx_the_whole_file_is_fields():
    found = read_fuse_map(b"*QF4*L0 1010*C0005*", "d.jed")
    assert found.fuses == bytes([1, 0, 1, 0])
    assert "no STX" in found.notes[0]


def test_later_fields_win():
    found = fields("QF4*F1*", "L0 0000*", "L1 1*C0000*", "C0002*")
    assert found.fuses == bytes([0, 1, 0, 0])


def test_fuses_in_hexadecimal_digits():
    """The most significant bit of the first digit is the first fuse; the last digit may be filled up."""
    assert fields("QF10*F0*K0 A5 8*C00A6*").fuses == bytes([1, 0, 1, 0, 0, 1, 0, 1, 1, 0])
    assert fields("QF8*K0 A5*").fuses == bytes([1, 0, 1, 0, 0, 1, 0, 1])
    assert fields("QF10*F0*K 2 F*").fuses == bytes([0, 0, 1, 1, 1, 1, 0, 0, 0, 0])
    assert "holds no fuses" in fields("QF10*F0*Kxyz*").notes[0]


def test_fields_of_later_revisions_are_kept_and_letters_of_none_left():
    found = fields("QF4*F0*", "UA hello*", "E 1010*", "J 1 2 3*", "D0102*", "A25*", "S 00000000*", "R AB*T05*", "B*Z*")
    assert found.user_data == {"U": "A hello", "E": " 1010"}
    assert found.fuses == bytes(4)


def test_test_vectors():
    found = fields("QP4*QV3*QF4*F0*X1*P 4 3 2 1*", "V0002 0 1 N C*", "V1 LHZX*", "V0002 KFPB*")
    assert [(vector.number, vector.characters, vector.line) for vector in found.vectors] == [
        (1, "LHZX", 3),
        (2, "KFPB", 4),
    ]
    assert (found.unknown_level, found.pin_order) == (1, (4, 3, 2, 1))


@pytest.mark.parametrize(
    ("lines", "at", "says"),
    [
        (["QF8*F0*", "L0 11110000*", "C00FF*"], 3, "The fuses have the checksum 000F, the file says 00FF."),
        (["QF8*", "L0 1111*L6 1*C004F*"], 1, "3 of the 8 fuses are given by no field, the first ones are 4 to 5"),
        (["QF8*", "L0 11111*"], 1, "the first ones are 5 to 7"),
        (["QF8*F0*", "L0 1111\n 11111*"], 3, "L gives fuse 8; by QF in line 1 there are 8, 0 to 7."),
        (["QF8*F0*", "L8 1*"], 2, "L gives fuse 8"),
        (["QF8*F0*", "L00000000000000000000008 1*"], 2, "L gives fuse 8"),
        (["QF8*F0*", f"L{'9' * 6000} 1*"], 2, f"L gives fuse {MAX_FUSES}"),
        (["QF8*F0*", "K0 ABC*"], 2, "K gives fuse 8"),
        (["QF10*F0*", "K0 AB4*", "K0 AB1*"], 3, "K gives fuse 10"),
        (["QF8*F0*", "L0 1101\n012 1*"], 3, "'2' stands among the fuses of L"),
        (["QF8*F0*", "L0*"], 2, "followed by no fuse"),
        (["QF8*F0*", "Lx 1*"], 2, "not followed by the number"),
        (["QF8*F0*", "L1x 1*"], 2, "not followed by the number"),
        (["QF8*F0*", "L0 1\xe41*"], 2, "The byte E4 is not printable ASCII"),
        (["QF8*F0*", "L0 1\n\x001*"], 3, "The byte 00"),
        (["QF8*F0*", "\xb51*"], 2, "The byte B5"),
        (["QF8*F0*", "l0 1*"], 2, "'l' does not begin a field"),
        (["L0 1*", "QF8*"], 1, "L stands before QF"),
        (["K0 1*", "QF8*"], 1, "K stands before QF"),
        (["QF8*F0*", "QF9*"], 2, "QF says 9 fuses, and in line 1 it says 8."),
        (["QF8*F0*", "F1*"], 2, "F says 1, and above it says 0."),
        (["QF8*F2*"], 1, "F is not followed by 0 or 1."),
        (["QF8*F0*", "G*"], 2, "G is not followed by 0 or 1."),
        (["QF8*F0*", "C12345*"], 2, "C is not followed by four hexadecimal digits."),
        (["QF*"], 1, "QF is not followed by a number."),
        (["QP 20x*"], 1, "QP is not followed by a number."),
        (["QF0*"], 1, f"QF says 0 fuses; 1 to {MAX_FUSES} are read."),
        (["QF999999999*"], 1, "QF says 999999999 fuses"),
        (["N nothing*"], 2, "There is no field QF"),
        (["QF8*F0*", "QP4*", "V1 0000*"], 3, "V stands before QP and QV"),
        (["QF8*F0*", "QV4*", "X0*"], 3, "X stands before QP and QV"),
        (["QF8*F0*", "P 1 2*"], 2, "P stands before QP and QV"),
        (["QF8*F0*QP2*QV2*", "V1 00*", "X0*"], 3, "X stands behind the first test vector."),
        (["QF8*F0*QP2*QV2*", "V3 00*"], 2, "V3 is beyond the 2 test vectors that QV says."),
        (["QF8*F0*QP2*QV2*", "V1 000*"], 2, "V1 has 3 characters; by QP there are 2 pins."),
        (["QF8*F0*QP2*QV2*", "V1 0A*"], 2, "V1 holds 'A', which no test vector has."),
        (["QF8*F0*QP2*QV2*", "V 00*"], 2, "V is not followed by the number"),
        (["QF8*F0*QP2*QV2*", "P 1 1*"], 2, "P does not name each of the 2 pins once."),
        (["QF8*F0*QP2*QV2*", "P 1 x*"], 2, "P is not followed by numbers of pins."),
    ],
)
def test_a_lie_in_the_file_is_told_with_its_line(lines, at, says):
    line, message = refusal(*lines)
    assert says in message
    assert line == at


def test_a_wrong_checksum_may_be_let_pass():
    """Of an old assembler's files some hold one though their fuses are what the designer meant."""
    found = fields("QF8*F0*", "L0 11110000*", "C00FF*", checksum_counts=False)
    assert found.notes == ("Line 3: The fuses have the checksum 000F, the file says 00FF.",)


@pytest.mark.parametrize(
    ("content", "at", "says"),
    [
        (b"\x02design\n*QF8*\nF0*", 3, "ends before ETX"),
        (b"", 1, "no field that an asterisk ends"),
        (b"\x89PNG\r\n\x1a\n\0\0", 1, "no field that an asterisk ends"),
        (b"\x02\x03", 1, "no field that an asterisk ends"),
    ],
)
def test_a_file_that_is_none_or_cut_short(content, at, says):
    with pytest.raises(SimkitError, match=says) as caught:
        read_fuse_map(content, "d.jed")
    assert (caught.value.file, caught.value.line) == ("d.jed", at)


def test_what_is_not_ascii_in_a_note_is_no_error():
    found = fields("QF4*F0*", "N for the garden h\xe4use*")
    assert "A note in line 2 holds bytes that are not ASCII." in found.notes


@settings(max_examples=examples(300))
@given(seed=st.integers(0, 2**32))
def test_damaged_files_give_one_message_with_a_line_or_are_read(seed):
    rng = random.Random(seed)
    content = bytearray(jedec(random_fuses("16V8", rng), pins=20, more="QV2*V1 " + "X" * 20 + "*"))
    for _ in range(rng.randint(1, 4)):
        at = rng.randrange(len(content))
        what = rng.randrange(4)
        if what == 0:
            content[at] = rng.randrange(256)
        elif what == 1:
            del content[at : at + rng.choice((1, 1, 30, 500))]
        elif what == 2:
            content[at:at] = rng.choice((b"*", b"L0 1*", b"QF9*", b"\x03", b"\x02", b"C0*", b"K1 F*", b"V1 0*", b"\r"))
        else:
            content[at:at] = content[at : at + rng.randrange(200)]
    told: SimkitError | None = None
    try:
        programmed("GAL16V8", read_fuse_map(bytes(content), "d.jed"))
    except SimkitError as error:
        told = error
    if told is not None:
        assert told.file == "d.jed"
        assert 1 <= (told.line or 0) <= content.count(b"\n") + content.count(b"\r") + 1


def test_the_wrong_file_for_a_part_is_told_with_its_line(tmp_path):
    path = tmp_path / "decoder.jed"
    path.write_bytes(jedec(random_fuses("20V8", random.Random(1)), pins=24))
    for part, says in (("GAL16V8", "has 2706 fuses; a 16V8 has 2194"), ("ATF22V10C", "5828 or 5892 or 5893")):
        with pytest.raises(SimkitError, match=says) as caught:
            programmed(part, load_fuse_map(path))
        assert (caught.value.file, caught.value.line) == (str(path), 4)
    with pytest.raises(SimkitError, match="for a part with 28 pins; a 20V8 has 24") as caught:
        programmed("GAL20V8", read_fuse_map(jedec(bytes(2706), pins=28), "d.jed"))
    assert caught.value.line == 3
    with pytest.raises(SimkitError, match="no programmable device"):
        programmed("74HC138", load_fuse_map(path))


def test_no_mode_of_the_device_is_told_with_the_line_of_its_fuses():
    with pytest.raises(SimkitError, match="SYN and AC0") as caught:
        programmed("16V8", fields("QF2194*F0*", "L2190 1*", "L2191 10*", "L2192 0*L2193 0*"))
    assert caught.value.line == 4


@pytest.mark.parametrize(
    ("part", "name"),
    [
        *((part, "16V8") for part in ("16V8", "GAL16V8", "gal16v8d-15lp", "ATF16V8B", "ATF16V8CZ-15", "PALCE16V8H-25")),
        *((part, "20V8") for part in ("GAL20V8B", "ATF20V8BQL", "PALCE20V8")),
        *((part, "22V10") for part in ("GAL22V10D-10LP", "ATF22V10C", "PAL22V10A", "TIBPAL22V10", "PALCE22V10")),
        *((part, None) for part in ("74HC138", "16L8", "GAL16V8Z8Z8", "18V10", "", "GAL26CV12", "X16V8")),
    ],
)
def test_parts_are_known_by_their_names(part, name):
    device = device_of(part)
    assert (device and device.name) == name
