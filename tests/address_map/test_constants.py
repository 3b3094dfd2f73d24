"""Constants of a machine: names and values, in every syntax that assemblers read; those of our ROMs are current."""

import json
import re
import subprocess

import pytest

from simkit import Machine
from simkit.address_map.compared import compare
from simkit.address_map.constants import BIT, MASK, constants_of, prefixes, wiring_identity
from simkit.address_map.includes import read_include
from simkit.address_map.syntaxes import SYNTAXES, constants_file
from simkit.commands.new import write_machine
from simkit.machinefile.shipped import shipped_folder
from tests.address_map.machines import made

ROOT = shipped_folder()
OURS = ("marlpit", "bench", "monitor")
EVERY = ("marlpit", "bench", "monitor", "banks-test", "lamps-and-buttons", "keyboard-on-ports")


def text(machine, syntax):
    return constants_file(constants_of(machine), machine.description.name, wiring_identity(machine), syntax)


def values(machine):
    return {one.name: one.value for group in constants_of(machine) for one in group.constants}


@pytest.mark.parametrize("name", OURS)
def test_the_constants_of_our_rom_sources_are_current(name):
    path = ROOT / "roms" / f"{name}-wiring.inc"
    made_now = text(Machine.load(f"demo:{name}"), "ophis")
    assert path.read_text() == made_now, (
        f"run: simkit map demo/{name} --constants roms/{name}-wiring.inc --syntax ophis, then python roms/build.py"
    )


def test_those_of_the_first_program_are_what_a_new_machine_gets(tmp_path):
    folder, _ = write_machine(tmp_path / "Hello")
    assert (folder / "hello-wiring.inc").read_text() == (ROOT / "roms" / "hello-wiring.inc").read_text()
    other, _ = write_machine(tmp_path / "potting shed")
    assert (other / "hello-wiring.inc").read_text() == text(Machine.load(other), "ophis")


@pytest.mark.parametrize("name", EVERY)
@pytest.mark.parametrize("syntax", SYNTAXES)
def test_each_syntax_read_back_agrees_in_every_name(tmp_path, name, syntax):
    machine = Machine.load(f"demo:{name}")
    path = tmp_path / "made.inc"
    path.write_text(text(machine, syntax))
    found = compare(machine, read_include(path))
    assert not found.differing
    assert not found.others
    assert not found.unknown
    assert not found.is_stale
    assert {row.defined.name: row.defined.value for row in found.rows} == values(machine)


def test_the_same_machine_gives_the_same_file_and_what_is_in_its_sockets_does_not_count(tmp_path):
    first, second = Machine.load("demo:marlpit"), Machine.load("demo:marlpit", seed=7)
    other_rom = Machine.load("demo:keyboard-test")
    assert text(first, "ca65") == text(second, "ca65")
    assert wiring_identity(first) == wiring_identity(other_rom)
    moved = Machine.load("demo:marlpit", settings={4: {"port_1": 0}})
    assert wiring_identity(first) != wiring_identity(moved)


@pytest.mark.parametrize("name", EVERY)
def test_names_are_names_to_every_assembler_and_come_once(name):
    machine = Machine.load(f"demo:{name}")
    names = [one.name for group in constants_of(machine) for one in group.constants]
    assert len({one.lower() for one in names}) == len(names)  # one of the assemblers knows no capitals
    assert all(re.fullmatch(r"[A-Z][A-Z0-9_]*", one) for one in names)


def test_a_mask_and_the_number_of_its_bit_are_one():
    for group in constants_of(Machine.load("demo:bench")):
        masks = {one.name: one.value for one in group.constants if one.what == MASK}
        numbers = {one.name: one.value for one in group.constants if one.what == BIT}
        assert {f"{name}_BIT": value.bit_length() - 1 for name, value in masks.items()} == numbers


def test_buttons_stand_in_wired_order():
    straight, turned = Machine.load("demo:marlpit"), Machine.load("demo:wrong-wiring/pad-order-reversed")
    names = ("RIGHT", "LEFT", "DOWN", "UP", "START", "SELECT", "B", "A")
    assert [values(straight)[f"PAD_{name}"] for name in names] == [1, 2, 4, 8, 16, 32, 64, 128]
    assert [values(turned)[f"PAD_{name}"] for name in names] == [128, 64, 32, 16, 8, 4, 2, 1]


def test_bits_of_ports_are_named_after_the_lines_of_their_pins():
    found = values(Machine.load("demo:monitor"))
    assert (found["PORTS_LAMP3"], found["PORTS_BUTTON1"], found["BANK_LATCH_BANK2"]) == (8, 2, 4)
    assert "PORTS_PB0" not in found


def test_clock_frame_and_buffer():
    found = values(Machine.load("demo:marlpit"))
    assert (found["CLOCK_HZ"], found["KEYBOARD_BUFFER_SIZE"]) == (2_000_000, 16)
    # 342 x 262 dots at a crystal of 10.738635 MHz / 2 a dot: 59.92 pictures a second (9918A data manual, section 3.1)
    assert (found["VIDEO_FRAMES_PER_SECOND"], found["VIDEO_FRAME_CYCLES"]) == (60, 33_376)


