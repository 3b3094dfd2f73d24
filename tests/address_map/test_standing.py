"""What a machine file names beside itself is compared on every check, map and test session; both places are told.

The three tests at the end are the whole way round: a jumper is moved in the machine file, constants are made anew, the
ROM is built anew, and works again without any other change.
"""

import shutil
import subprocess

import numpy as np  # noqa: F401  loaded here: pytester forgets modules, and numpy loads only once
import pytest

from simkit import Machine
from simkit.address_map.compared import compare
from simkit.address_map.constants import constants_of, wiring_identity
from simkit.address_map.includes import read_include
from simkit.address_map.standing import standing
from simkit.address_map.syntaxes import constants_file
from simkit.machinefile.shipped import shipped_folder
from tests.address_map.machines import made

pytest_plugins = "pytester"
ROOT = shipped_folder()
PADS = 'slot = 4\nkind = "serial-pads"\nselect = "0111 1111 0010 00xx"\nname = "pad"\nconstants = "own.inc"'


@pytest.fixture
def pads(tmp_path):
    def make(*lines, more=""):
        (tmp_path / "own.inc").write_text("\n".join(lines))
        return made(tmp_path, f"{PADS}\n{more}")

    return make


def test_what_agrees_is_said_and_what_differs_with_both_places(pads, tmp_path):
    right = standing(pads("PORT_1 = $7F22", "A = %10000000"))
    assert right.lines() == [f"{tmp_path / 'own.inc'}: 2 constants of slot 4 agree."]
    wrong = standing(pads("PORT_1 = $7F20", "A = %00000001", "B = 2", more="[card.settings]\nport_1 = 2"))
    assert wrong.differs
    assert wrong.lines() == [
        f"{tmp_path / 'own.inc'}:1: PORT_1 = $7F20, but it is $7F22 in the machine: register port_1 of slot 4. The "
        f"machine file says so at {tmp_path / 'machine.toml'}:12. 2 more differ there."
    ]
    assert [one.here.rpartition(":")[2] for one in wrong.differences] == ["12", "11", "11"]


@pytest.mark.parametrize(
    ("content", "told"),
    [(None, "There is no file"), (b"\xff\xfe\0", "own.inc"), (b"SCORE = 1\n", "nothing is compared")],
)
def test_a_file_that_cannot_be_compared_is_told_not_passed_over(tmp_path, content, told):
    if content is not None:
        (tmp_path / "own.inc").write_bytes(content)
    found = standing(made(tmp_path, PADS))
    assert found.differs
    assert told in found.lines()[0]


def test_every_check_map_and_session_says_so(pads, simkit, pytester, tmp_path):
    pads("A = %00000001", more='[card.settings]\nbit_order = "first-bit-high"')
    machine = tmp_path / "machine.toml"
    code, out, _ = simkit("check", machine, "--for", "100c")
    assert code == 1
    assert "error: constant-differs" in out
    assert "own.inc:1: A = %00000001, but it is %10000000" in out
    assert f"{machine}:12" in out
    code, out, _ = simkit("map", machine)
    assert code == 1
    assert "own.inc:1: A = %00000001" in out
    pytester.makeini(f"[pytest]\nsimkit_machine = {machine}\nfilterwarnings = error\n")
    pytester.makepyfile(
        """
        import pytest
        def test_a(machine):
            pass
        def test_b(load_machine):
            load_machine()
        @pytest.mark.machine(compare=False)
        def test_meant(machine):
            pass
        def test_other_settings(load_machine):
            load_machine(settings={4: {"bit_order": "first-bit-low"}})
        """
    )
    result = pytester.runpytest("-p", "no:cacheprovider")
    result.assert_outcomes(passed=2, failed=1, errors=1)
    result.stdout.fnmatch_lines(["*own.inc:1: A = %00000001, but it is %10000000 in the machine*"])


@pytest.mark.parametrize(
    ("rows", "told"),
    [
        (
            "$8000  EA                        rom.asm:1             nop\n",
            "rom.lst: 1 lines of the listing of slot 2 agree.",
        ),
        ("$8000  A9 01                     rom.asm:1             lda #1\n", "it is not of this image"),
        ("nothing that is a listing\n", "begins with an address and bytes"),
        ("\0", "is no text"),
    ],
    ids=["of this ROM", "of another ROM", "no listing", "no text"],
)
def test_a_listing_is_compared_and_one_that_cannot_be_is_told(tmp_path, rows, told, simkit):
    image = bytes([0xEA]) * 0x7FFC + bytes([0, 0x80, 0, 0x80])
    (tmp_path / "rom.bin").write_bytes(image)
    (tmp_path / "rom.lst").write_text(rows)
    machine = made(
        tmp_path,
        'slot = 2\nkind = "rom"\nselect = "1xxx xxxx xxxx xxxx"\nimage = "rom.bin"\nlisting = "rom.lst"',
    )
    (line,) = standing(machine).lines()
    assert told in line
    agrees = "agree." in told
    assert standing(machine).differs != agrees
    assert agrees or str(tmp_path / "machine.toml") in line
    _, out, _ = simkit("check", tmp_path / "machine.toml", "--for", "100c")
    assert out.count("labels-stale") == (0 if agrees else 1)


