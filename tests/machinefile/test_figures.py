"""The table of parts: the figures that the sheets publish, and files that people write.

Sources are those that the table itself names; the numbers here were typed a second time, from the same sheets.
"""

import pytest

from simkit.contract.errors import SeveralErrors, SimkitError
from simkit.machinefile.figures import BASES, COLUMNS, FIGURES, FROM_MEMORY, known_parts, read_parts

NO = None
PUBLISHED = {
    # Western Design Center, W65C02S data sheet, Table 6-3: tCYC tPWH tPWL tADS tAH tACC tDSR tDHR tMDS tDHW
    (
        "W65C02S",
        "14 MHz at 5 V",
    ): "cycle 70 high 35 low 35 address_valid 30 address_hold 10 read_access 30 "
    "read_setup 10 read_hold 10 write_valid 25 write_hold 10 input_setup 10 bus_enable 25",
    (
        "W65C02S",
        "8 MHz at 3.3 V",
    ): "high 62 low 63 address_valid 40 read_access 70 read_setup 15 write_valid 40",
    (
        "W65C02S",
        "8 MHz at 3.0 V",
    ): "high 62 low 63 address_valid 40 read_access 70 read_setup 15 write_valid 40",
    ("W65C02S", "4 MHz at 2.5 V"): "cycle 250 high 125 low 125 address_valid 75 read_access 145 read_setup 30",
    ("W65C02S", "2 MHz at 1.8 V"): "cycle 500 high 250 low 250 address_valid 150 read_access 290 read_setup 60",
    # MOS Technology, MCS6500 data sheet, May 1976, from memory; Rockwell, R6500 data sheet, from memory
    ("MCS6502", "1 MHz"): "cycle 1000 address_valid 300 read_access 575 read_setup 100 write_valid 200 write_hold 30",
    ("MCS6502", "2 MHz"): "cycle 500 address_valid 150 read_access 300 read_setup 50 write_valid 100 write_hold 30",
    ("R6502", "1 MHz"): "cycle 1000 address_valid 225 read_access 650 read_setup 100",
    ("R6502", "2 MHz"): "cycle 500 address_valid 140 read_access 310 read_setup 50",
    # Rockwell, R65C00 data sheet, from memory, but for high and low at 1 MHz (M. Pennings, repository 6502, chapter 4)
    ("R65C02", "1 MHz"): "cycle 1000 high 450 low 430 address_valid 125 read_access 775 read_setup 100 write_valid 200",
    ("R65C02", "2 MHz"): "cycle 500 high 220 low 210 address_valid 100 read_access 340 read_setup 60 write_valid 110",
    ("R65C02", "3 MHz"): "cycle 333 high 160 low 150 address_valid 75 read_access 215 read_setup 40 write_valid 85",
    ("R65C02", "4 MHz"): "cycle 250 high 110 low 100 address_valid 60 read_access 160 read_setup 30 write_valid 55",
    # 62256 of Hyundai, Hitachi and Sony, from memory
    ("62256", "70 ns"): "address 70 enable 70 output 35 off 30 write_pulse 50 write_setup 30 write_hold 0",
    ("62256", "55 ns"): "address 55 enable 55 output 30 off 20 write_pulse 45 write_setup 25 write_hold 0",
    # Alliance Memory, AS6C4008 data sheet, August 2009 (address); the rest from memory
    ("AS6C4008", "55 ns"): "address 55 enable 55 output 30 off 20 write_pulse 45 write_setup 25 write_hold 0",
    ("AS6C1008", "55 ns"): "address 55 enable 55 output 30 off 20 write_pulse 45 write_setup 25 write_hold 0",
    # Microchip, AT28C256, AT28C64B, AT28HC64B, AT28C010, AT27C512R data sheets, AC Read Characteristics
    ("AT28C256", "150 ns"): "address 150 enable 150 output 70 off 50 write_pulse 100 write_setup 50",
    ("AT28C64B", "150 ns"): "address 150 enable 150 output 70 off 50 write_pulse 100 write_setup 50",
    ("AT28HC64B", "70 ns"): "address 70 enable 70 output 35 off 35",
    ("AT28C010", "120 ns"): "address 120 enable 120 output 50 off 50 write_setup 50",
    ("AT28C010", "150 ns"): "address 150 enable 150 output 55 off 55 write_setup 50",
    ("AT27C256R", "45 ns"): "address 45 enable 45 output 20 off 20",
    ("AT27C256R", "70 ns"): "address 70 enable 70 output 30 off 25",
    ("27C256", "150 ns"): "address 150 enable 150 output 75 off 50",  # from memory
    ("SST39SF010A", "70 ns"): "address 70 enable 70 output 35 off 25 write_pulse 40 write_setup 30",  # from memory
    ("SST39SF010A", "55 ns"): "address 55 enable 55 output 35 off 20",  # from memory
    # Western Design Center, W65C22 data sheet, Table 4-3b; W65C51N data sheet, Table 4
    ("W65C22S", "14 MHz"): "cycle 70 select_setup 10 read_valid 20 read_hold 10 write_setup 10 write_hold 10",
    ("W65C51N", "4 MHz"): "cycle 250 select_setup 30 read_valid 50 read_hold 10 write_setup 35 write_hold 5",
    ("W65C51N", "2 MHz"): "cycle 500 select_setup 60 read_valid 150 read_hold 10 write_setup 60 write_hold 10",
    # from memory
    ("6522", "1 MHz"): "cycle 1000 select_setup 180 read_valid 340 read_hold 10 write_setup 300 write_hold 10",
    ("6522", "2 MHz"): "cycle 500 select_setup 90 read_valid 200 read_hold 10 write_setup 150 write_hold 10",
    ("R6551", "1 MHz"): "cycle 1000 select_setup 120 read_valid 200 read_hold 20 write_setup 150 write_hold 20",
    ("R6551", "2 MHz"): "cycle 500 select_setup 60 read_valid 150 read_hold 20 write_setup 60 write_hold 10",
    # 6526 complex interface adapter, timing table
    ("6526", "1 MHz"): "select_setup 58 read_valid 320 write_setup 200 write_hold 25",
    ("6526", "2 MHz"): "select_setup 20 read_valid 150 write_setup 75 write_hold 15",
}
"""Limits over the whole range."""

