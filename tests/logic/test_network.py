"""Networks of parts against an evaluator that takes one address after the other."""

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simkit.backplane.select import address_bit
from simkit.contract.errors import SimkitError
from simkit.logic.drive import Drive
from simkit.logic.network import Network, Part, Step
from simkit.logic.parts import TYPES
from simkit.logic.parttype import Direction, Output, PartType, Pin
from tests.examples import examples
from tests.logic.test_parts import HERE, OPEN_COLLECTOR, by_hand

PUSH_PULL = sorted(name for name in HERE if name.removeprefix("74") not in OPEN_COLLECTOR)
CASES = 64
ONES = (1 << CASES) - 1


def random_network(rng, parts):
    """Parts one after another; each hears lines from outside and outputs of those before it, in any order."""
    nets, found = [f"A{n}" for n in range(8)], {}
    for number in range(parts):
        kind = TYPES[rng.choice(PUSH_PULL)]
        joined = {pin: rng.choice(nets) for pin in {at for output in kind.outputs.values() for at in output.of}}
        made = {pin: f"N{number}.{pin}" for pin in kind.outputs}
        found[f"U{number}"] = Part(kind, joined | made)
        nets += made.values()
    order = list(found)
    rng.shuffle(order)
    return {ref: found[ref] for ref in order}


@settings(max_examples=examples(80), deadline=None)
@given(st.integers(0, 2**32), st.integers(1, 9))
def test_any_network_without_circles(seed, parts):
    rng = random.Random(seed)
    made = random_network(rng, parts)
    inputs = {f"A{n}": rng.getrandbits(CASES) for n in range(8)}
    found = Network(made).levels(inputs, ones=ONES)
    assert (found.conflicts, found.restless, found.open) == ({}, {}, ())
    for case in range(CASES):
        levels = {net: table >> case & 1 for net, table in inputs.items()}
        while len(levels) < len(found.levels):
            for part in made.values():
                for pin, (of, function) in by_hand(part.type.name.removeprefix("74")).items():
                    if all(part.nets[at] in levels for at in of):
                        levels[part.nets[pin]] = int(bool(function(*(levels[part.nets[at]] for at in of))))
        assert {net: table >> case & 1 for net, table in found.levels.items()} == levels


def gates(kind, *rows, **more):
    """A network of gates of a type, each by its nets: inputs, then the output."""
    of = next(iter(TYPES[kind].outputs.values())).of
    out = next(iter(TYPES[kind].outputs))
    parts = {f"U{n}": Part(TYPES[kind], dict(zip((*of, out), row, strict=True))) for n, row in enumerate(rows, start=1)}
    return Network(parts, **more)


def test_outputs_that_only_pull_low_are_joined():
    """A wired AND: the net is high where nobody pulls it, by its resistor; without one it is open there."""
    inputs = {"A": 0b1100, "B": 0b1010}
    network = gates("7405", ("A", "IRQ"), ("B", "IRQ"), pulls={"IRQ": True})
    assert network.levels(inputs, ones=0b1111).levels["IRQ"] == 0b0001
    listening = {**network.parts, "U3": Part(TYPES["7404"], {1: "IRQ", 2: "Y"})}
    assert Network(listening, {"IRQ": True}).levels(inputs, ones=0b1111).open == ()
    found = Network(listening).levels(inputs, ones=0b1111)
    assert (found.open, found.driven["IRQ"], found.levels["Y"]) == (("IRQ",), 0b1110, 0b1110)
    assert Network(listening, {"IRQ": False}).levels(inputs, ones=0b1111).levels["IRQ"] == 0


def test_inputs_without_a_net_are_told_and_read_high():
    found = gates("7400", ("A", "A", "Y")).levels({"A": 0b10}, ones=0b11)
    assert found.open == ()
    part = Part(TYPES["7400"], {1: "A", 3: "Y"})
    found = Network({"U7": part}).levels({"A": 0b10}, ones=0b11)
    assert (found.open, found.levels["Y"]) == (("U7.2",), 0b01)


def test_two_outputs_that_fight_are_told_where_they_do():
    network = gates("7404", ("A", "Y"), ("B", "Y"))
    found = network.levels({"A": 0b1100, "B": 0b1010}, ones=0b1111)
    assert (found.conflicts, found.levels["Y"]) == ({"Y": 0b0110}, 0b0001)
    found = gates("7404", ("A", "B")).levels({"A": 0b01, "B": 0b11}, ones=0b11)
    assert found.conflicts == {"B": 0b01}


def test_a_ring_of_inverters_never_comes_to_rest():
    three = gates("7400", ("A", "X", "Y"), ("Y", "Y", "Z"), ("Z", "Z", "X"))
    found = three.levels({"A": 0b10}, ones=0b11)
    assert set(found.restless) == {"X", "Y", "Z"}
    assert set(found.restless.values()) == {0b10}
    assert found.levels["Y"] & 1 == 1


def test_a_latch_of_gates_has_no_level_where_it_only_holds():
    latch = gates("7400", ("S", "NQ", "Q"), ("R", "Q", "NQ"))
    found = latch.levels({"S": 0b1010, "R": 0b1100}, ones=0b1111)
    assert found.restless == {"Q": 0b1000, "NQ": 0b1000}
    assert (found.levels["Q"] & 7, found.levels["NQ"] & 7) == (0b101, 0b011)


def test_a_flip_flop_has_the_level_that_is_given_for_it():
    kept = PartType(
        name="a flip-flop",
        pins={1: Pin(1, "D", Direction.INPUT), 2: Pin(2, "Q", Direction.OUTPUT)},
        ground=3,
        supply=4,
        outputs={2: Output((), lambda levels, state, ones: Drive(ones, state[2]))},
        state=(2,),
    )
    network = Network({"U1": Part(kept, {1: "A", 2: "B"}), "U2": Part(TYPES["7404"], {1: "B", 2: "Y"})})
    assert network.state == ("U1.2",)
    assert network.levels({"A": 0}, {"U1.2": 0b01}, ones=0b11).levels["Y"] == 0b10
    with pytest.raises(SimkitError, match=r"The level of U1\.2 is not given"):
        network.levels({"A": 0})


def test_ways_through_a_network():
    network = Network(
        {
            "U1": Part(TYPES["7404"], {1: "A", 2: "B"}),
            "U2": Part(TYPES["7400"], {1: "A", 2: "B", 3: "Y", 4: "Y", 5: "C", 6: "Z"}),
        }
    )
    assert set(network.paths("A", "Y")) == {(Step("U2", 1, 3),), (Step("U1", 1, 2), Step("U2", 2, 3))}
    assert {len(way) for way in network.paths("A", "Z")} == {2, 3}
    assert list(network.paths("Z", "A")) == []
    assert network.reached_from("Y") == {"Y", "A", "B"}
    assert network.nets() == {"A", "B", "C", "Y", "Z"}


def test_a_deep_network_over_all_addresses():
    """Thirty XOR gates one behind another: the parity of two times fifteen lines, so 0 everywhere."""
    rows = [(f"A{n % 15}", f"N{n - 1}" if n else "GND", f"N{n}") for n in range(30)]
    found = gates("7486", *rows).levels({f"A{n}": address_bit(n) for n in range(16)} | {"GND": 0})
    assert found.levels["N29"] == 0
    assert found.restless == {}
