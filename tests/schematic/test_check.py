"""Schematics of Marlpit's cards beside its machine file: right ones agree, one wrong wire of each kind is named."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simkit import Machine
from simkit.contract.errors import SimkitError
from simkit.schematic.check import check_netlist
from simkit.schematic.netlist import load_netlist, read_netlist
from tests.examples import examples
from tests.schematic import marlpit as cards
from tests.schematic.marlpit import CARDS, HERE
from tests.schematic.written import renamed, seeded

SLOTS = {name: (slot, make) for slot, (name, make) in CARDS.items()}


def test_the_netlists_of_the_demo_are_those_that_the_script_writes():
    for name, (_, make) in SLOTS.items():
        assert (HERE / f"{name}.net").read_text(encoding="utf-8") == make().text()


def test_a_right_schematic_agrees(card, compare):
    slot, sheet = card
    found = compare(slot, sheet)
    assert [one.sentence() for one in found.differences] == []
    assert found.compared["select"] == 1
    assert found.compared["read strobe"] == 1


def swap(sheet, ref, one, other):
    nets = sheet.parts[ref][2]
    nets[one], nets[other] = nets[other], nets[one]


# card, what is done to it, kind of difference, first address, a net or pin that is named, a key of the place
WRONG = [
    ("ram", lambda s: s.edit("U4", 1, "A14"), "select", 0x4000, "/~{CE}"),
    ("ram", lambda s: s.edit("U3", 1, "+5V"), "select", 0x7E00, "/~{CE}"),
    ("rom", lambda s: s.edit("U2", 1, "A14"), "select", 0x4000, "/~{CE}"),
    ("video", lambda s: s.edit("U10", 3, "GND"), "select", 0x7E30, "/~{CSR}"),
    ("video", lambda s: swap(s, "U11", "1", "2"), None, None, None),  # A4 and A5 are both 1 there: no difference
    ("video", lambda s: s.edit("U12", 1, "GND"), "select", 0x7F38, "/~{CSR}"),
    ("keyboard", lambda s: swap(s, "U11", "1", "2"), "select", 0x7F10, "/~{STATUS}"),
    ("pads", lambda s: s.edit("U11", 13, "/N").edit("U11", 12, "/~{SEL16}"), "select", 0x7F22, "/~{PAD1}"),
    ("video", lambda s: s.edit("U1", 13, "A1"), "register select", 0x7F31, "A1"),
    ("rom", lambda s: swap(s, "U1", "7", "6"), "register select", 0x8008, "A4"),
    ("ram", lambda s: s.edit("U1", 10, "GND"), "register select", 0x0001, "GND"),
    ("keyboard", lambda s: swap(s, "U13", "2", "5"), "register select", 0x7F10, "/READY"),
    ("pads", lambda s: swap(s, "U13", "2", "3"), "register select", 0x7F21, "/~{PAD1}"),
    ("pads", lambda s: swap(s, "U13", "6", "7"), "register select", 0x7F22, "/PAD2_DATA"),
    ("ram", lambda s: swap(s, "U1", "13", "15"), "data line", 0x0000, "D3"),
    ("rom", lambda s: s.edit("U1", 11, "/D0"), "data line", 0x8000, "/D0"),  # a label of the sheet is another net
    ("rom", lambda s: s.edit("U1", 11, "/LOST"), "data line", 0x8000, "/LOST"),
    ("video", lambda s: swap(s, "U1", "24", "17"), "data line", 0x7F30, "D7"),
    ("ram", lambda s: s.edit("U5", 5, "+5V"), "write strobe", 0x0000, "/~{WR}"),
    ("ram", lambda s: s.edit("U1", 27, "+5V"), "write strobe", 0x0000, "+5V"),
    ("ram", lambda s: swap(s, "U1", "22", "27"), "read strobe", 0x0000, "/~{WR}"),
    ("rom", lambda s: s.edit("U1", 22, "GND"), "read strobe", 0x8000, "GND"),
    ("rom", lambda s: s.edit("U1", 22, "+5V"), "read strobe", 0x8000, "+5V"),
    ("video", lambda s: swap(s, "U1", "14", "15"), "read strobe", 0x7F30, "/~{CSW}"),
    ("video", lambda s: s.edit("U13", 4, "GND"), "write strobe", 0x0000, "/~{CSW}"),
    ("pads", lambda s: s.edit("U12", 10, "/~{WR}"), "read strobe", 0x7F22, "/~{PAD1}"),
    ("keyboard", lambda s: s.edit("U5", 1, "+5V"), "read strobe", 0x7F10, "/~{STATUS}"),
    ("keyboard", lambda s: s.edit("U5", 2, "+5V"), "read strobe", 0x7F10, "/~{STATUS}"),
    ("video", lambda s: s.edit("U1", 16, "~{NMI}"), "line", None, "~{NMI}"),
    ("video", lambda s: s.edit("U1", 16, "/LOST"), "line", None, "/LOST"),
    ("keyboard", lambda s: s.edit("U9", 2, "~{NMI}"), "line", None, "~{IRQ}"),
    ("keyboard", lambda s: s.edit("U9", 2, "/LOST"), "line", None, "~{IRQ}"),
    ("keyboard", lambda s: s.logic("U9", "74HC04", p1="/INT", p2="~{IRQ}"), "line", None, "~{IRQ}"),
    ("keyboard", lambda s: swap(s, "U6", "2", "3"), "input order", 0x7F10, "/READY"),
    ("keyboard", lambda s: swap(s, "U6", "4", "5"), "input order", 0x7F10, "/FAULT"),
    ("keyboard", lambda s: swap(s, "U7", "5", "6"), "input order", 0x7F11, "/K3"),
    ("keyboard", lambda s: swap(s, "U7", "18", "17"), "input order", 0x7F11, "/K0"),
    ("pads", lambda s: swap(s, "U17", "2", "3"), "input order", 0x7F22, "/P1A"),
]  # fmt: skip


@pytest.mark.parametrize("at", range(len(WRONG)))
def test_one_wrong_wire_is_found_and_named(at, compare):
    name, do, what, first, named = WRONG[at]
    slot, make = SLOTS[name]
    sheet = make()
    do(sheet)
    found = compare(slot, sheet)
    if what is None:
        assert found.differences == ()
        return
    kinds = [one for one in found.differences if one.what == what]
    assert kinds, [one.sentence() for one in found.differences]
    assert named in kinds[0].nets
    assert kinds[0].first == first
    assert kinds[0].there.startswith("card.net:")
    assert "machine.toml:" in kinds[0].here
    assert f"net {named!r}" in kinds[0].text
    # one wire is told once for each pin, and nothing that follows from it
    assert {one.what for one in found.differences} <= {what, "read strobe", "write strobe"}
    assert len(kinds) <= 2


def test_the_order_of_the_buttons_the_other_way_round(compare):
    """The builder's wish made the reversed order a story: the remedy is the setting."""
    sheet = cards.pads()
    for ref in ("U17", "U18"):
        nets = sheet.parts[ref][2]
        turned = [nets[str(9 - n)] for n in range(8)]
        nets.update({str(2 + n): net for n, net in enumerate(turned)})
    found = compare(4, sheet)
    assert [one.what for one in found.differences] == ["input order", "input order"]
    assert 'Write bit_order = "first-bit-low"' in found.differences[0].remedy
    assert found.differences[0].here.endswith("machine.toml:38")