LOGIC = {
    # Texas Instruments SCHS196E and SCLS010F; Philips 74HC/HCT688
    ("CD74HC688", "compare"): (14, 34, 42),
    ("CD74HC688", "enable"): (9, 24, 30),
    ("SN74HC688", "compare"): (30, 42, 53),
    ("74HC688", "compare"): (17, NO, NO),
    ("74HCT688", "compare"): (17, 34, 43),
    ("74LS688", "compare"): (17, 23, NO),
    ("74F521", "compare"): (NO, NO, 11),
    # Texas Instruments SCHS147J and SCLS171F, Fairchild MM74HCT138; SN74HC138 from memory
    ("CD74HC138", "select"): (13, 30, 38),
    ("CD74HC138", "enable"): (11, 30, 38),
    ("SN74HC138", "select"): (18, 36, 45),
    ("SN74HC138", "enable"): (18, 31, 39),
    ("SN74HCT138", "select"): (23, 36, 45),
    ("SN74HCT138", "enable"): (22, 33, 42),
    ("MM74HCT138", "select"): (24, 40, 50),
    ("MM74HCT138", "enable"): (23, 35, 43),
    ("SN74LS138", "select"): (21, 41, NO),
    ("SN74LS138", "enable"): (14, 38, NO),
    ("DM74LS138", "select"): (27, 40, NO),
    ("74AHC138", "select"): (NO, NO, 11.5),
    ("74AC138", "enable"): (NO, NO, 11),
    ("74HC139", "select"): (14, 35, 44),  # from memory, as what follows but for TI's and the 595's
    ("74LS139", "enable"): (21, 32, NO),
    # Texas Instruments CD54/74HC245, July 2022
    ("CD74HC245", "data"): (8, 22, 28),
    ("CD74HC245", "enable"): (12, 30, 38),
    ("SN74HC245", "data"): (15, 21, 26),
    ("SN74HC245", "disable"): (20, 40, 50),
    ("SN74HCT245", "data"): (14, 22, 28),
    ("CD74HCT245", "enable"): (12, 32, 40),
    ("74LS245", "data"): (8, 12, NO),
    ("74LS245", "enable"): (27, 40, NO),
    ("74AC245", "data"): (NO, NO, 7),
    ("74AHC245", "data"): (NO, NO, 10),
    ("74HC541", "enable"): (12, 30, 38),
    ("74AC541", "enable"): (NO, NO, 9),
    # Texas Instruments SCLS128G, SCLS174H, SCHS167G
    ("SN74HC240", "data"): (15, 30, 38),
    ("CD74HC240", "enable"): (12, 30, 38),
    ("SN74HCT240", "enable"): (21, 35, 44),
    ("CD74HC244", "data"): (8, 20, 25),
    ("CD74HCT244", "enable"): (NO, 30, 38),
    # Texas Instruments SCLS148F
    ("SN74HCT574", "clock"): (28, 36, 45),
    ("74HC574", "setup"): (NO, NO, 25),
    ("74HC573", "pulse"): (NO, NO, 20),
    ("74AC573", "setup"): (NO, NO, 3),
    # Nexperia, 74HC595, Table 7; Philips, the same, June 2003; the clock's limits from memory
    ("74HC595", "shift"): (19, 32, 40),
    ("74HC595", "store"): (20, 35, 44),
    ("74HC595", "clock_mhz"): (100, 31, 25),
    ("74HCT595", "clock_mhz"): (57, 30, 24),
    ("SN74HC595", "setup"): (NO, 20, 25),
    ("74LS161", "carry"): (20, 35, NO),
    ("SN74HC161", "clock"): (23, 41, 51),
    ("CD74HC161", "enable_to_carry"): (10, 24, 30),
    ("74AC161", "clock_mhz"): (NO, NO, 90),
    ("74HC00", "input"): (9, 18, 23),
    ("74LS00", "input"): (10, 15, NO),
    ("74AC00", "input"): (NO, NO, 8.5),
    ("74HC04", "input"): (9, 19, 24),
    ("SN74HCT08", "input"): (15, 24, 30),  # Texas Instruments SCLS063G
    ("74HC32", "input"): (10, 20, 25),
}
"""Typical, limit at 25 C, limit over the whole range."""


