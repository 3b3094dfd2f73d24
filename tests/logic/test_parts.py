"""Logic parts against the function tables of their data sheets, over all levels of their inputs.

Texas Instruments, function tables of SN74HC138, SN74HC139, SN74HC154, SN74HC157, SN74HC688 and of the gates (from
memory). Pins: the 74xx symbol library of Debian's package kicad-symbols 6.0.10-1, the tables below.
"""

import random
from itertools import product

import pytest

from simkit.backplane.select import ALL, address_bit, ranges
from simkit.logic.network import Network, Part
from simkit.logic.parts import TYPES, part_type
from simkit.logic.parttype import Direction

GATES = {
    "00 03 38 132": ("1,2>3 4,5>6 9,10>8 12,13>11", lambda *x: not all(x)),
    "01": ("2,3>1 5,6>4 8,9>10 11,12>13", lambda *x: not all(x)),
    "02 33": ("2,3>1 5,6>4 8,9>10 11,12>13", lambda *x: not any(x)),
    "04 05 06 14": ("1>2 3>4 5>6 9>8 11>10 13>12", lambda x: not x),
    "07": ("1>2 3>4 5>6 9>8 11>10 13>12", lambda x: x),
    "08 09": ("1,2>3 4,5>6 9,10>8 12,13>11", lambda *x: all(x)),
    "10 12": ("1,2,13>12 3,4,5>6 9,10,11>8", lambda *x: not all(x)),
    "11 15": ("1,2,13>12 3,4,5>6 9,10,11>8", lambda *x: all(x)),
    "20 22": ("1,2,4,5>6 9,10,12,13>8", lambda *x: not all(x)),
    "21": ("1,2,4,5>6 9,10,12,13>8", lambda *x: all(x)),
    "27": ("1,2,13>12 3,4,5>6 9,10,11>8", lambda *x: not any(x)),
    "30": ("1,2,3,4,5,6,11,12>8", lambda *x: not all(x)),
    "32": ("1,2>3 4,5>6 9,10>8 12,13>11", lambda *x: any(x)),
    "86 136": ("1,2>3 4,5>6 9,10>8 12,13>11", lambda a, b: a != b),
    "133": ("1,2,3,4,5,6,7,10,11,12,13,14,15>9", lambda *x: not all(x)),
}
OPEN_COLLECTOR = {"01", "03", "05", "06", "07", "09", "12", "15", "22", "33", "38", "136"}


def by_hand(name):
    """By output: its inputs, and what it is at their levels (0 or 1), as in the function table."""
    if name == "138":
        pins = (15, 14, 13, 12, 11, 10, 9, 7)
        return {
            pin: ((3, 2, 1, 4, 5, 6), lambda c, b, a, e1, e2, e3, y=y: (4 * c + 2 * b + a, e1, e2, e3) != (y, 0, 0, 1))
            for y, pin in enumerate(pins)
        }
    if name == "139":
        halves = ((1, 3, 2, (4, 5, 6, 7)), (15, 13, 14, (12, 11, 10, 9)))
        return {
            pin: ((e, b, a), lambda e, b, a, y=y: (e, 2 * b + a) != (0, y))
            for e, b, a, pins in halves
            for y, pin in enumerate(pins)
        }
    if name == "154":
        pins = (1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 13, 14, 15, 16, 17)
        return {
            pin: (
                (18, 19, 20, 21, 22, 23),
                lambda e0, e1, d, c, b, a, y=y: (e0, e1, 8 * d + 4 * c + 2 * b + a) != (0, 0, y),
            )
            for y, pin in enumerate(pins)
        }
    if name == "157":
        rows = ((2, 3, 4), (5, 6, 7), (11, 10, 9), (14, 13, 12))
        return {y: ((1, 15, i0, i1), lambda s, e, i0, i1: not e and (i1 if s else i0)) for i0, i1, y in rows}
    if name in ("688", "521"):
        pins = (1, 2, 4, 6, 8, 11, 13, 15, 17, 3, 5, 7, 9, 12, 14, 16, 18)
        return {19: (pins, lambda g, *x: bool(g) or x[:8] != x[8:])}
    rows, function = next(rest for names, rest in GATES.items() if name in names.split())
    return {
        int(row.partition(">")[2]): (tuple(map(int, row.partition(">")[0].split(","))), function)
        for row in rows.split()
    }


HERE = {f"74{name}" for line in GATES for name in line.split()} | {
    f"74{name}" for name in ("138", "139", "154", "157", "688", "521")
}
"""Parts that have a table here; those of test_buffers_and_registers.py have one there."""


