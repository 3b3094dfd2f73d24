"""What stands at the pins of a device by itself, once all that its outputs feed back to it has come to rest."""

from __future__ import annotations

from collections.abc import Mapping

import attrs

from simkit.logic.drive import NOBODY, Drive
from simkit.logic.fuses.program import Program

_ROUNDS = 24
"""Rounds until pins are at rest. Ten outputs, each fed by another, take ten; what is not at rest then never will be."""


@attrs.frozen
class Settled:
    """What stands at the pins.

    Attributes:
        levels: of every pin but those of the supply.
        drives: what the outputs do to their pins.
        registers: Q of every flip-flop, where a reset has acted as it left them.
        conflicts: where an output drives a pin that is driven from outside as well, by pin.
        restless: where a pin never comes to rest, or keeps what it was: the level is not given by the inputs; by pin.
        open: pins whose level matters and that nobody drives in some case; they read 1 there (many parts pull their
            pins up; from memory).
    """

    levels: Mapping[int, int]
    drives: Mapping[int, Drive]
    registers: Mapping[int, int]
    conflicts: Mapping[int, int]
    restless: Mapping[int, int]
    open: tuple[int, ...]


def settle(program: Program, outside: Mapping[int, Drive], registers: Mapping[int, int], ones: int) -> Settled:
    """Levels at all pins.

    Args:
        program: the device with its fuse map.
        outside: what drives its pins from outside, by pin.
        registers: Q of every flip-flop, by the pin of its macrocell.
        ones: the table that is true in every case.
    """
    low, moving_low, q = _at_rest(program, outside, registers, ones, 0)
    high, moving_high, _ = _at_rest(program, outside, registers, ones, ones)
    restless = {pin: moving_low[pin] | moving_high[pin] | (low[pin] ^ high[pin]) for pin in low}
    drives = program.drives(low, q, ones)
    conflicts = {pin: drives[pin].driven & outside[pin].driven for pin in drives.keys() & outside.keys()}
    return Settled(
        levels=low,
        drives=drives,
        registers=q,
        conflicts={pin: table for pin, table in sorted(conflicts.items()) if table},
        restless={pin: table for pin, table in restless.items() if table},
        open=tuple(pin for pin in program.asked() if _driven(pin, drives, outside) != ones),
    )


def _at_rest(
    program: Program, outside: Mapping[int, Drive], registers: Mapping[int, int], ones: int, start: int
) -> tuple[dict[int, int], dict[int, int], dict[int, int]]:
    """Levels with all outputs at `start` to begin with, where they still move, and Q of the flip-flops."""
    device = program.device
    levels = {
        pin: _level(outside.get(pin, NOBODY), NOBODY, ones)
        for pin in range(1, device.pins + 1)
        if pin not in (device.ground, device.supply)
    }
    levels |= {pin: _level(outside.get(pin, NOBODY), Drive(ones, start), ones) for pin in program.outputs}
    q = dict(registers)
    moving: dict[int, int] = {}
    for _ in range(_ROUNDS):
        moving = dict.fromkeys(levels, 0)
        for pin in program.outputs:  # one after another, so that two that hold each other find a level
            own = program.drive(pin, levels, program.after_reset(levels, q, ones), ones)
            level = _level(outside.get(pin, NOBODY), own, ones)
            moving[pin] = level ^ levels[pin]
            levels[pin] = level
        moved = 0
        for table in moving.values():
            moved |= table
        # a flip-flop that is reset stays so, but not by a level that was only passing: where nothing moves any more
        after = program.after_reset(levels, q, ones)
        reset = {pin: (bits & moved) | (after[pin] & ~moved) for pin, bits in q.items()}
        if not moved and reset == q:
            break
        q = reset
    return levels, moving, q


def _level(outside: Drive, own: Drive, ones: int) -> int:
    """Level at a pin: what its output drives there, else what comes from outside, else 1."""
    there = own.level | (outside.level & ~own.driven)
    return there | (ones ^ ones & (own.driven | outside.driven))


def _driven(pin: int, drives: Mapping[int, Drive], outside: Mapping[int, Drive]) -> int:
    return drives.get(pin, NOBODY).driven | outside.get(pin, NOBODY).driven
