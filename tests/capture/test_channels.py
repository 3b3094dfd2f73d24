"""The channel file: which channel is which line; each mistake is told with its place, several at once."""

from fractions import Fraction

import pytest

from simkit.capture.channels import Assignment, Reading, chosen, expanded, read_channels
from simkit.contract.errors import SeveralErrors, SimkitError


def channels(tmp_path, text, **more):
    path = tmp_path / "channels.toml"
    path.write_text(text)
    return read_channels(path, **more)


def test_all_that_a_channel_file_says(tmp_path):
    reading = channels(
        tmp_path,
        """
        [channels]
        "Channel 0" = "PHI2"
        "CH1..CH3" = "D0..D2"
        bus = "A0..A1"
        "9" = "not IRQ"
        X = "4.select"
        "p[5]..p[4]" = "not A5..A4"
        [capture]
        rate = "24 MHz"
        time = "us"
        synchronous = false
        glitch = "20 ns"
        set_up = "0.5us"
        stretched = true
        dense = true
        """,
    )
    assert reading.assigned == (
        Assignment("Channel 0", "PHI2"),
        *(Assignment(f"CH{n + 1}", f"D{n}") for n in range(3)),
        *(Assignment(f"bus[{n}]", f"A{n}") for n in range(2)),
        Assignment("9", "IRQ", inverted=True),
        Assignment("X", "4.select"),
        *(Assignment(f"p[{n}]", f"A{n}", inverted=True) for n in (5, 4)),
    )
    assert (reading.rate, reading.unit) == (24_000_000, Fraction(1, 10**6))
    assert (reading.glitch, reading.set_up) == (Fraction(2, 10**8), Fraction(5, 10**7))
    assert (reading.stretched, reading.dense, reading.synchronous) == (True, True, False)


@pytest.mark.parametrize(("edge", "inverted"), [("falling", False), ("rising", True)])
def test_the_clock_may_be_an_edge_of_any_channel(tmp_path, edge, inverted):
    reading = channels(tmp_path, f'[channels]\nb = "D0"\n[capture]\nclock = "my channel {edge}"\n')
    assert reading.assigned[-1] == Assignment("my channel", "PHI2", inverted)


@pytest.mark.parametrize(
    ("text", "message", "remedy"),
    [
        ('[channels]\na = "PHI3"\n', r":2: There is no line 'PHI3'", "'PHI2'"),
        ('[channels]\na = "D0"\nb = "D0"\n', r":3: D0 is given to a as well", "leave one out"),
        ('[channels]\n"a0..a3" = "D0..D4"\n', r":2: 'a0..a3' are 4 channels, 'D0..D4' are 5 lines", "as many"),
        ("[channels]\na = 3\n", r":2: 3 is no line", '"not IRQ"'),
        ('[capture]\nrate = "fast"\n', r":2: rate: 'fast' is not a clock", "2 MHz"),
        ("[capture]\nrate = 5\n", r":2: rate is text in quotes, not 5", "text in quotes"),
        ('[capture]\ndense = "yes"\n', r":2: dense is true or false, not 'yes'", "true or false"),
        ('[capture]\nglich = "20 ns"\n', r":2: 'glich' is unknown here", "'glitch'"),
        ('[capture]\nglitch = "20"\n', r":2: glitch: '20' is no time", "20 ns"),
        ('[capture]\ntime = "min"\n', r":2: time: 'min' is no unit", "us"),
        ('[capture]\nclock = "CH3"\n', r":2: clock: 'CH3' is no edge", "CH3 falling"),
        ('[channels]\na = "PHI2"\n[capture]\nclock = "b rising"\n', r":4: The clock is given twice", "PHI2"),
        ("channels = 3\n", r":1: 'channels' is not a table", "channels"),
        ('[channels]\na = "D0"\n[chanels]\n', r":3: 'chanels' is unknown in a channel file", "'channels'"),
    ],
)
def test_each_mistake_has_its_place_and_its_remedy(tmp_path, text, message, remedy):
    with pytest.raises(SimkitError, match=message) as found:
        channels(tmp_path, text, lines=("ALARM",))
    assert remedy in found.value.remedy


