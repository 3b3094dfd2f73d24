"""Decoders as they are wired: which parts a signal passes on its way to a select, and by which figure."""

import pytest

from simkit import Machine
from simkit.budget.whole import budget
from simkit.contract.errors import SimkitError
from simkit.logic.network import Network
from simkit.logic.network import Part as Seated
from simkit.machinefile.figures import known_parts
from simkit.machinefile.read import read_description
from simkit.timing.limits import RULE
from simkit.timing.ways import Ways

HEAD = 'name = "Shed"\nclock = "{}"\n'
WIRED = """
[[card]]
slot = 1
kind = "{kind}"
{more}
[card.decode]
{decode}
"""
PAGE = """
select = "U2.Y3"
[card.decode.U1]
part = "CD74HC688"
pins = { P = "A15..A8", Q = "0111 1111", G = "low" }
[card.decode.U2]
part = "CD74HC138"
pins = { C = "A7", B = "A6", A = "A5", G1 = "high", G2A = "U1.P=Q", G2B = "low" }
"""
LATE = """
select = "U1.Y3"
output_enable = "U2.1Y low"
write_enable = "U2.2Y low"
[card.decode.U1]
part = "74AC138"
pins = { C = "A15", B = "A14", A = "A13", G1 = "PHI2", G2A = "low", G2B = "low" }
[card.decode.U2]
part = "74HC00"
pins = { 1A = "RW", 1B = "PHI2", 2A = "U2.3Y", 2B = "PHI2", 3A = "RW", 3B = "RW" }
"""


@pytest.fixture
def machine(tmp_path):
    def path(decode, clock="1 MHz", kind="sram", more=""):
        text = HEAD.format(clock) + WIRED.format(kind=kind, more=more, decode=decode)
        (tmp_path / "machine.toml").write_text(text)
        return tmp_path

    return path


def ways(folder):
    card = read_description(folder).cards[0]
    return Ways.of(card.timing, card.decode, known_parts())


def said(found):
    return {tuple((step.text, step.figure) for step in way) for way in found}


def test_a_select_is_reached_by_every_input_that_an_address_line_comes_to(machine):
    assert said(ways(machine(PAGE)).select) == {
        (("CD74HC688", "compare"), ("CD74HC138", "enable")),
        (("CD74HC138", "select"),),
    }


def test_phi2_and_strobes_have_ways_of_their_own(machine):
    found = ways(machine(LATE))
    assert said(found.late) == {(("74AC138", "enable"),)}
    assert said(found.read) == {(("74HC00", "input"),)}
    assert said(found.write) == {(("74HC00", "input"),)}
    assert said(found.select) == {(("74AC138", "select"),)}


def test_the_slowest_way_counts_with_the_figures_of_its_inputs(machine):
    """CD74HC688 42 (TI SCHS196E) and CD74HC138 38 (TI SCHS147J); a 62256-55. 42 + 38 + 55 + CPU. Arithmetic."""
    folder = machine(PAGE, more='part = "62256-55"\n')
    (folder / "machine.toml").write_text(
        'cpu = { part = "W65C02S", grade = "14 MHz" }\n' + (folder / "machine.toml").read_text()
    )
    (card,) = budget(Machine.load(folder, clock="4 MHz"), "worst").cards
    selects = [path for path in card.rows[0].paths if path.key == "select"]
    assert max(path.takes for path in selects) == pytest.approx(30 + 42 + 38 + 55 + 10)
    assert "decode" not in card.open


def test_a_decoder_that_is_wired_is_named_and_held_to_the_clock(machine):
    def rules(clock):
        return [one.rule for one in Machine.load(machine(PAGE, clock)).findings]

    assert RULE not in rules("4 MHz")
    assert RULE in rules("14 MHz")  # 80 ns of 71


def test_a_select_behind_phi2_has_only_the_high_half_for_the_decoder(machine):
    (card,) = budget(Machine.load(machine(LATE, more='part = "62256-55"\n')), "worst").cards
    late = [path for path in card.rows[0].paths if path.key == "select-with-phi2"]
    assert [(path.periods, path.terms[0].part, path.terms[0].most) for path in late] == [(0.5, "74AC138", 11)]


def test_a_part_without_figures_is_told_and_counts_as_nothing(machine):
    (card,) = budget(Machine.load(machine(PAGE.replace("CD74HC688", "74ALS688"))), "worst").cards
    unknown = {one for row in card.rows for path in row.paths for one in path.unknown}
    assert unknown == {"74ALS688"}


def test_the_decoders_of_the_demo_machine_are_quick_enough_and_all_named():
    loaded = Machine.load("demo:decoders")
    found = budget(loaded, "worst")
    assert RULE not in [one.rule for one in loaded.findings]
    slowest = max(path.takes for path in found.card(3).rows[0].paths if path.key == "select")
    cpu = sum(found.taken.parts[0].figure(name, "worst").number for name in ("address_valid", "read_setup"))
    assert slowest - cpu == pytest.approx(53 + 39 + 39)  # SN74HC688 and two SN74HC138, the slowest of the names


def test_a_decoder_is_said_once(machine):
    with pytest.raises(SimkitError, match="as it is wired"):
        read_description(machine(PAGE, more='timing = { decode = ["74HC00"] }\n'))


def test_every_way_from_every_address_line_is_there():
    """Against all paths of the network, line by line; the kit looks at lines that come to the same inputs once."""
    for card in read_description("demo:decoders").cards:
        decode = card.decode
        network = Network({part.ref: Seated(part.type, part.nets) for part in decode.parts})
        wanted = decode.wanted["select"]
        net = decode.part(wanted.ref).nets[wanted.pin]
        steps = {
            tuple(decode.part(step.part).part for step in way)
            for line in range(16)
            for way in network.paths(f"A{line}", net)
        }
        found = Ways.of(card.timing, decode, known_parts()).select
        assert {tuple(step.text for step in way) for way in found} == steps