@pytest.mark.parametrize("name", sorted(name.removeprefix("74") for name in HERE))
def test_a_part_does_what_its_function_table_says(name):
    kind = TYPES[f"74{name}"]
    table = by_hand(name)
    assert set(table) == set(kind.outputs)
    for output, (pins, function) in table.items():
        assert set(pins) == set(kind.outputs[output].of)
        cases = list(product((0, 1), repeat=len(pins)))
        if len(cases) > 8192:  # a comparator: P equal to Q is rare among all, so such cases are made up
            rng = random.Random(name)
            cases = [tuple(rng.getrandbits(1) for _ in pins) for _ in range(500)]
            cases += [(g, *p, *p) for g in (0, 1) for p in product((0, 1), repeat=8)]
            cases += [
                (0, *p, *(bit ^ (n == odd) for n, bit in enumerate(p)))
                for p in cases[:8]
                for odd in range(8)
                for p in [p[:8]]
            ]
        levels = {pin: sum(case[place] << n for n, case in enumerate(cases)) for place, pin in enumerate(pins)}
        ones = (1 << len(cases)) - 1
        drive = kind.outputs[output].drive(levels, {}, ones)
        for n, case in enumerate(cases):
            level = int(bool(function(*case)))
            driven = level == 0 if name in OPEN_COLLECTOR else True
            assert (drive.driven >> n & 1, drive.level >> n & 1) == (int(driven), level if driven else 0)


@pytest.mark.parametrize("kind", TYPES.values(), ids=TYPES)
def test_pins_of_a_part_are_each_there_once(kind):
    inputs = {pin for output in kind.outputs.values() for pin in output.of}
    for number, pin in kind.pins.items():
        assert pin.number == number
        assert (pin.direction is not Direction.INPUT) == (number in kind.outputs)
        assert number not in inputs or pin.direction is not Direction.OUTPUT
        assert number in inputs | kind.outputs.keys() or kind.state  # what a flip-flop hears counts at its clock alone
    names = [name for pin in kind.pins.values() for name in (pin.name, *pin.also)]
    assert len(names) == len(set(names))
    assert not kind.pins.keys() & {kind.ground, kind.supply}
    assert max(kind.pins) <= kind.supply == 2 * kind.ground
    for pin in kind.pins.values():
        for name in (pin.name, f"/{pin.name.lower()}", str(pin.number), *pin.also):
            assert kind.pin(name) is pin
    assert kind.pin("nothing") is None


def test_a_group_of_pins_is_highest_first():
    assert [pin.number for pin in TYPES["74688"].group("P")] == [17, 15, 13, 11, 8, 6, 4, 2]
    assert [pin.number for pin in TYPES["74138"].group("/Y")] == [7, 9, 10, 11, 12, 13, 14, 15]
    assert TYPES["7400"].group("Z") == ()


@pytest.mark.parametrize(
    ("text", "name"),
    [
        *(
            (text, "74138")
            for text in ("74138", "74HC138", "SN74HCT138N", "74LS138", "CD74HC138E", "74AHC138", "74ACT138PW")
        ),
        *((text, "7400") for text in ("7400", "74LS00", "SN7400N", "74hc00", "DM74LS00AN", "54LS00")),
        *((text, "74688") for text in ("74HC688", "MM74HC688N", "74HC688D,652", "74HCT688-Q100")),
        ("MC74F521N", "74521"),
        *((text, None) for text in ("74HC999", "GAL16V8", "62256", "", "138", "HC138", "74HC1388")),
    ],
)
def test_a_part_is_known_by_its_name(text, name):
    found = part_type(text)
    assert (found and found.name) == name


def one(kind, nets):
    return Network({"U1": Part(part_type(kind), nets)})


def test_a_demultiplexer_on_the_upper_address_lines():
    """With A15, A14, A13 at C, B, A and PHI2 at the enable $C000 makes pin 9 low."""
    network = one("74HC138", {3: "A15", 2: "A14", 1: "A13", 4: "GND", 5: "GND", 6: "PHI2", 9: "Y6"})
    inputs = {"A15": address_bit(15), "A14": address_bit(14), "A13": address_bit(13), "GND": 0}
    assert ranges(ALL ^ network.levels(inputs | {"PHI2": ALL}).levels["Y6"]) == [(0xC000, 0xDFFF)]
    assert ranges(ALL ^ network.levels(inputs | {"PHI2": 0}).levels["Y6"]) == []


def test_a_comparator_and_a_gate_on_a_page():
    nets = {pin: f"A{n}" for n, pin in zip(range(8, 16), (2, 4, 6, 8, 11, 13, 15, 17), strict=True)}
    nets |= {pin: "VCC" if 0xC0 >> n & 1 else "GND" for n, pin in enumerate((3, 5, 7, 9, 12, 14, 16, 18))}
    inputs = {f"A{n}": address_bit(n) for n in range(16)} | {"GND": 0, "VCC": ALL}
    found = one("74HC688", nets | {1: "GND", 19: "PAGE"}).levels(inputs)
    assert ranges(ALL ^ found.levels["PAGE"]) == [(0xC000, 0xC0FF)]
    gate = one(
        "74HC30", {pin: f"A{n}" for n, pin in zip(range(8, 16), (1, 2, 3, 4, 5, 6, 11, 12), strict=True)} | {8: "Y"}
    )
    assert ranges(ALL ^ gate.levels(inputs).levels["Y"]) == [(0xFF00, 0xFFFF)]