def test_several_mistakes_are_told_at_once(tmp_path):
    with pytest.raises(SeveralErrors) as found:
        channels(tmp_path, '[channels]\na = "D9"\nb = 3\n[capture]\nrate = "x"\nfoo = 1\n', lines=("ALARM",))
    assert len(found.value.errors) == 4
    assert {error.line for error in found.value.errors} == {2, 3, 5, 6}


def test_lines_of_the_machine_are_lines_and_without_a_machine_any_name_is(tmp_path):
    assert channels(tmp_path, '[channels]\na = "ALARM"\n', lines=("ALARM",)).assigned[0].line == "ALARM"
    assert channels(tmp_path, '[channels]\na = "ALARM"\n').assigned[0].line == "ALARM"


def test_a_file_of_another_kind_is_told_and_not_cited(tmp_path):
    with pytest.raises(SimkitError, match="This is no channel file") as found:
        channels(tmp_path, 'secret = "word"\n')
    assert "word" not in str(found.value)
    with pytest.raises(SimkitError, match="There is no channel file"):
        read_channels(tmp_path / "none.toml")


@pytest.mark.parametrize(
    ("name", "line"),
    [
        ("A15", "A15"), ("a[3]", "A3"), ("ADDR_7", "A7"), ("data[0]", "D0"), ("R/W", "RW"), ("RWB", "RW"),
        ("/IRQ", "IRQ"), ("IRQB", "IRQ"),
        ("~NMI", "NMI"), ("RESB", "RESET"), ("phi2", "PHI2"), ("Sync", "SYNC"), ("4.INT", "4.INT"),
        ("backplane.slot_12_rom.select", "12.select"), ("slot_3.INT", "3.INT"),
    ],
)  # fmt: skip
def test_channels_that_bear_the_name_of_a_line_are_that_line(name, line):
    """Pin names: Western Design Center, W65C02S data sheet, section 3."""
    assert chosen(["x", name], Reading(), "a") == [(1, Assignment(name, line))]


def test_a_channel_that_is_not_there_is_told_with_the_near_ones():
    reading = Reading(assigned=(Assignment("Chanel 1", "D0"), Assignment("Channel 0", "D1"), Assignment("Q", "D2")))
    with pytest.raises(SeveralErrors) as found:
        chosen(["Channel 0", "Channel 1"], reading, "a")
    assert "no channel 'Chanel 1' (for D0)" in str(found.value)
    assert "'Channel 1'" in found.value.errors[0].remedy


def test_a_channel_that_is_not_there_is_told_with_its_line_in_the_channel_file(tmp_path):
    reading = channels(tmp_path, '[channels]\na = "D0"\nb = "D1"\n[capture]\nclock = "c falling"\n')
    with pytest.raises(SeveralErrors) as found:
        chosen(["a"], reading, "x.vcd")
    assert [error.line for error in found.value.errors] == [3, 5]


def test_scopes_blanks_and_case_do_not_matter_where_only_one_channel_can_be_meant():
    reading = Reading(assigned=(Assignment("channel0", "D0"), Assignment("int", "D1")))
    assert [at for at, _ in chosen(["Channel 0", "top.card4.INT"], reading, "a")] == [0, 1]
    with pytest.raises(SimkitError, match="no channel 'int'"):
        chosen(["a.int", "b.int"], Reading(assigned=(Assignment("int", "D1"),)), "a")


def test_no_name_of_a_line_among_the_channels_is_told():
    with pytest.raises(SimkitError, match="No channel bears the name of a line; they are x, y"):
        chosen(["x", "y"], Reading(), "a")


def test_ranges_go_up_and_down_and_other_names_stay():
    assert expanded("D0..D2") == ["D0", "D1", "D2"]
    assert expanded("d[2]..d[0]") == ["d[2]", "d[1]", "d[0]"]
    assert expanded("a0..b3") == ["a0..b3"]
    assert expanded("0..2") == ["0", "1", "2"]