@pytest.mark.parametrize("part", PUBLISHED, ids=", ".join)
def test_the_limits_of_parts_with_grades_are_those_of_the_sheets(part):
    (found,) = [one for one in known_parts().parts if (one.name, one.grade) == part]
    words = PUBLISHED[part].split()
    for name, number in zip(words[::2], words[1::2], strict=True):
        assert found.figure(name, "worst").number == float(number), name


def test_every_part_with_a_grade_is_held_to_its_sheet():
    assert {(part.name, part.grade) for part in known_parts().parts if part.grade} == set(PUBLISHED)


@pytest.mark.parametrize("line", LOGIC, ids=" ".join)
def test_delays_of_logic_are_those_of_the_sheets(line):
    (found,) = [one for one in known_parts().parts if one.name == line[0]]
    values = found.figures[line[1]].values
    numbers = tuple(values[column].number if column in values else None for column in COLUMNS)
    assert numbers == tuple(None if number is None else float(number) for number in LOGIC[line])


@pytest.mark.parametrize("grade", ["14 MHz at 5 V", "8 MHz at 3.3 V", "4 MHz at 2.5 V", "2 MHz at 1.8 V"])
def test_the_cpus_sheet_agrees_with_itself(grade):
    """Western Design Center, W65C02S data sheet, Table 6-3: tACC is tCYC less tADS and tDSR. Arithmetic."""
    (cpu,) = known_parts().called("W65C02S", grade)
    cycle, valid, setup, access = (
        cpu.figure(name, "worst").number for name in ("cycle", "address_valid", "read_setup", "read_access")
    )
    assert cycle - valid - setup == access


def test_every_figure_says_what_it_rests_on():
    values = [
        (part.title, name, value)
        for part in known_parts().parts
        for name, figure in part.figures.items()
        for value in figure.values.values()
    ]
    assert len(values) > 500
    assert {value.source.basis for *_, value in values} == set(BASES)
    for title, name, value in values:
        assert name in {key for known in FIGURES.values() for key in known}
        named_source = value.source.title != "no source was found"
        assert named_source or value.source.basis == FROM_MEMORY, (title, name)


def test_a_limit_is_no_typical_figure():
    (part,) = [one for one in known_parts().parts if one.name == "74HC688"]
    assert part.figure("compare", "typical").number == 17
    assert part.figure("compare", "room") is None
    assert part.figure("compare", "worst") is None


def test_where_a_sheet_lacks_a_column_the_next_worse_counts():
    (ls,) = known_parts().called("74LS00")
    (ac,) = known_parts().called("74AC00")
    assert [ls.figure("input", column).column for column in COLUMNS] == ["typical", "room", "room"]
    assert [ac.figure("input", column).column for column in COLUMNS] == ["worst"] * 3