# The whole way round --------------------------------------------------------------------------------------------------


def played(machine):
    """What the pad tester shows with buttons held, or the keyboard tester after typing."""
    machine.run(seconds=0.1)
    if machine.description.cards[1].image.stem == "keyboard-test":
        machine.keys.type("ok")
        machine.run(seconds=0.6)
        return _without(machine, "status")
    machine.pads[1].press("a")
    machine.pads[1].press("left")
    machine.pads[2].press("start")
    machine.run(seconds=0.1)
    return _without(machine, "reads")


def _without(machine, word):
    """The screen but for the line that shows a register as it is, bit by bit."""
    return [line for line in machine.screen.text().splitlines() if word not in line.lower()]


@pytest.mark.parametrize(
    ("rom", "slot", "settings", "select"),
    [
        ("pad-test", 4, {"port_1": 1, "port_2": 2}, None),
        ("pad-test", 4, {"bit_order": "first-bit-low"}, None),
        ("keyboard-test", 3, {"ready_bit": 7}, None),
        ("keyboard-test", 3, {}, "0111 1111 0100 100x"),
    ],
    ids=["a port moves", "the bit order flips", "a status bit moves", "a jumper moves"],
)
def test_constants_and_rom_made_anew_follow_the_machine_file(tmp_path, assemble, rom, slot, settings, select):
    roms, demo = tmp_path / "roms", tmp_path / "demo"
    shutil.copytree(ROOT / "roms", roms, ignore=shutil.ignore_patterns("*.lst", "rules", "video-mistakes"))
    for name in ("marlpit", rom):
        shutil.copytree(ROOT / "demo" / name, demo / name)
    wanted = played(Machine.load(demo / rom))

    moved = f"[[card]]\nslot = {slot}\n" + (f'select = "{select}"\n' if select else "")
    values = ", ".join(f"{key} = {value!r}".replace("'", '"') for key, value in settings.items())
    path = demo / "moved" / "machine.toml"
    path.parent.mkdir()
    path.write_text(f'name = "Moved"\nbase = "../{rom}/machine.toml"\n{moved}settings = {{ {values} }}\n')
    before = Machine.load(path)
    assert standing(before).differs, "nothing tells that the constants are of another wiring"
    assert compare(before, read_include(roms / "marlpit-wiring.inc")).differing
    assert played(before) != wanted, "the change does nothing to the ROM"

    made_anew = constants_file(constants_of(before), "Moved", wiring_identity(before), "ophis")
    (roms / "marlpit-wiring.inc").write_text(made_anew)
    assemble(roms / f"{rom}.asm", roms)
    after = Machine.load(path)
    assert not standing(after).differs
    assert played(after) == wanted


PROGRAM = """
        .include "wiring.inc"
        .segment "CODE"
start:  lda PAD_PORT_1
        eor #$FF
        and #PAD_LEFT
        sta $10
        lda KEYBOARD_STATUS
        and #KEYBOARD_READY
        sta $11
        jmp start
        .segment "VECTORS"
        .word start, start, start
"""
LINKED = """
MEMORY { ROM: start = $8000, size = $8000, file = %O, fill = yes; }
SEGMENTS { CODE: load = ROM; VECTORS: load = ROM, start = $FFFA; }
"""


@pytest.mark.needs("cc65")
@pytest.mark.parametrize(
    "changes",
    [{}, {4: {"port_1": 1, "bit_order": "first-bit-low"}}, {3: {"ready_bit": 6}, 4: {"port_1": 0}}],
    ids=["as it is", "pads moved and turned round", "ready bit and pad moved"],
)
def test_the_same_with_ca65(tmp_path, changes):
    machine = Machine.load("demo:marlpit", settings=changes)
    (tmp_path / "wiring.inc").write_text(
        constants_file(constants_of(machine), "Marlpit", wiring_identity(machine), "ca65")
    )
    (tmp_path / "a.s").write_text(PROGRAM)
    (tmp_path / "a.cfg").write_text(LINKED)
    for command in (["ca65", "-o", "a.o", "a.s"], ["ld65", "-C", "a.cfg", "-o", "a.bin", "a.o"]):
        subprocess.run(command, cwd=tmp_path, check=True)
    built = Machine.load("demo:marlpit", settings=changes, images={2: tmp_path / "a.bin"})
    built.run(seconds=0.05)
    assert bytes(built.peek(0x10, 2)) == b"\0\0"
    built.pads[1].press("left")
    built.run(seconds=0.01)
    assert built.peek(0x10)
    built.pads[1].release("left")
    built.pads[1].press("right")
    built.run(seconds=0.01)
    assert not built.peek(0x10)
    built.run(seconds=1)
    built.keys.press("a")
    built.run(seconds=0.1)
    assert built.peek(0x11)
