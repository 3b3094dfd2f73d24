"""Cards of other kinds than Marlpit's: a 6522 behind a transceiver, lamps, buttons, a bank latch and what it banks."""

import pytest

from simkit import Machine
from simkit.schematic.check import check_netlist
from simkit.schematic.netlist import read_netlist
from simkit.schematic.propose import propose
from tests.schematic.marlpit import DATA, HERE, MEMORY, card, io_page, memory_nets, ram, strobes

PORTS = {
    **{"1": "VSS", "20": "VCC", "18": "CB1", "19": "CB2", "21": "~{IRQ}", "22": "R/~{W}", "23": "~{CS2}", "24": "CS1"},
    **{"25": "PHI2", "34": "~{RES}", "39": "CA2", "40": "CA1"},
    **{str(2 + n): f"PA{n}" for n in range(8)},
    **{str(10 + n): f"PB{n}" for n in range(8)},
    **{str(33 - n): f"D{n}" for n in range(8)},
    **{str(38 - n): f"RS{n}" for n in range(4)},
}
MACHINE = f"""base = "{HERE.as_posix()}/machine.toml"
[[card]]
slot = 1
select = "0xxx xxxx xxxx xxxx and not BANK0"
[[card]]
slot = 6
kind = "ports-6522"
select = "0111 1111 0100 xxxx"
lines = {{ INT = "IRQ", PB0 = "LATCH", PB1 = "CLOCK" }}
[[card]]
slot = 7
kind = "led-row"
select = "0111 1111 0101 xxxx"
[[card]]
slot = 8
kind = "button-row"
select = "0111 1111 0110 xxxx"
settings = {{ count = 6 }}
[[card]]
slot = 9
kind = "bank-latch"
select = "0111 1111 0111 xxxx"
lines = {{ Q0 = "BANK0", Q1 = "BANK1" }}
"""


@pytest.fixture(scope="module")
def machine(tmp_path_factory):
    folder = tmp_path_factory.mktemp("kinds")
    (folder / "machine.toml").write_text(MACHINE, encoding="utf-8")
    return Machine.load(folder)


def ports():
    """A W65C22 behind a transceiver whose A side is the bus."""
    sheet = card()
    io_page(sheet, 4)
    sheet.logic("U2", "74HC04", p1="RWB", p2="/NRW")
    nets = {f"D{n}": f"/VD{n}" for n in range(8)} | {f"RS{n}": f"A{n}" for n in range(4)}
    nets |= {
        "~{CS2}": "/~{SEL16}",
        "CS1": "+5V",
        "R/~{W}": "RWB",
        "PHI2": "PHI2",
        "~{IRQ}": "~{IRQ}",
        "~{RES}": "~{RES}",
    }
    nets |= {"PB0": "/LATCH", "PB1": "/CLOCK", "PA0": "/PA0", "VSS": "GND", "VCC": "+5V"}
    sheet.chip("U1", "W65C22S6TPG-14", PORTS, nets)
    sides = {f"p{2 + n}": f"D{n}" for n in range(8)} | {f"p{18 - n}": f"/VD{n}" for n in range(8)}
    return sheet.logic("U6", "74HC245", p1="/NRW", p19="/~{SEL16}", **sides)


def latch(value, output, names, clock=("/~{SEL16}", "/~{WR}", "/CLK")):
    """A latch at an output of the demultiplexer that takes the byte at the end of the write's strobe."""
    sheet = card()
    io_page(sheet, output)
    sheet.logic("U2", "74HC04")
    strobes(sheet, "U5")
    sheet.logic("U12", "74HC32", p1=clock[0], p2=clock[1], p3=clock[2])
    d, q = ((3, 4, 7, 8, 13, 14, 17, 18), (2, 5, 6, 9, 12, 15, 16, 19))
    if value == "74HC574":
        d, q = range(2, 10), range(19, 11, -1)
    pins = {f"p{pin}": line for pin, line in zip(d, DATA, strict=True)}
    pins |= {f"p{pin}": name for pin, name in zip(q, names, strict=True)}
    return sheet.logic("U6", value, p1="~{RES}" if value == "74HC273" else "GND", p11="/CLK", **pins)


def lamps():
    """Eight lamps on a 74HC273."""
    return latch("74HC273", 5, [f"/L{n}" for n in range(8)])


def banks():
    """Two bank lines on a 74HC574."""
    return latch("74HC574", 7, ["BANK0", "BANK1", *(f"/N{n}" for n in range(2, 8))])


