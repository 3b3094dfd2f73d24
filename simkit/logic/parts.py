"""Types of logic parts: their pins, and what they do, from their data sheets.

Numbers of pins: the 74xx symbol library of Debian's package kicad-symbols 6.0.10-1. Names of pins and functions:
Texas Instruments, data sheets of SN74HC138, SN74HC139, SN74HC154, SN74HC157 and of the gates, pin descriptions and
function tables (from memory); [MM] Fairchild, MM74HC688 data sheet (2005); [MF] Motorola, MC74F521 data sheet.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from functools import reduce
from operator import and_, or_, xor

from simkit.logic.drive import Drive
from simkit.logic.parttype import Direction, Levels, Output, PartType, Pin

_NAME = re.compile(r"(?:[A-Z]{1,3})?(?:54|74)[A-Z]{0,4}?(\d{2,5})(?:[A-Z]{1,4})?(?:[-,/ ].*)?")
Logic = Callable[[Levels, int], int]
"""Level of an output where it drives, by levels of pins and the table that is true in every case."""


def part_type(name: str) -> PartType | None:
    """The type of a part by its name, whatever its maker, family and package: "SN74HCT138N", "74LS00", "7430".

    None where it is no part known here.
    """
    match = _NAME.fullmatch(name.strip().upper())
    return TYPES.get(f"74{match[1]}") if match else None


def push_pull(of: Iterable[int], logic: Logic) -> Output:
    """An output that always drives."""
    return Output(tuple(of), lambda levels, _, ones: Drive(ones, logic(levels, ones)))


def open_collector(of: Iterable[int], logic: Logic) -> Output:
    """An output that drives where it is low, and lets go elsewhere."""
    return Output(tuple(of), lambda levels, _, ones: Drive(ones ^ logic(levels, ones), 0))


def three_state(of: Iterable[int], logic: Logic, enabled: Logic) -> Output:
    """An output that drives where it is enabled."""

    def drive(levels: Levels, _: Levels, ones: int) -> Drive:
        driven = enabled(levels, ones)
        return Drive(driven, driven & logic(levels, ones))

    return Output(tuple(of), drive)


# gates ----------------------------------------------------------------------------------------------------------------

_FOUR = "1,2>3 4,5>6 9,10>8 12,13>11"
_FOUR_OUTPUT_FIRST = "2,3>1 5,6>4 8,9>10 11,12>13"
_SIX = "1>2 3>4 5>6 9>8 11>10 13>12"
_THREE = "1,2,13>12 3,4,5>6 9,10,11>8"
_TWO = "1,2,4,5>6 9,10,12,13>8"
_GATES: Mapping[str, tuple[str, Callable[[int, int], int], bool, bool, int]] = {
    # pins, what joins the inputs, whether the output is inverted, whether it has an open collector, pins of the package
    "7400": (_FOUR, and_, True, False, 14),
    "7401": (_FOUR_OUTPUT_FIRST, and_, True, True, 14),
    "7402": (_FOUR_OUTPUT_FIRST, or_, True, False, 14),
    "7403": (_FOUR, and_, True, True, 14),
    "7404": (_SIX, and_, True, False, 14),
    "7405": (_SIX, and_, True, True, 14),
    "7406": (_SIX, and_, True, True, 14),
    "7407": (_SIX, and_, False, True, 14),
    "7408": (_FOUR, and_, False, False, 14),
    "7409": (_FOUR, and_, False, True, 14),
    "7410": (_THREE, and_, True, False, 14),
    "7411": (_THREE, and_, False, False, 14),
    "7412": (_THREE, and_, True, True, 14),
    "7414": (_SIX, and_, True, False, 14),
    "7415": (_THREE, and_, False, True, 14),
    "7420": (_TWO, and_, True, False, 14),
    "7421": (_TWO, and_, False, False, 14),
    "7422": (_TWO, and_, True, True, 14),
    "7427": (_THREE, or_, True, False, 14),
    "7430": ("1,2,3,4,5,6,11,12>8", and_, True, False, 14),
    "7432": (_FOUR, or_, False, False, 14),
    "7433": (_FOUR_OUTPUT_FIRST, or_, True, True, 14),  # pins from memory
    "7438": (_FOUR, and_, True, True, 14),
    "7486": (_FOUR, xor, False, False, 14),
    "74132": (_FOUR, and_, True, False, 14),
    "74133": ("1,2,3,4,5,6,7,10,11,12,13,14,15>9", and_, True, False, 16),
    "74136": (_FOUR, xor, False, True, 14),
}


def _gates(name: str) -> PartType:
    rows, join, inverted, is_open, pins = _GATES[name]
    gates = [row.partition(">") for row in rows.split()]
    found: dict[int, Pin] = {}
    outputs: dict[int, Output] = {}
    for number, (inputs, _, output) in enumerate(gates, start=1):
        first = "" if len(gates) == 1 else str(number)
        of = tuple(map(int, inputs.split(",")))
        for letter, pin in zip("ABCDEFGHIJKLM", of, strict=False):
            found[pin] = Pin(pin, f"{first}{letter}", Direction.INPUT)
        found[int(output)] = Pin(int(output), f"{first}Y", Direction.OUTPUT)
        outputs[int(output)] = (open_collector if is_open else push_pull)(of, _gate(of, join, inverted))
    return PartType(name, dict(sorted(found.items())), pins // 2, pins, outputs)


def _gate(of: tuple[int, ...], join: Callable[[int, int], int], inverted: bool) -> Logic:
    def logic(levels: Levels, ones: int) -> int:
        level = reduce(join, (levels[pin] for pin in of))
        return ones ^ level if inverted else level

    return logic


# decoders and comparators ---------------------------------------------------------------------------------------------


def _pins(inputs: Mapping[str, int], outputs: Mapping[str, int]) -> dict[int, Pin]:
    """Pins by number, of names with "/" before those that are active while low and other names behind "|"."""
    found = {}
    for names, direction in ((inputs, Direction.INPUT), (outputs, Direction.OUTPUT)):
        for text, number in names.items():
            name, *also = text.split("|")
            plain = tuple(other.lstrip("/") for other in also)
            found[number] = Pin(number, name.lstrip("/"), direction, name.startswith("/"), plain)
    return dict(sorted(found.items()))


def _demultiplexer(
    addresses: tuple[int, ...], low: tuple[int, ...], high: tuple[int, ...], outputs: tuple[int, ...]
) -> dict[int, Output]:
    """Outputs of which one is low, that of the number at the address pins (lowest first), where all is enabled."""
    of = (*addresses, *low, *high)

    def chosen(number: int) -> Logic:
        def logic(levels: Levels, ones: int) -> int:
            table = ones
            for place, pin in enumerate(addresses):
                table &= levels[pin] if number >> place & 1 else ones ^ levels[pin]
            for pin in low:
                table &= ones ^ levels[pin]
            for pin in high:
                table &= levels[pin]
            return ones ^ table

        return logic

    return {pin: push_pull(of, chosen(number)) for number, pin in enumerate(outputs)}


def _74138() -> PartType:
    low = (15, 14, 13, 12, 11, 10, 9, 7)
    pins = _pins(
        {"A|A0": 1, "B|A1": 2, "C|A2": 3, "/G2A|E1": 4, "/G2B|E2": 5, "G1|E3": 6},
        {f"/Y{number}": pin for number, pin in enumerate(low)},
    )
    return PartType("74138", pins, 8, 16, _demultiplexer((1, 2, 3), (4, 5), (6,), low))


def _74139() -> PartType:
    one, other = (4, 5, 6, 7), (12, 11, 10, 9)
    pins = _pins(
        {"/1G|1E": 1, "1A|1A0": 2, "1B|1A1": 3, "/2G|2E": 15, "2A|2A0": 14, "2B|2A1": 13},
        {f"/{half}Y{n}": pin for half, pins in ((1, one), (2, other)) for n, pin in enumerate(pins)},
    )
    outputs = _demultiplexer((2, 3), (1,), (), one) | _demultiplexer((14, 13), (15,), (), other)
    return PartType("74139", pins, 8, 16, outputs)


def _74154() -> PartType:
    low = (*range(1, 12), *range(13, 18))
    pins = _pins(
        {"A|A0": 23, "B|A1": 22, "C|A2": 21, "D|A3": 20, "/G1|E0": 18, "/G2|E1": 19},
        {f"/Y{number}": pin for number, pin in enumerate(low)},
    )
    return PartType("74154", pins, 12, 24, _demultiplexer((23, 22, 21, 20), (18, 19), (), low))


def _74157() -> PartType:
    rows = ((2, 3, 4), (5, 6, 7), (11, 10, 9), (14, 13, 12))
    inputs = {"S|A/B": 1, "/G|E": 15}
    inputs |= {f"{n}{letter}": row[place] for n, row in enumerate(rows, start=1) for place, letter in enumerate("AB")}

    def chosen(a: int, b: int) -> Logic:
        def logic(levels: Levels, ones: int) -> int:
            return (levels[1] & levels[b] | (ones ^ levels[1]) & levels[a]) & (ones ^ levels[15])

        return logic

    outputs = {y: push_pull((1, 15, a, b), chosen(a, b)) for a, b, y in rows}
    return PartType("74157", _pins(inputs, {f"{n}Y": row[2] for n, row in enumerate(rows, start=1)}), 8, 16, outputs)


def _comparator(name: str, p: str, q: str, enable: str, output: str) -> PartType:
    p_pins, q_pins = (2, 4, 6, 8, 11, 13, 15, 17), (3, 5, 7, 9, 12, 14, 16, 18)
    inputs = {enable: 1} | {f"{p}{n}": pin for n, pin in enumerate(p_pins)}
    inputs |= {f"{q}{n}": pin for n, pin in enumerate(q_pins)}

    def differs(levels: Levels, ones: int) -> int:
        table = levels[1]
        for one, other in zip(p_pins, q_pins, strict=True):
            table |= levels[one] ^ levels[other]
        return table

    return PartType(name, _pins(inputs, {output: 19}), 10, 20, {19: push_pull((1, *p_pins, *q_pins), differs)})


def _all_types() -> Iterable[PartType]:
    yield from map(_gates, _GATES)
    yield from (_74138(), _74139(), _74154(), _74157())
    yield _comparator("74688", "P", "Q", "/G", "/P=Q|PEQ")  # [MM]
    yield _comparator("74521", "A", "B", "/IA=B|I", "/OA=B|O")  # [MF]


TYPES: Mapping[str, PartType] = {found.name: found for found in _all_types()}
"""By name without maker and family."""
