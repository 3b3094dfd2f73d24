"""Why nobody answers: the card that is selected and silent, and the one level that keeps a card out."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simkit import Machine
from simkit.backplane.unanswered import nearly, silent

MACHINE = """\
name = "Strobes"
clock = "1 MHz"
cpu = "65C02"
[[card]]
slot = 1
kind = "sram"
select = "00xx xxxx xxxx xxxx"
[[card]]
slot = 2
kind = "rom"
select = "1xxx xxxx xxxx xxxx"
image = "rom.bin"
[[card]]
slot = 4
kind = "ports-6522"
select = "0110 0000 0000 xxxx"
lines = {{ PB0 = "BANK" }}
{changed}
"""


@pytest.fixture
def machine(tmp_path):
    (tmp_path / "rom.bin").write_bytes(b"\xea" * 0x7FFA + bytes.fromhex("008000800080"))

    def made(changed=""):
        (tmp_path / "machine.toml").write_text(MACHINE.format(changed=changed))
        return Machine.load(tmp_path)

    return made


WRITE, READ = True, False
OUT, IN = 'output_enable = "{}"\n', 'write_enable = "{}"\n'
RAM = '[[card]]\nslot = 5\nkind = "sram"\nselect = "010x xxxx xxxx xxxx"\n'


@pytest.mark.parametrize(
    ("changed", "address", "is_write", "says"),
    [
        (
            OUT.format("not RW and PHI2") + IN.format("RW and PHI2"),
            0x6000,
            WRITE,
            "Port card (slot 4) is selected, but its write strobe (RW and PHI2) is false in this write and its read "
            "strobe is true; the two may be exchanged",
        ),
        (
            OUT.format("not RW and PHI2") + IN.format("RW and PHI2"),
            0x6000,
            READ,
            "Port card (slot 4) is selected, but its read strobe (not RW and PHI2) is false in this read and its write "
            "strobe is true; the two may be exchanged",
        ),
        (
            RAM + IN.format("not RW and PHI2 and not BANK"),
            0x4000,
            WRITE,
            "RAM (slot 5) is selected, but its write strobe (not RW and PHI2 and not BANK) is false in this write: "
            "BANK is high",
        ),
        (
            RAM + OUT.format("RW and PHI2 and not BANK"),
            0x4000,
            READ,
            "RAM (slot 5) is selected, but its read strobe (RW and PHI2 and not BANK) is false in this read: BANK is "
            "high",
        ),
        (
            RAM + IN.format("not RW and not PHI2"),
            0x4000,
            WRITE,
            "RAM (slot 5) is selected, but its write strobe (not RW and not PHI2) is false in this write: PHI2 is high",
        ),
        (
            RAM + IN.format("NEVER"),
            0x4000,
            WRITE,
            "RAM (slot 5) is selected, but its write strobe (NEVER) is false in this write",
        ),
    ],
)
def test_a_selected_card_that_keeps_silent_is_named_with_the_reason(machine, changed, address, is_write, says):
    found = silent(machine(changed).bus, address, is_write=is_write)
    assert found.text == says
    assert found.slot == (4 if "Port" in says else 5)


def test_a_card_that_wiring_holds_in_reset_takes_nothing(machine):
    found = silent(machine('wiring = ["RESET low"]').bus, 0x6000, is_write=True)
    assert found.text == "Port card (slot 4) is selected, but is held in reset and takes nothing"


def test_where_no_card_is_selected_none_is_named(machine):
    bus = machine().bus
    assert silent(bus, 0x4000, is_write=True) is None
    assert silent(bus, 0x4000, is_write=False) is None


@pytest.mark.parametrize(
    ("address", "says"),
    [
        (0x6010, "with A4 low it would reach Port card (slot 4)"),
        (0x6400, "with A10 low it would reach Port card (slot 4)"),
        (0x6030, ""),  # two bits away
        (0x4000, "with A13 high it would reach Port card (slot 4)"),  # and RAM with A14 low, ROM with A15 high
    ],
)
def test_the_one_level_that_keeps_a_card_with_registers_out_is_named(machine, address, says):
    assert nearly(machine().bus, address, is_write=True) == says


def test_a_level_of_a_line_counts_as_well_and_two_are_not_told(machine):
    changed = '[[card]]\nslot = 6\nkind = "serial-6551"\nselect = "0101 0000 0100 00xx and not BANK"\n'
    assert nearly(machine(changed).bus, 0x5041, is_write=False) == "with BANK low it would reach Serial card (slot 6)"
    assert nearly(machine(changed + changed.replace("6\n", "7\n")).bus, 0x5041, is_write=False) == ""


def test_a_card_without_a_register_there_is_no_matter_of_strobes(machine):
    pads = '[[card]]\nslot = 6\nkind = "serial-pads"\nselect = "0101 0000 0000 00xx"\n'
    found = silent(machine(pads + "settings = { port_1 = 2, port_2 = 3 }\n").bus, 0x5000, is_write=False)
    assert found.text == "Pad card (slot 6) is selected, but has nothing to read there"
    assert not found.by_strobe


@settings(deadline=None, max_examples=60)
@given(address=st.integers(0, 0xFFFF), is_write=st.booleans())
def test_nearly_agrees_with_the_decoding(address, is_write):
    """What it names is reached with that bit turned; where it names none, no bit alone reaches exactly one card."""
    bus = Machine.load("demo:bench").bus
    table = bus.reach.table

    def reached(at):
        plan = table.write_plan(at) if is_write else table.read_plan(at)
        return set(plan.selected)

    text = nearly(bus, address, is_write=is_write)
    memories = {seat.slot for seat in bus.seats if not seat.registers}
    near = {bit for bit in range(16) if reached(address ^ 1 << bit) - memories}
    assert (near == {int(text.split()[1][1:])}) if text else (len(near) != 1)
