"""Buffers, latches, flip-flops, counters and shift registers against the function tables of their data sheets.

Texas Instruments, function tables of the SN74HC types (from memory). Pins: the 74xx symbol library of Debian's package
kicad-symbols 6.0.10-1.
"""

from itertools import product

import pytest

from simkit.contract.errors import SimkitError
from simkit.logic.network import Network, Part
from simkit.logic.parts import TYPES, part_type
from tests.logic.test_parts import HERE

Z = None
"""Not driven."""

ACROSS = dict(zip(range(19, 11, -1), range(2, 10), strict=True))
AROUND = {2: 3, 5: 4, 6: 7, 9: 8, 12: 13, 15: 14, 16: 17, 19: 18}
"""D by Q."""
HALVES = {18: (1, 2), 16: (1, 4), 14: (1, 6), 12: (1, 8), 9: (19, 11), 7: (19, 13), 5: (19, 15), 3: (19, 17)}
ACROSS_FROM = {20 - pin: pin for pin in range(2, 10)}
FOUR = {3: (1, 2), 6: (4, 5), 8: (10, 9), 11: (13, 12)}


def flip_flop(clear, preset, q):
    """Both low: Q and /Q are high."""
    return {(0, 0): (1, 1), (0, 1): (0, 1), (1, 0): (1, 0), (1, 1): (q, 1 - q)}[clear, preset]


BY_HAND = {
    # by output: input pins, state pins, what it is at their levels in this order
    "74125": {y: (of, (), lambda oe, a: Z if oe else a) for y, of in FOUR.items()},
    "74126": {y: (of, (), lambda oe, a: a if oe else Z) for y, of in FOUR.items()},
    "74240": {y: (of, (), lambda g, a: Z if g else 1 - a) for y, of in HALVES.items()},
    "74244": {y: (of, (), lambda g, a: Z if g else a) for y, of in HALVES.items()},
    "74540": {y: ((1, 19, a), (), lambda g1, g2, a: Z if g1 or g2 else 1 - a) for y, a in ACROSS_FROM.items()},
    "74541": {y: ((1, 19, a), (), lambda g1, g2, a: Z if g1 or g2 else a) for y, a in ACROSS_FROM.items()},
    "74245": {
        **{b: ((1, 19, a), (), lambda up, oe, a: Z if oe or not up else a) for b, a in ACROSS_FROM.items()},
        **{a: ((1, 19, b), (), lambda up, oe, b: Z if oe or up else b) for b, a in ACROSS_FROM.items()},
    },
    "74373": {q: ((1, 11, d), (q,), lambda oe, le, d, q: Z if oe else d if le else q) for q, d in AROUND.items()},
    "74573": {q: ((1, 11, d), (q,), lambda oe, le, d, q: Z if oe else d if le else q) for q, d in ACROSS.items()},
    "74374": {q: ((1,), (q,), lambda oe, q: Z if oe else q) for q in AROUND},
    "74574": {q: ((1,), (q,), lambda oe, q: Z if oe else q) for q in ACROSS},
    "74273": {q: ((1,), (q,), lambda clear, q: q if clear else 0) for q in AROUND},
    "74377": {q: ((), (q,), lambda q: q) for q in AROUND},
    "7474": {
        5: ((1, 4), (5,), lambda *x: flip_flop(*x)[0]),
        6: ((1, 4), (5,), lambda *x: flip_flop(*x)[1]),
        9: ((13, 10), (9,), lambda *x: flip_flop(*x)[0]),
        8: ((13, 10), (9,), lambda *x: flip_flop(*x)[1]),
    },
    "74161": {
        **{q: ((1,), (q,), lambda clear, q: q if clear else 0) for q in (14, 13, 12, 11)},
        15: ((1, 10), (14, 13, 12, 11), lambda *x: int(all(x))),
    },
    "74163": {
        **{q: ((), (q,), lambda q: q) for q in (14, 13, 12, 11)},
        15: ((10,), (14, 13, 12, 11), lambda *x: int(all(x))),
    },
    "74165": {
        9: ((1, 6), (9,), lambda load, h, q: q if load else h),
        7: ((1, 6), (9,), lambda load, h, q: 1 - (q if load else h)),
    },
    "74595": {
        **{q: ((13,), (q,), lambda oe, q: Z if oe else q) for q in (15, 1, 2, 3, 4, 5, 6, 7)},
        9: ((10,), (9,), lambda clear, q: q if clear else 0),
    },
}


def test_every_part_has_a_table():
    assert BY_HAND.keys() | HERE == TYPES.keys()
    assert not BY_HAND.keys() & HERE


@pytest.mark.parametrize("name", BY_HAND)
def test_a_part_does_what_its_function_table_says(name):
    kind, table = TYPES[name], BY_HAND[name]
    assert table.keys() == kind.outputs.keys()
    assert set(kind.state) == {pin for _, state, _ in table.values() for pin in state}
    for output, (of, states, function) in table.items():
        assert sorted(of) == sorted(kind.outputs[output].of)
        cases = list(product((0, 1), repeat=len(of) + len(states)))
        tables = [sum(case[n] << at for at, case in enumerate(cases)) for n in range(len(of) + len(states))]
        levels = dict(zip(of, tables, strict=False))
        state = dict.fromkeys(kind.state, 0) | dict(zip(states, tables[len(of) :], strict=True))
        drive = kind.outputs[output].drive(levels, state, (1 << len(cases)) - 1)
        found = [drive.level >> at & 1 if drive.driven >> at & 1 else Z for at in range(len(cases))]
        assert found == [function(*case) for case in cases]
        assert not drive.level & ~drive.driven


def test_a_transceiver_drives_the_side_that_dir_says():
    nets = {1: "DIR", 19: "OE", 2: "A", 18: "B"}
    network = Network({"U1": Part(part_type("SN74HCT245N"), nets)})
    found = network.levels({"DIR": 0b11, "OE": 0b01, "A": 0b00}, ones=0b11)
    assert (found.driven["B"], found.levels["B"], found.conflicts) == (0b10, 0b01, {})
    found = network.levels({"DIR": 0b00, "OE": 0b01, "B": 0b00}, ones=0b11)
    assert (found.driven["A"], found.levels["A"], found.conflicts) == (0b10, 0b01, {})


def test_a_transceiver_towards_a_driven_side_fights_it():
    nets = {1: "DIR", 19: "OE", 2: "A", 18: "B"}
    network = Network({"U1": Part(part_type("74HC245"), nets)})
    found = network.levels({"DIR": 0b1, "OE": 0b0, "A": 0b1, "B": 0b0}, ones=0b1)
    assert found.conflicts == {"B": 0b1}


def test_what_a_register_holds_must_be_said():
    network = Network({"U1": Part(TYPES["74574"], {1: "GND", 11: "CK", 2: "D0", 19: "Q0"})})
    assert "U1.19" in network.state
    with pytest.raises(SimkitError, match=r"The level of U1\.19"):
        network.levels({"GND": 0})
    states = dict.fromkeys(network.state, 0) | {"U1.19": 1}
    assert network.levels({"GND": 0, "CK": 0, "D0": 0}, states, ones=1).levels["Q0"] == 1


def test_a_wired_transceiver_is_passed_both_ways():
    nets = {1: "DIR", 19: "OE", 2: "A", 18: "B"}
    network = Network({"U1": Part(part_type("74HC245"), nets)})
    assert [step.output_pin for (step,) in network.paths("A", "B")] == [18]
    assert [step.output_pin for (step,) in network.paths("B", "A")] == [2]
