"""What a schematic makes of a machine file's lines, written in: the comparison then agrees."""

import pytest

from simkit import Machine
from simkit.address_map.standing import standing
from simkit.schematic.check import check_netlist
from simkit.schematic.netlist import read_netlist
from simkit.schematic.propose import propose
from tests.schematic import marlpit as cards
from tests.schematic.marlpit import CARDS, HERE


def rewired(name):
    """A sheet of the card with much of it wired otherwise."""
    sheet = CARDS[{"ram": 1, "rom": 2, "keyboard": 3, "pads": 4, "video": 5}[name]][1]()

    def swap(ref, one, other):
        nets = sheet.parts[ref][2]
        nets[str(one)], nets[str(other)] = nets[str(other)], nets[str(one)]

    if name == "ram":
        sheet.edit("U4", 1, "A14")
        swap("U1", 9, 10)
        swap("U1", 11, 19)
    elif name == "rom":
        swap("U1", 7, 6)
        swap("U1", 18, 19)
    elif name == "keyboard":
        sheet.edit("U11", 14, "/N").edit("U11", 9, "/~{SEL16}")  # $7F60
        swap("U6", 2, 4)
        sheet.edit("U9", 2, "~{NMI}")
    elif name == "pads":
        swap("U13", 6, 7)
        for ref in ("U17", "U18"):
            nets = sheet.parts[ref][2]
            nets.update({str(2 + n): net for n, net in enumerate([nets[str(9 - n)] for n in range(8)])})
    else:
        sheet.edit("U1", 13, "A4").edit("U1", 16, "~{NMI}")
        swap("U1", 24, 23)
    return sheet


@pytest.mark.parametrize("name", ["ram", "rom", "keyboard", "pads", "video"])
def test_what_is_proposed_agrees_when_it_is_written_in(name, marlpit, tmp_path):
    slot = {"ram": 1, "rom": 2, "keyboard": 3, "pads": 4, "video": 5}[name]
    netlist = read_netlist(rewired(name).text(), "card.net")
    assert check_netlist(marlpit, slot, netlist).differences
    lines = propose(marlpit, slot, netlist)
    text = "\n".join(lines)
    if name == "ram":
        text += "\nnot_select = []"
    head = f'base = "{HERE.as_posix()}/machine.toml"\n[backplane]\noverlaps = "run"\n'
    (tmp_path / "machine.toml").write_text(f"{head}{text}\n", encoding="utf-8")
    machine = Machine.load(tmp_path)
    assert [one.sentence() for one in check_netlist(machine, slot, netlist).differences] == []


def test_a_right_card_is_proposed_as_it_is(marlpit):
    for slot, (_, make) in CARDS.items():
        lines = propose(marlpit, slot, read_netlist(make().text(), "card.net"))
        text = (HERE / "machine.toml").read_text(encoding="utf-8")
        for line in lines[2:]:
            assert line in text or line.startswith(("ready_bit = 0", "overflow_bit = 1", "fault_bit = 2"))


def test_the_command(simkit, tmp_path):
    right, wrong = tmp_path / "right.net", tmp_path / "wrong.net"
    right.write_text(cards.keyboard().text(), encoding="utf-8")
    wrong.write_text(cards.keyboard().edit("U9", 2, "~{NMI}").text(), encoding="utf-8")
    code, out, _ = simkit("map", "demo:marlpit", "--netlist", right, "--slot", "3")
    assert (code, "the schematic of slot 3 agrees" in out, "U8 (MCU)" in out) == (0, True, True)
    code, out, _ = simkit("map", "demo:marlpit", "--netlist", wrong, "--slot", "3", "--json")
    assert code == 1
    assert '"what": "line"' in out
    code, out, _ = simkit("map", "demo:marlpit", "--netlist", wrong, "--slot", "3", "--propose")
    assert (code, 'lines = { INT = "NMI" }' in out) == (0, True)
    for arguments, message in (
        (("--slot", "3"), "said of a netlist"),
        (("--netlist", right), "Which card the netlist is of"),
        (("--netlist", right, "--slot", "7"), "no card in slot 7"),
        (("--netlist", tmp_path / "none.net", "--slot", "3"), "no file"),
    ):
        code, _, told = simkit("map", "demo:marlpit", *arguments)
        assert (code, message in told) == (2, True)


def test_a_schematic_that_a_card_names_is_compared_always(tmp_path, simkit):
    (tmp_path / "keys.net").write_text(cards.keyboard().edit("U9", 2, "~{NMI}").text(), encoding="utf-8")
    machine = tmp_path / "machine.toml"
    base = f'base = "{HERE.as_posix()}/machine.toml"\n[[card]]\nslot = 3\n'
    machine.write_text(f'{base}schematic = "keys.net"\n', encoding="utf-8")
    (told,) = [one for one in standing(Machine.load(tmp_path)).lines() if "keys.net" in one]
    assert "Nothing on the schematic pulls IRQ" in told
    assert "machine.toml:27" in told
    assert simkit("map", machine)[0] == 1
    (tmp_path / "keys.net").write_text(cards.keyboard().text(), encoding="utf-8")
    assert (
        f"{tmp_path / 'keys.net'}: 16 points of the schematic of slot 3 agree."
        in standing(Machine.load(tmp_path)).lines()
    )
    for text, message in (("(export", "is not closed"), (None, "There is no file")):
        (tmp_path / "keys.net").write_text(text or "")
        if text is None:
            (tmp_path / "keys.net").unlink()
        found = standing(Machine.load(tmp_path))
        assert message in " ".join(found.lines())
        assert found.differs
