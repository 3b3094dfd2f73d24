"""The addresses a ROM was built with against the machine: which label means which register, and when that is told."""

import pytest

from simkit import Machine
from simkit.check.image.static import static_findings
from simkit.machinefile.shipped import shipped_folder

DEMOS = sorted((shipped_folder() / "demo").glob("**/machine.toml"))

TWO_VIDEOS = """\
name = "Two video cards"
clock = "1 MHz"
cpu = "65C02"
[[card]]
slot = 1
kind = "sram"
select = "0xxx xxxx xxxx xxxx"
not_select = ["0111 1111 xxxx xxxx"]
[[card]]
slot = 2
kind = "tile-video"
select = "0111 1111 0011 000x"
[[card]]
slot = 3
kind = "tile-video"
select = "0111 1111 0100 000x"
[[card]]
slot = 4
kind = "keyboard"
select = "0111 1111 0001 000x"
[[card]]
slot = 5
kind = "rom"
select = "1xxx xxxx xxxx xxxx"
image = "rom.bin"
labels = "rom.labels"
"""
LOOP = bytes.fromhex("4C0080")
"""The whole program: the check follows it from the vectors, and the labels are what these tests are about."""


def differing(machine):
    noted, _ = static_findings(machine, None)
    return [(found.address, found.slot) for found in noted if found.rule == "constant-differs"]


@pytest.fixture
def with_labels(tmp_path):
    (tmp_path / "machine.toml").write_text(TWO_VIDEOS)
    (tmp_path / "rom.bin").write_bytes(LOOP + bytes([0xEA]) * (0x7FFC - len(LOOP)) + bytes([0x00, 0x80, 0x00, 0x80]))

    def put(*lines):
        (tmp_path / "rom.labels").write_text("\n".join(lines))
        return Machine.load(tmp_path)

    return put


MOVED = {
    "pad-latch-backwards": [(None, 4)],
    "pad-one-bit-behind": [(None, 4)],
    "pad-order-reversed": [(None, 4)],
    "status-bit-moved": [(None, 3)],
    "pad-ports-swapped": [(0x7F23, 4)],
}
"""Machines whose ports or bits are elsewhere than their ROM's constants say: the first that differs."""


@pytest.mark.parametrize("path", DEMOS, ids=lambda path: path.parent.name)
def test_of_the_machines_that_come_along_only_those_differ_whose_ports_or_bits_were_moved(path):
    assert differing(Machine.load(path)) == MOVED.get(path.parent.name, [])


@pytest.mark.parametrize(
    ("lines", "found"),
    [
        (["VIDEO_DATA = $7F30"], []),
        (["VIDEO_DATA = $7F40"], []),  # the second card's
        (["TILE_VIDEO_DATA = $7F31"], [(0x7F31, 2)]),
        (["video_data = $7F50"], [(0x7F50, 2)]),
        (["KEYBOARD_DATA = $7F10"], [(0x7F10, 4)]),
        (["KEYBOARD_STATUS = $0010"], [(0x0010, 4)]),  # nothing else says where the register is
        (["KEYBOARD_STATUS = $0010", "KEYS = $7F10"], []),  # a copy in memory
        (["keyboard_status = $0310", "KEYS_BASE = $7F11"], []),  # a variable: another register of the card has its name
        (["keyboard_data = $8123", "KEYS_BASE = $7F10"], []),  # a routine
        (["keyboard_data = $7F30", "KEYS_BASE = $7F10"], [(0x7F30, 4)]),  # a register of another card
        (["BOARD_DATA = $7F31", "DATA = $7F31"], []),  # no word of a kind
    ],
)
def test_a_label_means_the_register_it_is_called_after(lines, found, with_labels):
    assert differing(with_labels(*lines)) == found


PAD_WIRED = "As wired, Pad card (slot 4) has ${:04X} port_1 (read), ${:04X} port_2 (read)."


@pytest.mark.parametrize(
    ("slot", "changed", "says", "wired"),
    [
        (
            4,
            'select = "0111 1111 0110 00xx"',
            "PAD_BASE = $7F20, but it is $7F60 in the machine: the lowest address of slot 4. The machine file says so "
            "at {file}:4. ",
            PAD_WIRED.format(0x7F62, 0x7F63),
        ),
        (
            4,
            "[card.settings]\nport_1 = 1",
            "PAD_PORT_1 = $7F22, but it is $7F21 in the machine: register port_1 of slot 4. The machine file says so "
            "at {file}:5. ",
            PAD_WIRED.format(0x7F21, 0x7F23),
        ),
        (
            3,
            'wires = { D0 = "D4", D4 = "D0" }',
            "KEYBOARD_READY = ",
            "$7F10 status (read, overflow is bit 1, parity_fault is bit 2, ready is bit 4), $7F11 data (read).",
        ),
    ],
    ids=["select", "port", "bit"],
)
def test_a_constant_that_differs_is_told_with_the_registers_as_they_are_wired(tmp_path, slot, changed, says, wired):
    """And with the line that decides in the machine file, not in its base."""
    base = Machine.load("demo:marlpit").description.path
    file = tmp_path / "machine.toml"
    file.write_text(f'base = "{base}"\n[[card]]\nslot = {slot}\n{changed}\n')
    noted, _ = static_findings(Machine.load(tmp_path), None)
    (message,) = [one.message for one in noted if one.rule == "constant-differs"]
    assert says.format(file=file) in message
    assert wired in message