def test_inverting_buffers_are_the_other_sense(compare):
    sheet = cards.pads()
    for ref in ("U17", "U18"):
        _, _, nets = sheet.parts[ref]
        sheet.parts[ref] = "74HC540", "74HC540", nets
    assert ['sense = "inverted"' in one.remedy for one in compare(4, sheet).differences] == [True, True]


def variant(folder, text):
    (folder / "machine.toml").write_text(f'base = "{HERE.as_posix()}/machine.toml"\n{text}', encoding="utf-8")
    return Machine.load(folder)


def test_wires_that_the_schematic_does_not_have(tmp_path, compare):
    machine = variant(tmp_path, '[[card]]\nslot = 1\nwires = { A0 = "A1", A1 = "A0", D6 = "D7", D7 = "D6" }\n')
    found = compare(1, cards.ram(), machine)
    kinds = {one.what for one in found.differences}
    assert kinds == {"register select", "data line"}
    assert all(one.here.endswith("machine.toml:4") for one in found.differences)
    sheet = cards.ram()
    swap(sheet, "U1", "9", "10")
    swap(sheet, "U1", "18", "19")
    assert compare(1, sheet, machine).differences == ()


@pytest.mark.parametrize(
    ("slot", "name", "text", "what"),
    [
        (1, "ram", 'select = "00xx xxxx xxxx xxxx"', "select"),
        (3, "keyboard", "lines = {}", "line"),
        (3, "keyboard", "[card.settings]\nready_bit = 1\noverflow_bit = 0", "input order"),
        (4, "pads", "[card.settings]\nport_1 = 3\nport_2 = 2", "register select"),
        (4, "pads", "[card.settings]\nport_1 = 1", "register select"),
        (4, "pads", '[card.settings]\nbit_order = "first-bit-low"', "input order"),
        (5, "video", 'lines = { INT = "NMI" }', "line"),
        (5, "video", 'write_enable = "not RW"', "write strobe"),
    ],
)
def test_what_moved_in_the_machine_file_is_found(slot, name, text, what, tmp_path, compare):
    machine = variant(tmp_path, f"[[card]]\nslot = {slot}\n{text}\n")
    found = compare(slot, SLOTS[name][1](), machine)
    if text.startswith("write_enable"):  # taken while PHI2 is low, too, in the machine file alone: no harm on the board
        assert found.differences == ()
        return
    assert {one.what for one in found.differences} == {what}
    assert str(tmp_path) in found.differences[0].here or "marlpit" in found.differences[0].here


