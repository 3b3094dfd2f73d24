"""Numbers in sources beside the machine: whose names mean which register or bit, in which line one is wrong."""

import pytest

from simkit import Machine, SimkitError
from simkit.address_map.compared import compare
from simkit.address_map.includes import read_include
from simkit.address_map.meant import words_of
from simkit.commands.map import comparison_lines


@pytest.fixture(scope="module")
def marlpit():
    return Machine.load("demo:marlpit")


@pytest.fixture
def compared(marlpit, tmp_path):
    def run(*lines, slots=(), machine=None):
        path = tmp_path / "some.inc"
        path.write_text("\n".join(lines) + "\n")
        found = compare(machine or marlpit, read_include(path), slots)
        return {row.defined.name: row.expected if not row.agrees else True for row in found.rows}, found

    return run


@pytest.mark.parametrize(
    "line",
    [
        "VIDEO_DATA = $7F30",
        "VIDEO_DATA := $7f30",
        "video_data: equ 7F30h",
        "VideoData .equ 0x7F30",
        ".alias VIDEO_DATA $7F30 ; the port",
        ".define VIDEO_DATA 32560",
        ".set VIDEO_DATA, $7F30",
        "#define VIDEO_DATA 0x7F30u /* the port */",
        "VIDEO_DATA_REG = $7F00 + $30",
        "TILE_VIDEO_DATA = ($7F << 8) + $30",
        "VDATA_VIDEO_DATA_PORT = $7F30",
    ],
)
def test_an_address_is_read_in_every_form(compared, line):
    rows, found = compared("IO = $7F00", line)
    if "VDATA" in line:
        assert not rows  # a word that nobody knows stands before it
        assert found.others == ("IO", "VDATA_VIDEO_DATA_PORT")
    else:
        assert list(rows.values()) == [True]
        wrong = compared("IO = $7F00", line.replace("30", "31").replace("32560", "32561"))[0]
        assert list(wrong.values()) == ["$7F30"]


@pytest.mark.parametrize(
    ("lines", "wrong"),
    [
        (["PAD_A = %10000000", "PAD_RIGHT = %00000001"], {}),
        (["PAD_A = $80", "PAD_B = 64", "padLeft = 2"], {}),
        (["PAD_A = 7", "PAD_B = 6", "PAD_RIGHT = 0"], {}),  # numbers of bits
        (["PAD_A_BIT = 7", "PAD_RIGHT_BIT = 0"], {}),
        (["PAD_A_BIT = %10000000"], {}),  # a bit may be said by its mask
        (["PAD_A = %01111111"], {}),  # a mask that clears it
        (["PAD_A = %00000001", "PAD_RIGHT = %10000000"], {"PAD_A": "%10000000", "PAD_RIGHT": "%00000001"}),
        (["PAD_A = 0", "PAD_B = 1", "PAD_RIGHT = 7"], {"PAD_A": "7", "PAD_B": "6", "PAD_RIGHT": "0"}),
        (["PAD_A_BIT = 0"], {"PAD_A_BIT": "7"}),
        (["PAD_LEFT = %11111110"], {"PAD_LEFT": "%11111101"}),
        (["KEYBOARD_READY = $80"], {"KEYBOARD_READY": "$01"}),
        (["KEYBOARD_STATUS_READY_MASK = $02"], {"KEYBOARD_STATUS_READY_MASK": "$01"}),
    ],
)
def test_masks_and_numbers_of_bits(compared, lines, wrong):
    rows, _ = compared(*lines)
    assert {name: told for name, told in rows.items() if told is not True} == wrong
    assert len(rows) == len(lines)


@pytest.mark.parametrize(
    "line",
    [
        "PAD_A = $0210",
        "KEY_UP = $75",
        "RIGHT = 1",
        "SCORE = 7",
        "LEFT_PAD = 3",
        "pads_a_held = $80",
        "VIDEO_REGISTER = %10000000",
    ],
)
def test_a_name_that_means_something_else_is_not_compared(compared, line):
    """A variable, a scan code, a bare word, a routine: nothing of them is a register or a bit of a card."""
    rows, found = compared(line, "VIDEO_DATA = $7F30")
    assert rows == {"VIDEO_DATA": True}
    assert found.others == (line.partition(" ")[0],)


def test_in_a_file_of_one_card_its_bits_need_no_word_of_it(compared):
    assert compared("RIGHT = 1", "A = 128", slots=(4,))[0] == {"RIGHT": True, "A": True}
    assert compared("RIGHT = 128", slots=(4,))[0] == {"RIGHT": "1"}
    assert not compared("RIGHT = 128", slots=(3,))[0]


def test_an_address_among_registers_at_which_nobody_answers_is_told_whatever_its_name(compared):
    rows, found = compared("MY_OWN_NAME = $7F40", "OTHER = $7F20", "CELL = $0200", "TEN = 10", "VIDEO_DATA = $7F30")
    assert rows == {
        "MY_OWN_NAME": "no card answers there",
        "OTHER": "slot 4 (serial-pads) is selected there and has no register at offset 0",
        "VIDEO_DATA": True,
    }
    assert [found.place(row) for row in found.differing] == [f"{found.path}:1", f"{found.path}:2"]


