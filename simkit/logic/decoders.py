"""Demultiplexers, selectors and comparators, from their data sheets.

Numbers of pins: the 74xx symbol library of Debian's package kicad-symbols 6.0.10-1. Names of pins and functions:
Texas Instruments, data sheets of SN74HC138, SN74HC139, SN74HC154, SN74HC157, pin descriptions and function tables
(from memory); [MM] Fairchild, MM74HC688 data sheet (2005); [MF] Motorola, MC74F521 data sheet.
"""

from __future__ import annotations

from collections.abc import Iterable

from simkit.logic.outputs import Logic, pins, push_pull
from simkit.logic.parttype import Levels, Output, PartType


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
    found = pins(
        {"A|A0": 1, "B|A1": 2, "C|A2": 3, "/G2A|E1": 4, "/G2B|E2": 5, "G1|E3": 6},
        {f"/Y{number}": pin for number, pin in enumerate(low)},
    )
    return PartType("74138", found, 8, 16, _demultiplexer((1, 2, 3), (4, 5), (6,), low))


def _74139() -> PartType:
    one, other = (4, 5, 6, 7), (12, 11, 10, 9)
    found = pins(
        {"/1G|1E": 1, "1A|1A0": 2, "1B|1A1": 3, "/2G|2E": 15, "2A|2A0": 14, "2B|2A1": 13},
        {f"/{half}Y{n}": pin for half, numbers in ((1, one), (2, other)) for n, pin in enumerate(numbers)},
    )
    outputs = _demultiplexer((2, 3), (1,), (), one) | _demultiplexer((14, 13), (15,), (), other)
    return PartType("74139", found, 8, 16, outputs)


def _74154() -> PartType:
    low = (*range(1, 12), *range(13, 18))
    found = pins(
        {"A|A0": 23, "B|A1": 22, "C|A2": 21, "D|A3": 20, "/G1|E0": 18, "/G2|E1": 19},
        {f"/Y{number}": pin for number, pin in enumerate(low)},
    )
    return PartType("74154", found, 12, 24, _demultiplexer((23, 22, 21, 20), (18, 19), (), low))


def _74157() -> PartType:
    rows = ((2, 3, 4), (5, 6, 7), (11, 10, 9), (14, 13, 12))
    inputs = {"S|A/B": 1, "/G|E": 15}
    inputs |= {f"{n}{letter}": row[place] for n, row in enumerate(rows, start=1) for place, letter in enumerate("AB")}

    def chosen(a: int, b: int) -> Logic:
        def logic(levels: Levels, ones: int) -> int:
            return (levels[1] & levels[b] | (ones ^ levels[1]) & levels[a]) & (ones ^ levels[15])

        return logic

    outputs = {y: push_pull((1, 15, a, b), chosen(a, b)) for a, b, y in rows}
    return PartType("74157", pins(inputs, {f"{n}Y": row[2] for n, row in enumerate(rows, start=1)}), 8, 16, outputs)


def _comparator(name: str, p: str, q: str, enable: str, output: str) -> PartType:
    p_pins, q_pins = (2, 4, 6, 8, 11, 13, 15, 17), (3, 5, 7, 9, 12, 14, 16, 18)
    inputs = {enable: 1} | {f"{p}{n}": pin for n, pin in enumerate(p_pins)}
    inputs |= {f"{q}{n}": pin for n, pin in enumerate(q_pins)}

    def differs(levels: Levels, ones: int) -> int:
        table = levels[1]
        for one, other in zip(p_pins, q_pins, strict=True):
            table |= levels[one] ^ levels[other]
        return table

    return PartType(name, pins(inputs, {output: 19}), 10, 20, {19: push_pull((1, *p_pins, *q_pins), differs)})


def decoders() -> Iterable[PartType]:
    """All of them."""
    yield from (_74138(), _74139(), _74154(), _74157())
    yield _comparator("74688", "P", "Q", "/G", "/P=Q|PEQ")  # [MM]
    yield _comparator("74521", "A", "B", "/IA=B|I", "/OA=B|O")  # [MF]