def test_what_the_cpu_sees_in_no_single_bit_has_no_constant_and_is_told(tmp_path):
    machine = made(tmp_path, 'slot = 1\nkind = "keyboard"\nselect = "0111 1111 0001 000x"\nwiring = ["pin D1 open"]')
    assert "KEYBOARD_OVERFLOW" not in values(machine)
    told = next(group.missing for group in constants_of(machine) if group.slot == 1)
    assert told == ("overflow of status: the CPU does not see bit 1 of the card, its data line is open.",)
    assert "Without a constant: overflow" in text(machine, "64tass")


def test_a_register_that_no_address_reaches_has_no_constant(tmp_path):
    machine = made(
        tmp_path, 'slot = 1\nkind = "serial-pads"\nselect = "0111 1111 0010 000x"\nsettings = { port_1 = 1 }'
    )
    assert values(machine)["SERIAL_PADS_PORT_1"] == 0x7F21
    assert "SERIAL_PADS_PORT_2" not in values(machine)


def test_a_card_that_is_added_in_a_higher_slot_renames_nothing(tmp_path):
    one = 'slot = 2\nkind = "sram"\nselect = "00xx xxxx xxxx xxxx"'
    two = 'slot = 5\nkind = "sram"\nselect = "01xx xxxx xxxx xxxx"'
    assert prefixes(made(tmp_path, one, name="a.toml")) == {2: "SRAM"}
    assert prefixes(made(tmp_path, one, two, name="b.toml")) == {2: "SRAM", 5: "SRAM_5"}
    assert prefixes(made(tmp_path, f'{one}\nname = "work memory"', two, name="c.toml")) == {2: "WORK_MEMORY", 5: "SRAM"}


def test_names_of_cards_are_checked(tmp_path):
    from simkit import SimkitError

    with pytest.raises(SimkitError, match="no name of a card"):
        made(tmp_path, 'slot = 2\nkind = "sram"\nselect = "00xx xxxx xxxx xxxx"\nname = "a;b"')


@pytest.mark.needs("cc65")
def test_ca65_reads_its_file_and_has_registers_as_labels(tmp_path):
    machine = Machine.load("demo:marlpit")
    (tmp_path / "marlpit.inc").write_text(text(machine, "ca65"))
    (tmp_path / "a.s").write_text('.include "marlpit.inc"\n.segment "CODE"\nlda VIDEO_STATUS\nand #VIDEO_F\n')
    (tmp_path / "a.cfg").write_text(
        "MEMORY { M: start = $8000, size = $100, file = %O; }\nSEGMENTS { CODE: load = M; }\n"
    )
    subprocess.run(["ca65", "-g", "-o", "a.o", "a.s"], cwd=tmp_path, check=True, capture_output=True)
    subprocess.run(["ld65", "-C", "a.cfg", "-Ln", "a.lbl", "-o", "a.bin", "a.o"], cwd=tmp_path, check=True)
    assert (tmp_path / "a.bin").read_bytes() == bytes.fromhex("AD317F2980")
    assert ".VIDEO_STATUS" in (tmp_path / "a.lbl").read_text()


@pytest.mark.needs("64tass")
def test_64tass_reads_its_file(tmp_path):
    (tmp_path / "marlpit.inc").write_text(text(Machine.load("demo:marlpit"), "64tass"))
    (tmp_path / "a.asm").write_text('*=$8000\n.include "marlpit.inc"\n lda VIDEO_STATUS\n and #VIDEO_F\n')
    subprocess.run(["64tass", "-b", "-o", "a.bin", "a.asm"], cwd=tmp_path, check=True, capture_output=True)
    assert (tmp_path / "a.bin").read_bytes() == bytes.fromhex("AD317F2980")


@pytest.mark.needs("binutils")
def test_a_c_compiler_s_preprocessor_reads_its_file(tmp_path):
    (tmp_path / "marlpit.h").write_text(text(Machine.load("demo:marlpit"), "c"))
    (tmp_path / "a.S").write_text('#include "marlpit.h"\n#include "marlpit.h"\n.long VIDEO_STATUS + VIDEO_F\n')
    done = subprocess.run(["cpp", "-P", "a.S"], cwd=tmp_path, check=False, capture_output=True, text=True)
    if done.returncode:
        pytest.skip("there is no C preprocessor (cpp)")
    assert done.stdout.strip() == ".long 0x7F31 + 0x80"


def test_json_names_register_and_bit():
    data = json.loads(text(Machine.load("demo:marlpit"), "json"))
    rows = {one["name"]: one for group in data["groups"] for one in group["constants"]}
    assert rows["VIDEO_F"] == {
        "name": "VIDEO_F",
        "value": 128,
        "what": "mask",
        "register": "status",
        "bit": "F",
        "help": "bit 7 of status",
    }


def test_a_machine_s_name_cannot_become_a_line_of_the_source(tmp_path):
    machine = made(tmp_path, 'slot = 2\nkind = "sram"\nselect = "00xx xxxx xxxx xxxx"', name="a.toml")
    groups = constants_of(machine)
    for syntax in SYNTAXES:
        written = constants_file(groups, "bad\nname = $00 */ \x1b[31m\u00e9", "0" * 16, syntax)
        assert "\x1b" not in written
        if syntax != "json":
            assert all(
                line.startswith((";", "/*", "#", ".alias", "CLOCK", "SRAM")) for line in written.splitlines() if line
            )
