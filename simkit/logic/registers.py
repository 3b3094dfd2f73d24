"""Latches and flip-flops, from their data sheets. What they keep is the network's state: nothing is assumed of it.

Numbers of pins: the 74xx symbol library of Debian's package kicad-symbols 6.0.10-1. Names of pins and functions:
Texas Instruments, data sheets of SN74HC74, SN74HC273, SN74HC373, SN74HC374, SN74HC377, SN74HC573 and SN74HC574, pin
descriptions and function tables (from memory).
"""

from __future__ import annotations

from collections.abc import Iterable

from simkit.logic.drive import Drive
from simkit.logic.outputs import pins
from simkit.logic.parttype import Levels, Output, PartType

_ACROSS = (tuple(range(2, 10)), tuple(range(19, 11, -1)))
"""D and Q pins of a part with its inputs on one side."""
_AROUND = ((3, 4, 7, 8, 13, 14, 17, 18), (2, 5, 6, 9, 12, 15, 16, 19))
"""D and Q pins of a part with each output beside its input."""


def _latch(name: str, sides: tuple[tuple[int, ...], ...]) -> PartType:
    """Transparent while LE is high; /OE lets go of the outputs."""

    def output(d: int, q: int) -> Output:
        def drive(levels: Levels, state: Levels, ones: int) -> Drive:
            driven = ones ^ levels[1]
            return Drive(driven, driven & (levels[11] & levels[d] | (ones ^ levels[11]) & state[q]))

        return Output((1, 11, d), drive)

    return _byte(name, sides, {"/OE|OC": 1, "LE|C": 11}, {q: output(d, q) for d, q in zip(*sides, strict=True)})


def _three_state_register(name: str, sides: tuple[tuple[int, ...], ...]) -> PartType:
    """Takes D at the rise of CLK; /OE lets go of the outputs."""

    def output(q: int) -> Output:
        def drive(levels: Levels, state: Levels, ones: int) -> Drive:
            driven = ones ^ levels[1]
            return Drive(driven, driven & state[q])

        return Output((1,), drive)

    return _byte(name, sides, {"/OE|OC": 1, "CLK|CP": 11}, {q: output(q) for q in sides[1]})


def _cleared_register() -> PartType:
    """Takes D at the rise of CLK; /CLR clears at once."""

    def output(q: int) -> Output:
        return Output((1,), lambda levels, state, ones: Drive(ones, levels[1] & state[q]))

    return _byte("74273", _AROUND, {"/CLR|MR": 1, "CLK|CP": 11}, {q: output(q) for q in _AROUND[1]})


def _enabled_register() -> PartType:
    """Takes D at the rise of CLK while its enable is low."""

    def output(q: int) -> Output:
        return Output((), lambda levels, state, ones: Drive(ones, state[q]))

    return _byte("74377", _AROUND, {"/CLKEN|E|G|EN": 1, "CLK|CP": 11}, {q: output(q) for q in _AROUND[1]})


def _byte(
    name: str, sides: tuple[tuple[int, ...], ...], controls: dict[str, int], outputs: dict[int, Output]
) -> PartType:
    inputs = controls | {f"{n + 1}D|D{n}": pin for n, pin in enumerate(sides[0])}
    made = {f"{n + 1}Q|Q{n}": pin for n, pin in enumerate(sides[1])}
    return PartType(name, pins(inputs, made), 10, 20, outputs, sides[1])


def _flip_flops() -> PartType:
    """Two with clear and preset, which act at once; both low make Q and /Q high."""
    rows = ((1, 2, 3, 4, 5, 6), (13, 12, 11, 10, 9, 8))
    inputs: dict[str, int] = {}
    made: dict[str, int] = {}
    outputs: dict[int, Output] = {}
    for n, (clear, d, clock, preset, q, other) in enumerate(rows, start=1):
        inputs |= {f"/{n}CLR|{n}R": clear, f"{n}D": d, f"{n}CLK|{n}C": clock, f"/{n}PRE|{n}S": preset}
        made |= {f"{n}Q": q, f"/{n}QN": other}
        outputs |= {q: _kept(clear, preset, q), other: _inverse(clear, preset, q)}
    return PartType("7474", pins(inputs, made), 7, 14, outputs, (5, 9))


def _kept(clear: int, preset: int, q: int) -> Output:
    def drive(levels: Levels, state: Levels, ones: int) -> Drive:
        return Drive(ones, (ones ^ levels[preset]) | levels[clear] & state[q])

    return Output((clear, preset), drive)


def _inverse(clear: int, preset: int, q: int) -> Output:
    def drive(levels: Levels, state: Levels, ones: int) -> Drive:
        return Drive(ones, (ones ^ levels[clear]) | levels[preset] & (ones ^ state[q]))

    return Output((clear, preset), drive)


def registers() -> Iterable[PartType]:
    """All of them."""
    yield _flip_flops()
    yield _cleared_register()
    yield _latch("74373", _AROUND)
    yield _three_state_register("74374", _AROUND)
    yield _enabled_register()
    yield _latch("74573", _ACROSS)
    yield _three_state_register("74574", _ACROSS)
