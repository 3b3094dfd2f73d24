"""Buffers and transceivers, from their data sheets.

Numbers of pins: the 74xx symbol library of Debian's package kicad-symbols 6.0.10-1. Names of pins and functions:
Texas Instruments, data sheets of SN74HC125, SN74HC126, SN74HC240, SN74HC244, SN74HC245, SN74HC540 and SN74HC541, pin
descriptions and function tables (from memory).
"""

from __future__ import annotations

from collections.abc import Iterable

from simkit.logic.outputs import pins, three_state
from simkit.logic.parttype import Levels, Output, PartType

_FOUR = ((1, 2, 3), (4, 5, 6), (10, 9, 8), (13, 12, 11))
"""Enable, input and output of each buffer of a 125."""
_HALVES = ((1, (2, 4, 6, 8), (18, 16, 14, 12)), (19, (11, 13, 15, 17), (9, 7, 5, 3)))
"""Enable, inputs and outputs of each half of a 244."""
_EIGHT = range(2, 10)


def _buffer(source: int, enables: tuple[int, ...], *, inverted: bool = False, high: bool = False) -> Output:
    """An output that gives the level at a pin while all enables are low, or high."""

    def logic(levels: Levels, ones: int) -> int:
        return ones ^ levels[source] if inverted else levels[source]

    def enabled(levels: Levels, ones: int) -> int:
        table = ones
        for pin in enables:
            table &= levels[pin] if high else ones ^ levels[pin]
        return table

    return three_state((source, *enables), logic, enabled)


def _four(name: str, *, high: bool) -> PartType:
    mark = "" if high else "/"
    inputs = {f"{mark}{n}OE|{n}{'G' if high else 'C'}": row[0] for n, row in enumerate(_FOUR, start=1)}
    inputs |= {f"{n}A": row[1] for n, row in enumerate(_FOUR, start=1)}
    outputs = {y: _buffer(a, (enable,), high=high) for enable, a, y in _FOUR}
    return PartType(name, pins(inputs, {f"{n}Y": row[2] for n, row in enumerate(_FOUR, start=1)}), 7, 14, outputs)


def _two_halves(name: str, *, inverted: bool) -> PartType:
    inputs: dict[str, int] = {}
    made: dict[str, int] = {}
    outputs: dict[int, Output] = {}
    for half, (enable, sources, targets) in enumerate(_HALVES, start=1):
        inputs[f"/{half}OE|{half}G"] = enable
        for n, (source, target) in enumerate(zip(sources, targets, strict=True), start=1):
            inputs[f"{half}A{n}"], made[f"{half}Y{n}"] = source, target
            outputs[target] = _buffer(source, (enable,), inverted=inverted)
    return PartType(name, pins(inputs, made), 10, 20, outputs)


def _eight(name: str, *, inverted: bool) -> PartType:
    inputs = {"/OE1|G1": 1, "/OE2|G2": 19} | {f"A{n}": pin for n, pin in enumerate(_EIGHT, start=1)}
    made = {f"Y{n}": 20 - pin for n, pin in enumerate(_EIGHT, start=1)}
    outputs = {20 - pin: _buffer(pin, (1, 19), inverted=inverted) for pin in _EIGHT}
    return PartType(name, pins(inputs, made), 10, 20, outputs)


def _transceiver() -> PartType:
    """A to B while DIR is high, B to A while it is low; /OE low lets either."""

    def towards(source: int, *, b: bool) -> Output:
        def logic(levels: Levels, ones: int) -> int:
            return levels[source]

        def enabled(levels: Levels, ones: int) -> int:
            return (levels[1] if b else ones ^ levels[1]) & (ones ^ levels[19])

        return three_state((1, 19, source), logic, enabled)

    both = {f"A{n}": pin for n, pin in enumerate(_EIGHT, start=1)}
    both |= {f"B{n}": 20 - pin for n, pin in enumerate(_EIGHT, start=1)}
    outputs = {20 - pin: towards(pin, b=True) for pin in _EIGHT} | {pin: towards(20 - pin, b=False) for pin in _EIGHT}
    return PartType("74245", pins({"DIR": 1, "/OE|G|CE": 19}, {}, both), 10, 20, outputs)


def buffers() -> Iterable[PartType]:
    """All of them."""
    yield _four("74125", high=False)
    yield _four("74126", high=True)
    yield _two_halves("74240", inverted=True)
    yield _two_halves("74244", inverted=False)
    yield _transceiver()
    yield _eight("74540", inverted=True)
    yield _eight("74541", inverted=False)