@settings(max_examples=examples(20), deadline=None)
@given(st.integers(0, 2**32), st.sampled_from(sorted(SLOTS)))
def test_what_changes_nothing_raises_nothing(marlpit, seed, name):
    """Other references, another order, parts that are not known, gates of a package exchanged, version D."""
    rng = seeded(seed)
    slot, make = SLOTS[name]
    sheet = make()
    _exchange_gates(sheet, rng)
    sheet.part("U77", "LM555", "LM555", {"3": "/BLINK", "1": "GND"}, {"3": "Q"})
    sheet.part("C1", "100n", "C", {"1": "+5V", "2": "GND"}, {})
    sheet = renamed(sheet, rng)
    text = sheet.text(version=rng.choice("DE"), rng=rng)
    found = check_netlist(marlpit, slot, read_netlist(text, "card.net"))
    assert [one.sentence() for one in found.differences] == []


def _exchange_gates(sheet, rng):
    rows = [("1", "2", "3"), ("4", "5", "6"), ("9", "10", "8"), ("12", "13", "11")]
    for value, _, nets in sheet.parts.values():
        if value in ("74HC32", "74HC00"):
            order = rng.sample(rows, 4)
            old_nets = dict(nets)
            for row in rows:
                for pin in row:
                    nets.pop(pin, None)
            for row, to in zip(rows, order, strict=True):
                inputs = list(zip(row[:2], rng.sample(to[:2], 2), strict=True))
                for old, new in (*inputs, (row[2], to[2])):
                    if old in old_nets:
                        nets[new] = old_nets[old]


def test_a_slot_and_a_card_that_are_not_there(marlpit):
    netlist = load_netlist(HERE / "keyboard.net")
    with pytest.raises(SimkitError, match="There is no card in slot 9"):
        check_netlist(marlpit, 9, netlist)
    with pytest.raises(SimkitError, match=r"No part on the schematic is the chip of slot 5"):
        check_netlist(marlpit, 5, netlist)
    with pytest.raises(SimkitError, match="Nothing on the schematic puts a byte"):
        check_netlist(marlpit, 4, read_netlist(cards.card().logic("U2", "74HC04", p1="A0").text(), "empty.net"))
    sheet = cards.Sheet().logic("U2", "74HC04", p1="/X", p2="/Y")
    with pytest.raises(SimkitError, match="No net of the netlist is called as a line of the bus is"):
        check_netlist(marlpit, 4, read_netlist(sheet.text(), "empty.net"))


def inverted(sheet, net):
    return sheet.edit("U2", 1, net).edit("U2", 2, "/INVERTED")


@pytest.mark.parametrize(
    ("do", "told"),
    [
        (lambda s: s.edit("U14", 13, "/PADCLK").edit("U14", 14, "/N1"), "divide = 4"),
        (lambda s: inverted(s, "/CARRY").edit("U15", 12, "/INVERTED"), "carry-fall"),
        (lambda s: s.edit("U16", 12, "/PADCLK"), 'store = "shift-clock"'),
        (lambda s: inverted(s, "/PADCLK").edit("U15", 11, "/INVERTED"), "shift_edge"),
    ],
)  # fmt: skip
def test_clocks_of_the_collectors_are_compared(do, told, compare):
    found = compare(4, do(cards.pads()))
    assert {one.what for one in found.differences} == {"input order"}
    assert all(told in one.text for one in found.differences)


