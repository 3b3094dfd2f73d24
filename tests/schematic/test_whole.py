"""A schematic of a whole machine: real size, parts that are not known, the address bus under another name."""

import pytest

from simkit.schematic.check import check_netlist
from simkit.schematic.netlist import read_netlist
from tests.schematic import marlpit as cards
from tests.schematic.marlpit import CARDS
from tests.schematic.written import seeded


@pytest.fixture(scope="module")
def sheet():
    """Marlpit's 45 parts, and 110 that nobody knows; the address lines are members of a bus MEM."""
    made = cards.whole()
    for number in range(700, 810):
        nets = {
            "1": f"/X{number}",
            "2": f"/X{number + 1}",
            "3": "GND",
            "4": f"D{number % 8}" if number < 710 else "+5V",
        }
        made.part(f"U{number}", f"XC{number}", "Strange", nets, {"1": "IN", "2": "OUT", "3": "GND", "4": "CTL"})
    for ref, (value, symbol, nets) in made.parts.items():
        renamed = {pin: f"/MEM.{net}" if net[0] == "A" and net[1:].isdigit() else net for pin, net in nets.items()}
        made.parts[ref] = value, symbol, renamed
    return made


def test_every_card_of_it_agrees(sheet, marlpit):
    netlist = read_netlist(sheet.text(rng=seeded(1)), "whole.net")
    assert len(netlist.components) == 155
    for slot in CARDS:
        found = check_netlist(marlpit, slot, netlist)
        assert [one.sentence() for one in found.differences] == []
        assert "U700 (XC700)" in " ".join(found.notes)
        if slot in (1, 2, 5):
            assert f"U{slot}01" in " ".join(found.roles)


@pytest.mark.parametrize(
    ("slot", "ref", "pin", "net", "what"),
    [
        (1, "U104", 1, "/MEM.A14", "select"),
        (2, "U201", 11, "D1", "data line"),
        (3, "U309", 2, "/keyboard/LOST", "line"),
        (4, "U413", 3, "GND", "register select"),
        (5, "U513", 4, "GND", "write strobe"),
    ],
)
def test_one_wrong_wire_of_it_is_found(sheet, marlpit, slot, ref, pin, net, what):
    nets = sheet.parts[ref][2]
    before = nets[str(pin)]
    nets[str(pin)] = net
    try:
        netlist = read_netlist(sheet.text(), "whole.net")
    finally:
        nets[str(pin)] = before
    found = check_netlist(marlpit, slot, netlist)
    assert what in {one.what for one in found.differences}
