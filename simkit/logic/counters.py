"""Counters and shift registers, from their data sheets. What they hold is the network's state: nothing is assumed.

Numbers of pins: the 74xx and 4xxx symbol libraries of Debian's package kicad-symbols 6.0.10-1. Names of pins and
functions: Texas Instruments, data sheets of SN74HC161, SN74HC163, SN74HC165 and SN74HC595, pin descriptions and
function tables (from memory).
"""

from __future__ import annotations

from collections.abc import Iterable

from simkit.logic.drive import Drive
from simkit.logic.outputs import pins
from simkit.logic.parttype import Levels, Output, PartType

_COUNT = (14, 13, 12, 11)


def _counter(name: str, *, clears_at_once: bool) -> PartType:
    """Four bits; RCO is high at the last count while ENT is."""
    clear = (1,) if clears_at_once else ()

    def kept(levels: Levels, state: Levels, pin: int) -> int:
        return levels[1] & state[pin] if clears_at_once else state[pin]

    def output(pin: int) -> Output:
        return Output(clear, lambda levels, state, ones: Drive(ones, kept(levels, state, pin)))

    def carry(levels: Levels, state: Levels, ones: int) -> Drive:
        level = levels[10]
        for pin in _COUNT:
            level &= kept(levels, state, pin)
        return Drive(ones, level)

    inputs = {"/CLR|MR": 1, "CLK|CP": 2, "A|D0": 3, "B|D1": 4, "C|D2": 5, "D|D3": 6}
    inputs |= {"ENP|CEP": 7, "/LOAD|PE": 9, "ENT|CET": 10}
    made = {"QA|Q0": 14, "QB|Q1": 13, "QC|Q2": 12, "QD|Q3": 11, "RCO|TC": 15}
    outputs = {pin: output(pin) for pin in _COUNT} | {15: Output((*clear, 10), carry)}
    return PartType(name, pins(inputs, made), 8, 16, outputs, _COUNT)


def _parallel_in() -> PartType:
    """Eight stages; while SH//LD is low they follow the inputs, the last one H."""

    def last(levels: Levels, state: Levels, ones: int) -> int:
        return (ones ^ levels[1]) & levels[6] | levels[1] & state[9]

    outputs = {
        9: Output((1, 6), lambda levels, state, ones: Drive(ones, last(levels, state, ones))),
        7: Output((1, 6), lambda levels, state, ones: Drive(ones, ones ^ last(levels, state, ones))),
    }
    inputs = {"/SH/LD|PL|LD": 1, "CLK|CP": 2, "CLK INH|CE|INH": 15, "SER|DS": 10}
    inputs |= {f"{letter}|D{n}": pin for n, (letter, pin) in enumerate(zip("ABCDEFGH", _BY_LETTER, strict=True))}
    return PartType("74165", pins(inputs, {"QH|Q7": 9, "/QHN|Q7N": 7}), 8, 16, outputs, (9,))


_BY_LETTER = (11, 12, 13, 14, 3, 4, 5, 6)
_STORED = (15, 1, 2, 3, 4, 5, 6, 7)


def _serial_in() -> PartType:
    """Eight stages behind SER, and a storage register that /OE lets show; /SRCLR clears the stages alone."""

    def stored(pin: int) -> Output:
        def drive(levels: Levels, state: Levels, ones: int) -> Drive:
            driven = ones ^ levels[13]
            return Drive(driven, driven & state[pin])

        return Output((13,), drive)

    outputs = {pin: stored(pin) for pin in _STORED}
    outputs[9] = Output((10,), lambda levels, state, ones: Drive(ones, levels[10] & state[9]))
    inputs = {"/SRCLR|MR": 10, "SRCLK|SHCP": 11, "RCLK|STCP": 12, "/OE|G": 13, "SER|DS": 14}
    made = {f"Q{letter}|Q{n}": pin for n, (letter, pin) in enumerate(zip("ABCDEFGH", _STORED, strict=True))}
    return PartType("74595", pins(inputs, made | {"QH'|Q7S": 9}), 8, 16, outputs, (*_STORED, 9))


def counters() -> Iterable[PartType]:
    """Counters and shift registers."""
    yield _counter("74161", clears_at_once=True)
    yield _counter("74163", clears_at_once=False)
    yield _parallel_in()
    yield _serial_in()
