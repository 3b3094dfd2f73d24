"""The parts that a machine file names: keys `part` and `grade`, the table [cpu], and what lies between."""

import pytest

from simkit.contract.errors import SeveralErrors, SimkitError
from simkit.machinefile.named import named_files
from simkit.machinefile.read import read_description

TOP = 'name = "Shed"\nclock = "1 MHz"\n'
RAM = '[[card]]\nslot = 1\nkind = "sram"\nselect = "not A15"\n'
ROM = '[[card]]\nslot = 2\nkind = "rom"\nselect = "A15"\nimage = "rom.bin"\n'
SERIAL = '[[card]]\nslot = 3\nkind = "serial-6551"\nselect = "0111 1111 0000 00xx"\n'
LATCH = '[[card]]\nslot = 4\nkind = "bank-latch"\nselect = "0111 1111 0000 01xx"\n'


@pytest.fixture
def read(tmp_path):
    def description(text, **files):
        for name, content in files.items():
            (tmp_path / f"{name}.toml").write_text(content)
        (tmp_path / "machine.toml").write_text(text)
        return read_description(tmp_path)

    return description


def titles(named):
    return [part.title for part in named.parts]


def test_the_cpu_is_named_in_a_table_or_by_its_kind_alone(read):
    found = read(TOP + '[cpu]\nkind = "65C02"\npart = "W65C02S"\ngrade = "14 MHz"\nphi2_high = "40 %"\n' + RAM)
    assert (found.cpu, titles(found.cpu_timing.part)) == ("65C02", ["W65C02S, 14 MHz at 5 V"])
    assert found.cpu_timing.phi2_high == pytest.approx(0.4)
    found = read(TOP + 'cpu = "6502"\n' + RAM)
    assert (found.cpu, titles(found.cpu_timing.part), found.cpu_timing.phi2_high) == ("6502", [], 0.5)


def test_a_grade_alone_leaves_the_maker_open(read):
    found = read(TOP + 'cpu = { kind = "6502", grade = "2 MHz" }\n' + RAM)
    assert titles(found.cpu_timing.part) == ["MCS6502, 2 MHz", "R6502, 2 MHz"]


def test_a_variant_adds_to_the_cpu_of_its_base_and_forgets_the_parts_of_another(read):
    base = TOP + '[cpu]\npart = "R65C02"\ngrade = "2 MHz"\n' + RAM
    found = read('base = "shed.toml"\ncpu.grade = "4 MHz"\n', shed=base)
    assert titles(found.cpu_timing.part) == ["R65C02, 4 MHz"]
    found = read('base = "shed.toml"\ncpu = "6502"\n', shed=base)
    assert (found.cpu, titles(found.cpu_timing.part)) == ("6502", [])


def test_a_card_of_another_kind_forgets_the_part(read):
    base = TOP + RAM + 'part = "62256-70"\ntiming = { buffer = "74HC245" }\n'
    card = read('base = "shed.toml"\n[[card]]\nslot = 1\nkind = "led-row"\n', shed=base).cards[0]
    assert (titles(card.part), card.timing.named()) == ([], [])


@pytest.mark.parametrize(
    ("said", "part", "setting"),
    [
        ('part = "W65C51N"', ["W65C51N, 4 MHz", "W65C51N, 2 MHz"], "W65C51N"),
        ('part = "W65C51N"\ngrade = "2 MHz"', ["W65C51N, 2 MHz"], "W65C51N"),
        ('settings = { part = "W65C51N" }', ["W65C51N, 4 MHz", "W65C51N, 2 MHz"], "W65C51N"),
        ('part = "R6551A"\nsettings = { part = "SY6551" }', ["R6551, 2 MHz"], "SY6551"),
        ('settings = { part = "CDP65C51" }', [], "CDP65C51"),
        ('settings = { cable = "rts-cts" }\npart = "W65C51N"', ["W65C51N, 4 MHz", "W65C51N, 2 MHz"], "W65C51N"),
    ],
)
def test_the_cards_part_and_its_setting_are_one(read, said, part, setting):
    card = read(TOP + SERIAL + said + "\n").cards[0]
    assert (titles(card.part), card.settings.part) == (part, setting)


def test_a_part_puts_only_its_own_behaviour_into_the_settings(read, tmp_path):
    (tmp_path / "rom.bin").write_bytes(bytes(32_768))
    assert read(TOP + ROM + 'part = "AT28C256-15"\n').cards[0].settings.part == "read-only"
    assert read(TOP + ROM + 'part = "AT28C256-15"\nsettings.part = "28C256"\n').cards[0].settings.part == "28C256"
    assert read(TOP + LATCH + 'part = "74AC573"\n').cards[0].settings.part == "74HC573"
    assert titles(read(TOP + LATCH).cards[0].part) == []


def test_the_way_to_the_part_is_read(read):
    timing = (
        '[card.timing]\ndecode = ["74HC688", "CD74HC138 enable"]\nbuffer = "74HC245"\nread_gate = "74HC00"\n'
        'write_gate = "74HC00"\nbuffer_gate = "74AC32"\nport = "74HC541"\nlatch = "74HC574"\n'
    )
    found = read(TOP + RAM + timing).cards[0].timing
    assert [(step.text, step.figure, titles(step)) for step in found.decode[0]] == [
        ("74HC688", "compare", ["CD74HC688", "SN74HC688", "74HC688"]),
        ("CD74HC138", "enable", ["CD74HC138"]),
    ]
    assert titles(found.buffer) == ["CD74HC245", "SN74HC245"]
    assert len(found.named()) == 8
    ways = read(TOP + RAM + '[card.timing]\ndecode = [["74HC688", "74HC138 enable"], ["74HC138 select"]]\n')
    assert [len(way) for way in ways.cards[0].timing.decode] == [2, 1]


