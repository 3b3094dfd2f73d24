"""Gates and inverters: which pins, and what joins the inputs; from the function tables of their data sheets.

Numbers of pins: the 74xx symbol library of Debian's package kicad-symbols 6.0.10-1. Functions: Texas Instruments, data
sheets of the SN74 types, function tables (from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from functools import reduce
from operator import and_, or_, xor

from simkit.logic.outputs import Logic, open_collector, push_pull
from simkit.logic.parttype import Direction, Levels, Output, PartType, Pin

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


def gates() -> Iterable[PartType]:
    """All of them."""
    return map(_gates, _GATES)