def buttons():
    """Six buttons with pull-ups, on a 74HC541."""
    sheet = card()
    io_page(sheet, 6)
    sheet.logic("U2", "74HC04")
    strobes(sheet, "U5")
    inside = {f"p{2 + n}": f"/B{n}" if n < 6 else "GND" for n in range(8)}
    outside = {f"p{18 - n}": line for n, line in enumerate(DATA) if n < 6}
    sheet.logic("U6", "74HC541", p1="/~{SEL16}", p19="/~{RD}", **inside, **outside)
    pack = {"1": "+5V"} | {str(2 + n): f"/B{n}" for n in range(6)}
    sheet.part("RN1", "10k", "R_Network", pack, {"1": "common"} | {str(2 + n): f"R{n}" for n in range(6)})
    for n in range(6):
        sheet.part(f"SW{1 + n}", "", "SW_Push", {"1": f"/B{n}", "2": "GND"}, {})
    return sheet


def banked():
    """The RAM of the lower half, off while BANK0 is high."""
    sheet = ram()
    sheet.parts["J1"][2]["40"] = "BANK0"
    return sheet.edit("U4", 3, "/CE1").edit("U4", 4, "/CE1").edit("U4", 5, "BANK0").edit("U4", 6, "/~{CE}")


SHEETS = {1: banked, 6: ports, 7: lamps, 8: buttons, 9: banks}


@pytest.mark.parametrize("slot", SHEETS)
def test_a_right_schematic_agrees(slot, machine):
    found = check_netlist(machine, slot, read_netlist(SHEETS[slot]().text(), "card.net"))
    assert [one.sentence() for one in found.differences] == []
    assert found.compared["select"] == 1


def swap(sheet, ref, one, other):
    nets = sheet.parts[ref][2]
    nets[str(one)], nets[str(other)] = nets[str(other)], nets[str(one)]
    return sheet


WRONG = [
    (1, lambda s: s.edit("U4", 5, "GND"), "select", "/~{CE}"),
    (1, lambda s: s.edit("U4", 1, "A13"), "select", "/~{CE}"),
    (6, lambda s: swap(s, "U1", 10, 11), "line", "/LATCH"),
    (6, lambda s: swap(s, "U1", 33, 32), "data line", "/VD1"),
    (6, lambda s: swap(s, "U6", 9, 8), "data line", "/VD6"),
    (6, lambda s: s.edit("U6", 1, "RWB"), "data line", "/VD0"),
    (6, lambda s: s.edit("U6", 19, "GND"), "read strobe", "/NRW"),
    (6, lambda s: s.edit("U1", 21, "/LOST"), "line", "/LOST"),
    (6, lambda s: swap(s, "U1", 38, 37), "register select", "A1"),
    (6, lambda s: s.edit("U1", 22, "/NRW"), "read strobe", "/NRW"),
    (6, lambda s: s.edit("U1", 24, "A4"), "select", "A4"),
    (7, lambda s: swap(s, "U6", 3, 4), "data line", "/L0"),
    (7, lambda s: swap(s, "U6", 19, 16), "data line", "/L7"),
    (7, lambda s: s.edit("U11", 10, "/N").edit("U11", 9, "/~{SEL16}"), "select", "/CLK"),
    (7, lambda s: s.logic("U13", "74HC04", p1="/CLK", p2="/NCLK").edit("U6", 11, "/NCLK"), "write strobe", "/NCLK"),
    (7, lambda s: s.edit("U5", 4, "+5V"), "write strobe", "/CLK"),
    (8, lambda s: swap(s, "U6", 2, 3), "input order", "/B0"),
    (8, lambda s: swap(s, "U6", 18, 17), "input order", "/B0"),
    (8, lambda s: s.edit("U6", 19, "GND"), "read strobe", "/~{SEL16}"),
    (9, lambda s: swap(s, "U6", 2, 3), "data line", "BANK0"),
    (9, lambda s: swap(s, "U6", 19, 18), "data line", "BANK1"),
    (9, lambda s: s.edit("U12", 1, "GND"), "select", "/CLK"),
]  # fmt: skip


@pytest.mark.parametrize("at", range(len(WRONG)))
def test_one_wrong_wire_is_found(at, machine):
    slot, do, what, net = WRONG[at]
    found = check_netlist(machine, slot, read_netlist(do(SHEETS[slot]()).text(), "card.net"))
    kinds = [one for one in found.differences if one.what == what]
    assert kinds, [one.sentence() for one in found.differences]
    assert net in kinds[0].nets