# names ----------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "grade", "found"),
    [
        ("74HC138", "", {"CD74HC138", "SN74HC138"}),
        ("74hc688", "", {"CD74HC688", "SN74HC688", "74HC688"}),
        ("AT28C256-15", "", {"AT28C256, 150 ns"}),
        ("W65C02S", "14MHz", {"W65C02S, 14 MHz at 5 V"}),
        ("W65C02S", "8 MHz", {"W65C02S, 8 MHz at 3.3 V", "W65C02S, 8 MHz at 3.0 V"}),
        ("6522A", "", {"6522, 2 MHz"}),
        ("62256", "", {"62256, 70 ns", "62256, 55 ns"}),
        ("74HC9999", "", set()),
    ],
)
def test_a_name_leads_to_the_parts_that_go_by_it(name, grade, found):
    assert {part.title for part in known_parts().called(name, grade)} == found


# files of one's own ---------------------------------------------------------------------------------------------------

OWN = """\
[source]
S = { basis = "read", title = "Somebody, data sheet of a fast memory, 2020, Table 3" }
[[part]]
name = "62256"
grade = "70 ns"
kind = "memory"
fits = ["sram"]
source = "S"
[part.figures]
address = { worst = 10 }
enable = { worst = [8, 10] }
"""


@pytest.fixture
def read(tmp_path):
    def parts(text):
        path = tmp_path / "own.toml"
        path.write_text(text)
        return read_parts(path)

    return parts


def test_a_part_of_ones_own_takes_the_place_of_the_kits(read):
    table = known_parts().over(read(OWN))
    assert len(table.parts) == len(known_parts().parts)
    (part,) = table.called("62256", "70 ns")
    assert part.figure("enable", "worst").number == 10
    assert part.figure("enable", "worst").source.title.startswith("Somebody")


WRONG = {
    "kind": (OWN.replace('"memory"', '"ram"'), 6, "'ram' is no kind of part"),
    "figure": (OWN.replace("address =", "adress ="), 10, "no figure 'adress'"),
    "number": (OWN.replace("worst = 10", "worst = -1"), 10, "-1 is no time"),
    "not a number": (OWN.replace("worst = 10", "worst = nan"), 10, "nan is no time"),
    "list": (OWN.replace("[8, 10]", "[]"), 11, "[] is no time"),
    "column": (OWN.replace("{ worst = 10 }", "{ max = 10 }"), 10, "unknown key 'max'"),
    "no column": (OWN.replace("{ worst = 10 }", '{ note = "none" }'), 10, "no number is said"),
    "key of a line": (OWN.replace("{ worst = 10 }", "{ worst = 10, max = 12 }"), 10, "unknown key 'max'"),
    "source": (OWN.replace('source = "S"', 'source = "T"'), 10, "its source 'T' is not in the file"),
    "no source": (OWN.replace('source = "S"\n', ""), 9, "no source is said"),
    "basis": (OWN.replace('"read"', '"believed"'), 2, "'believed' is no basis"),
    "no title": (OWN.replace("Somebody, data sheet of a fast memory, 2020, Table 3", " "), 2, "it has no title"),
    "no name": (OWN.replace('name = "62256"', 'name = ""'), 4, "it has no name"),
    "key": (OWN.replace("fits =", "fit ="), 7, "unknown key 'fit'"),
    "no figures": (OWN[: OWN.index("[part.figures]")], 3, "it has no figures"),
    "twice": (OWN + OWN[OWN.index("[[part]]") :], 13, "62256, 70 ns: the part is in the file twice"),
    "shrinking": (OWN.replace("{ worst = 10 }", "{ typical = 12, worst = 10 }"), 10, "do not grow"),
    "no TOML": (OWN.replace('name = "62256"', "name = 62256ns"), 4, "Not TOML"),
    "size": (OWN.replace("source =", "size = 0\nsource ="), 8, "0 is no number of bytes"),
}


@pytest.mark.parametrize("wrong", WRONG)
def test_a_mistake_in_a_table_of_parts_is_told_with_its_line(read, wrong):
    text, line, words = WRONG[wrong]
    with pytest.raises(SimkitError) as caught:
        read(text)
    errors = caught.value.errors if isinstance(caught.value, SeveralErrors) else [caught.value]
    assert line in [error.line for error in errors if words in error.message], [str(error) for error in errors]
    assert all(error.file is not None and error.file.endswith("own.toml") for error in errors)


def test_all_mistakes_of_a_table_are_told_at_once(read):
    with pytest.raises(SeveralErrors) as caught:
        read(OWN.replace('"memory"', '"ram"') + OWN[OWN.index("[[part]]") :].replace("worst = 10", "worst = -1"))
    assert len(caught.value.errors) == 2


def test_another_file_is_not_taken_for_a_table_of_parts(read):
    with pytest.raises(SimkitError, match="no table of parts") as caught:
        read('secret = "word"\n')
    assert "word" not in str(caught.value)