def test_any_address_at_which_a_register_answers_is_right(compared):
    bench = Machine.load("demo:bench")
    assert compared("PORTS_ORB = $6FF0", machine=bench)[0] == {"PORTS_ORB": True}
    assert compared("PORTS_ORB = $6FF1", machine=bench)[0] == {"PORTS_ORB": "$6000"}


def test_a_list_of_labels_is_compared_too(compared):
    rows, _ = compared("al 007F30 .VIDEO_DATA", "al 007F33 .PADS_PORT_1")
    assert rows == {"VIDEO_DATA": True, "PADS_PORT_1": "$7F22"}


def test_the_last_definition_of_a_name_counts_and_what_cannot_be_worked_out_is_told(compared):
    rows, found = compared(
        "VIDEO_DATA = $7F31", "VIDEO_DATA = $7F30", "PAD_A = 1 << 7 | 1", "PAD_B = other(2)", "PAD_B2 = (1"
    )
    assert rows == {"VIDEO_DATA": True}
    assert found.unknown == (("PAD_A", 3), ("PAD_B", 4), ("PAD_B2", 5))


@pytest.mark.parametrize(
    ("value", "number"),
    [
        ("$10+1", 17), ("%101", 5), ("0b1_01", 5), ("'A'", 65), ("(2+3)*4", 20), ("~0 & $FF", 255),
        ("1<<4", 16), ("$80|$01", 0x81), ("10-12", (10 - 12) & 0xFFFFFFFF), ("FIRST + 2", 9), ("0FFh", 255),
        ("((((((((((((((((((1))))))))))))))))))", None), ("1 +", None), ("$", None), ("1 2", None),
    ],
)  # fmt: skip
def test_values(tmp_path, value, number):
    path = tmp_path / "v.inc"
    path.write_text(f"FIRST = 7\nV = {value}\n")
    found = {one.name: one.value for one in read_include(path).defined}
    assert found.get("V") == number


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("VIDEO_DATA", ("video", "data")),
        ("padPort1", ("pad", "port", "1")),
        ("PADS_PORT_1", ("pad", "port", "1")),
        ("KBDStatus", ("kbd", "statu")),
        ("class", ("class",)),
        ("__x2", ("x", "2")),
    ],
)
def test_words_of_names(name, words):
    assert words_of(name) == words


def test_what_simkit_made_from_another_wiring_is_stale_and_its_names_are_exact(simkit, tmp_path):
    path = tmp_path / "m.inc"
    assert simkit("map", "demo:marlpit", "--constants", path)[0] == 0
    code, out, _ = simkit("map", "demo:marlpit", "--compare", path, "--set", "4.bit_order=first-bit-low")
    assert code == 1
    assert "PAD_A = %10000000, but it is %00000001 in the machine: a of slot 4." in out
    assert "It was made from another wiring" in out
    code, out, _ = simkit("map", "demo:monitor", "--compare", path)
    assert code == 1
    assert "KEYBOARD_READY = %00000001, but the machine has nothing of that name any more." in out


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"", "defines no names"),
        (b"hello\n", "defines no names"),
        (b"{}", "not what `simkit map"),
        (b'{"wiring": 1, "groups": [{"constants": [{"name": []}]}]}', "not what `simkit map"),
        (b"\xff\xfe\x00", "some.inc"),
        (b"[" * 9_000, "defines no names"),
        (b"{" * 9_000, "not what `simkit map"),
        (b"\n".join(b"N%d = 1" % n for n in range(70_000)), "more than 65536 names"),
    ],
    ids=["empty", "words", "another JSON", "false JSON", "no text", "brackets", "deep", "many"],
)
def test_a_file_that_cannot_be_one_is_refused_by_name(tmp_path, content, told):
    path = tmp_path / "some.inc"
    path.write_bytes(content)
    with pytest.raises(SimkitError, match=r".*") as caught:
        read_include(path)
    assert told in str(caught.value)


def test_a_file_that_is_not_there(simkit):
    code, _, error = simkit("map", "demo:marlpit", "--compare", "nowhere.inc")
    assert code == 2
    assert "There is no file nowhere.inc." in error


def test_a_file_of_which_nothing_means_the_machine_is_no_agreement(simkit, tmp_path):
    (tmp_path / "a.inc").write_text("SCORE = 1\n")
    code, out, _ = simkit("map", "demo:marlpit", "--compare", tmp_path / "a.inc")
    assert code == 1
    assert "nothing was compared" in out


def test_what_is_not_compared_is_told_by_number_and_name(compared):
    """All of them: a name that is not known may be a wrong one."""
    names = [f"OWN_{n}" for n in range(12)]
    _, found = compared(*(f"{name} = {n}" for n, name in enumerate(names)), "PAD_BASE = $7F20")
    lines = comparison_lines(found, "Marlpit")
    assert f"Not compared, as no register or bit is called so: 12 of 13 names: {', '.join(names)}." in lines
