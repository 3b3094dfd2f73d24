"""Schematics spoiled in a few places: they are compared, or refused with one message."""

from hypothesis import given, settings
from hypothesis import strategies as st

from simkit.contract.errors import SimkitError
from simkit.schematic.check import check_netlist
from simkit.schematic.netlist import read_netlist
from simkit.schematic.propose import propose
from tests.examples import examples
from tests.schematic.marlpit import CARDS
from tests.schematic.written import seeded

VALUES = ("74HC245", "74HC00", "62256", "", "74HC273", "6522", "74HC595", "R", "74HC688", "TMS9918A")
PINS = ("99", "A1", "0", "-1", "1.5", "²", "100000000000", "~")


def spoil(sheet, rng):
    """Wires to other nets, parts that are missing or others, pins that no package has, resistors anywhere."""
    ref = rng.choice(list(sheet.parts))
    value, symbol, nets = sheet.parts[ref]
    anywhere = [net for _, _, others in sheet.parts.values() for net in others.values()]
    what = rng.randrange(6)
    if what == 0 and nets:
        nets[rng.choice(list(nets))] = rng.choice(anywhere)
    elif what == 1 and nets:
        nets.pop(rng.choice(list(nets)))
    elif what == 2:
        sheet.parts[ref] = rng.choice(VALUES), symbol, nets
    elif what == 3 and len(sheet.parts) > 2:
        sheet.parts.pop(ref)
    elif what == 4:
        nets[rng.choice(PINS)] = rng.choice(anywhere)
    else:
        ends = {"1": rng.choice(anywhere), "2": rng.choice(anywhere)}
        sheet.part(f"R{rng.randint(1, 99)}", rng.choice(("0", "10k", "33", "4k7", "x", value)), "R", ends, {})


@settings(max_examples=examples(60), deadline=None)
@given(st.integers(0, 2**32))
def test_a_spoiled_schematic_is_compared_or_refused(marlpit, seed):
    rng = seeded(seed)
    slot = rng.choice(list(CARDS))
    sheet = CARDS[slot][1]()
    for _ in range(rng.randint(1, 6)):
        spoil(sheet, rng)
    netlist = read_netlist(sheet.text(rng.choice("DE"), rng), "card.net")
    for do in (check_netlist, propose):
        refused = None
        try:
            do(marlpit, slot, netlist)
        except SimkitError as error:
            refused = error
        assert refused is None or refused.remedy