WRONG = {
    'cpu = { part = "MCS6502" }\n' + RAM: (3, "MCS6502 is no part of a 65C02"),
    'cpu = { part = "W65C02" }\n' + RAM: (3, "the part 'W65C02' is not known"),
    'cpu = { part = "62256" }\n' + RAM: (3, "62256 is no part of a 65C02"),
    'cpu = { grade = "5 MHz" }\n' + RAM: (3, "a 65C02 has no grade '5 MHz'"),
    'cpu = { grde = "5 MHz" }\n' + RAM: (3, "unknown key 'grde'"),
    "cpu = {}\n" + RAM: (3, "nothing is said of the CPU"),
    'cpu = { phi2_high = "half" }\n' + RAM: (3, "'half' is no share of the period"),
    'cpu = { data_buffer = "74HC00" }\n' + RAM: (3, "of 74HC00 no figure 'data' is known"),
    RAM + 'part = "62257"\n': (7, "the part '62257' is not known"),
    RAM + 'part = "W65C22S"\n': (7, "W65C22S is no part of a sram"),
    RAM + 'part = "62256"\ngrade = "45 ns"\n': (8, "62256 has no grade '45 ns'"),
    RAM + "part = 62256\n": (7, "62256 is no part"),
    RAM + 'part = "62256"\nsettings = { size = 131072 }\n': (7, "a 62256 has 32768 bytes, and the card 131072"),
    SERIAL + 'part = "W65C51N"\nsettings = { part = "R6551" }\n': (8, "the setting says 'R6551'"),
    RAM + '[card.timing]\nbuffr = "74HC245"\n': (8, "unknown key 'buffr'"),
    RAM + '[card.timing]\nbuffer = "74HC999"\n': (8, "the part '74HC999' is not known"),
    RAM + '[card.timing]\nbuffer = "62256"\n': (8, "the part '62256' is not known"),
    RAM + '[card.timing]\ndecode = ["74HC138"]\n': (8, "74HC138 has several inputs"),
    RAM + '[card.timing]\ndecode = ["74HC138 clock"]\n': (8, "74HC138 has no input 'clock'"),
    RAM + '[card.timing]\ndecode = ["74HC138", 5]\n': (8, "5 is no part with its input"),
    RAM + "[card.timing]\ndecode = []\n": (8, "[] is no row of parts"),
    RAM + "timing = 5\n": (7, "timing is a table"),
    '[[card]]\nslot = 5\nkind = "button-row"\nselect = "A15"\npart = "74HC541"\n': (7, "74HC541 is no memory and no"),
    '[[card]]\nslot = 5\nkind = "button-row"\nselect = "A15"\ngrade = "1 MHz"\n': (
        7,
        "no part of a button-row is known",
    ),
    'parts = "nowhere.toml"\n' + RAM: (3, "There is no table of parts"),
    "parts = 5\n" + RAM: (3, "5 is not a path"),
}


@pytest.mark.parametrize("text", WRONG)
def test_what_cannot_be_is_told_with_its_line(read, text):
    line, words = WRONG[text]
    with pytest.raises(SimkitError) as caught:
        read(TOP + text)
    errors = caught.value.errors if isinstance(caught.value, SeveralErrors) else [caught.value]
    assert [error.line for error in errors if words in error.message] == [line], [str(error) for error in errors]
    assert all(error.message and error.file for error in errors)


# parts of one's own ---------------------------------------------------------------------------------------------------

OWN = (
    '[source]\nS = { basis = "read", title = "Somebody, data sheet, 2020" }\n[[part]]\nname = "QUICK"\n'
    'kind = "memory"\nfits = ["sram"]\nsource = "S"\n[part.figures]\naddress = { worst = 9 }\nenable = { worst = 9 }\n'
)


def test_parts_of_ones_own_lie_beside_the_machine(read, tmp_path):
    found = read('parts = "own.toml"\n' + TOP + RAM + 'part = "QUICK"\n', own=OWN)
    assert titles(found.cards[0].part) == ["QUICK"]
    assert "QUICK" in [part.name for part in found.part_table().fitting("sram")]
    assert tmp_path / "own.toml" in named_files(tmp_path / "machine.toml")
    assert found.parts_file == tmp_path / "own.toml"


def test_a_table_that_has_changed_is_read_anew(read):
    text = 'parts = "own.toml"\n' + TOP + RAM + 'part = "QUICK"\n'
    assert read(text, own=OWN).cards[0].part.parts[0].figure("address", "worst").number == 9
    changed = OWN.replace("worst = 9", "worst = 8")
    assert read(text, own=changed).cards[0].part.parts[0].figure("address", "worst").number == 8


def test_a_mistake_in_the_table_is_told_with_the_tables_line(read, tmp_path):
    with pytest.raises(SimkitError, match="no time") as caught:
        read('parts = "own.toml"\n' + TOP + RAM, own=OWN.replace("address = { worst = 9 }", "address = { worst = -9 }"))
    assert (caught.value.file, caught.value.line) == (str(tmp_path / "own.toml"), 9)


def test_what_a_part_is_called_leaves_the_machine_the_same(read):
    plain, named = read(TOP + RAM).parts(), read(TOP + RAM + 'part = "62256-70"\ntiming.buffer = "74HC245"\n').parts()
    assert plain == named