def test_a_programmed_device_decodes_as_its_fuse_map_says():
    """RAM and ROM behind the 16V8 whose fuse map the machine with decoders as wired names."""
    machine = Machine.load("demo/decoders")
    lines = [*(f"A{n}" for n in range(15, 7, -1)), "RWB"]
    nets = {str(pin): line for pin, line in enumerate(lines, start=1)}
    nets |= {"11": "PHI2", "19": "/~{RAM}", "18": "/~{ROM}", "17": "/~{RD}", "16": "/~{WR}", "10": "GND", "20": "+5V"}
    pins = {"~{CS}": "/~{RAM}", "~{OE}": "/~{RD}", "~{WE}": "/~{WR}"}

    def sheet():
        made = cards.card().part("U1", "GAL16V8D-15LP", "GAL16V8", nets, {})
        return made.chip("U2", "62256", cards.MEMORY, cards.memory_nets(**pins))

    found = check_netlist(machine, 1, read_netlist(sheet().text(), "card.net"))
    assert (found.differences, found.compared["select"]) == ((), 1)
    found = check_netlist(machine, 1, read_netlist(sheet().edit("U1", 5, "GND").text(), "card.net"))
    assert [one.what for one in found.differences] == ["select"]
    strange = sheet()
    strange.parts["U1"] = "ATF22V10C", "ATF22V10C", nets
    found = check_netlist(machine, 1, read_netlist(strange.text(), "card.net"))
    assert "U1 (ATF22V10C) is a programmable device whose fuse map is not in the machine file" in " ".join(found.notes)


def test_what_is_wrong_whatever_the_card_does_is_told(compare):
    sheet = cards.rom().logic("U8", "74HC00", p1="A3", p2="A4", p3="/X", p4="A5", p5="A6", p6="/X")
    sheet.logic("U9", "74HC04", p1="/Y", p2="/Y")
    found = compare(2, sheet)
    assert found.differences == ()
    assert "Outputs drive net '/X' (U8.3, U8.6) against each other." in found.notes
    assert "The level of net '/Y' (U9.1, U9.2) goes in a circle: it never rests, or keeps what it was." in found.notes


def test_lines_that_no_net_is_called_after_are_told_where_something_differs(compare):
    sheet = cards.rom()
    for _, _, nets in sheet.parts.values():
        nets.update({pin: "/HIGHEST" for pin, net in nets.items() if net == "A15"})
    found = compare(2, sheet)
    assert [one.what for one in found.differences] == ["select"]
    assert "No net is called as these lines of the bus are: A15." in found.notes


@pytest.mark.parametrize(
    ("names", "told"),
    [
        (("/JOY1_D0", "/JOY2_D0"), False),
        (("/DATA_1", "/DATA_2"), False),
        (("Net-(J2-Pin_4)", "Net-(J3-Pin_4)"), True),
        (("/LEFT", "/RIGHT"), True),
    ],
)
def test_pads_are_known_by_the_number_in_their_nets(names, told, compare):
    sheet = cards.pads()
    for number, name in enumerate(names, start=1):
        for _, _, nets in sheet.parts.values():
            nets.update({pin: name for pin, net in nets.items() if net == f"/PAD{number}_DATA"})
    found = compare(4, sheet)
    assert found.differences == ()
    assert any("called after neither pad 1 nor 2" in note for note in found.notes) == told
    swap(sheet, "U13", "6", "7")
    assert bool(compare(4, sheet).differences) != told


def test_nets_that_nobody_named_go_by_the_pins_at_them(compare):
    """The controller's port pins lie on its package the other way round."""
    sheet = cards.keyboard()
    for n in range(8):
        for _, _, nets in sheet.parts.values():
            nets.update({pin: f"Net-(U8-Pad{28 - n})" for pin, net in nets.items() if net == f"/K{n}"})
    found = compare(3, sheet)
    assert (found.differences, found.compared["input order"]) == ((), 11)
    swap(sheet, "U7", "2", "3")
    assert [one.what for one in compare(3, sheet).differences] == ["input order"]


def test_an_input_that_is_not_joined_is_told(compare):
    sheet = cards.pads().edit("U17", 4, "GND")
    (told,) = compare(4, sheet).differences
    assert (told.what, told.first) == ("input order", 0x7F22)
    assert "Line D2 shows no input" in told.text
    sheet = cards.keyboard()
    for pin in range(2, 10):
        sheet.edit("U7", pin, "GND")
    assert len(compare(3, sheet).differences) == 8


def test_inputs_that_gates_join_are_not_taken_for_one(compare):
    """Number 1 and number 2 joined would be number 3, or none."""
    for gate in ("74HC08", "74HC32", "74HC00"):
        sheet = cards.keyboard().logic("U20", gate, p1="/K1", p2="/K2", p3="/BOTH").edit("U7", 5, "/BOTH")
        found = compare(3, sheet)
        assert found.differences == ()
        assert "Line D3 shows several inputs of data joined by gates: it was not compared." in found.notes