def test_a_6522_is_proposed_with_its_lines(machine):
    lines = propose(machine, 6, read_netlist(ports().text(), "card.net"))
    assert 'select = "0111 1111 0100 xxxx"' in lines
    assert 'lines = { INT = "IRQ", PB0 = "LATCH", PB1 = "CLOCK" }' in lines
    lines = propose(machine, 7, read_netlist(lamps().text(), "card.net"))
    assert 'select = "0111 1111 0101 xxxx"' in lines
    lines = propose(machine, 9, read_netlist(banks().text(), "card.net"))
    assert 'lines = { Q0 = "BANK0", Q1 = "BANK1" }' in lines
    assert not any("Switches" in line for line in propose(machine, 8, read_netlist(buttons().text(), "card.net")))
    lines = propose(machine, 1, read_netlist(banked().text(), "card.net"))
    assert 'select = "0xxx xxxx xxxx xxxx and not BANK0"' in lines
    assert 'not_select = ["0111 1111 xxxx xxxx and not BANK0"]' in lines


def test_two_memories_alike_are_told_apart_by_their_selects(machine):
    """A second RAM on the same schematic, selected elsewhere."""
    sheet = banked()
    nets = memory_nets(**{"~{CS}": "/NOTHING", "~{OE}": "/~{RD}", "~{WE}": "/~{WR}"})
    sheet.chip("U0", "HM62256", MEMORY, nets)
    sheet.logic("U9", "74HC04", p1="A15", p2="/N", p3="/N", p4="/NOTHING")
    sheet.edit("U9", 1, "BANK0")
    found = check_netlist(machine, 1, read_netlist(sheet.text(), "card.net"))
    assert "U1 (62256) is taken for slot 1." in found.roles


def switched(sheet):
    """The comparator's page is set by eight switches to ground, with pull-ups."""
    nets = sheet.parts["U10"][2]
    pack = {"1": "+5V"}
    for n, pin in enumerate((3, 5, 7, 9, 12, 14, 16, 18)):
        nets[str(pin)] = f"/S{n}"
        pack[str(2 + n)] = f"/S{n}"
        sheet.part("SW1", "", "SW_DIP_x08", {str(1 + n): f"/S{n}", str(16 - n): "GND"} | dip(sheet), {})
    return sheet.part("RN9", "10k", "R_Network08", pack, {"1": "common"})


def dip(sheet):
    return sheet.parts["SW1"][2] if "SW1" in sheet.parts else {}


@pytest.mark.parametrize("slot", [6, 7, 8, 9])
def test_positions_of_switches_are_found_and_told(slot, machine):
    sheet = SHEETS[slot]()
    for ref in [ref for ref in sheet.parts if ref.startswith("SW")]:
        sheet.parts[f"BTN{ref[2:]}"] = sheet.parts.pop(ref)
    found = check_netlist(machine, slot, read_netlist(switched(sheet).text(), "card.net"))
    assert [one.sentence() for one in found.differences] == []
    (told,) = [one for one in found.roles if "switches stand so" in one]
    assert "low at net '/S7'" in told
    assert told.count("high at net") == 7
    # page $7F is made; a wire of the comparator's other side that is wrong shows nevertheless
    sheet.edit("U10", 17, "A14")
    found = check_netlist(machine, slot, read_netlist(sheet.text(), "card.net"))
    assert [one.what for one in found.differences] == ["select"]


def test_the_chip_of_a_card_of_ones_own_is_what_it_is_faithful_to(tmp_path):
    (tmp_path / "timer.py").write_text(
        "from simkit.contract import Card, Register\nimport attrs\n\n\n@attrs.frozen\nclass Nothing:\n    pass\n\n\n"
        "class Timer(Card):\n    kind = 'own-timer'\n    Settings = Nothing\n    faithful_to = 'MC6840'\n"
        "    pin_names = {'RS0': 'A0', 'RS1': 'A1'}\n\n    @classmethod\n    def registers(cls, settings):\n"
        "        return tuple(Register(n, f'timer_{n}', 'rw') for n in range(4))\n"
    )
    card_table = '[[card]]\nslot = 6\nkind = "file:timer.py:Timer"\nselect = "0111 1111 0100 xxxx"\n'
    (tmp_path / "machine.toml").write_text(f'base = "{HERE.as_posix()}/machine.toml"\n{card_table}')
    machine = Machine.load(tmp_path)
    names = {"1": "~{CE}", "2": "RS0", "3": "RS1", "4": "R/~{W}", "5": "PHI2"} | {str(6 + n): f"D{n}" for n in range(8)}

    def timer(first="A0"):
        sheet = card()
        io_page(sheet, 4)
        nets = {"~{CE}": "/~{SEL16}", "RS0": first, "RS1": "A1", "R/~{W}": "RWB", "PHI2": "PHI2"}
        return sheet.chip("U1", "MC6840P", names, nets | {line: line for line in DATA})

    found = check_netlist(machine, 6, read_netlist(timer().text(), "card.net"))
    assert (found.differences, found.compared["register select"]) == ((), 2)
    found = check_netlist(machine, 6, read_netlist(timer("A2").text(), "card.net"))
    assert [one.what for one in found.differences] == ["register select"]
