"""Data bits that a memory gives back always low, or always high, however they were written."""

from __future__ import annotations

from collections.abc import Iterator

import attrs

from simkit.check.leaving.trail import Trail
from simkit.machine.found import who

FEWEST = 8
"""Bytes that must have been written with a bit at the other level before it is said that it never comes so: noise
would agree with them once in 256 times."""


@attrs.frozen
class HeldBit:
    """A bit that comes at one level only.

    Attributes:
        bit: number of the data line.
        level: at which it comes.
        written: bytes that were written with it at the other level.
    """

    bit: int
    level: bool
    written: int


def held_bits(written: list[int], given: list[int]) -> list[HeldBit]:
    """Bits that are at one level in all bytes given, FEWEST or more of which were written with the other.

    Args:
        written: the last byte written to each place.
        given: the byte that is read there, in the same order.
    """
    found = []
    for bit in range(8):
        for level in (False, True):
            other = sum(byte >> bit & 1 != level for byte in written)
            if other >= FEWEST and all(byte >> bit & 1 == level for byte in given):
                found.append(HeldBit(bit, level, other))
    return found


def told(trail: Trail, slot: int | None) -> Iterator[str]:
    """What is to be said of the bits of the card in a slot, a sentence a bit."""
    machine = trail.machine
    table = machine.bus.reach.table
    here = []
    for address in trail.written_addresses():
        drivers = table.read_plan(address).drivers
        if len(drivers) == 1 and drivers[0][0].slot == slot:
            here.append(address)
    written = [one.data for address in here if (one := trail.written(address)) is not None]
    for held in held_bits(written, [machine.peek(address) for address in here]):
        level, other = ("high", "low") if held.level else ("low", "high")
        yield (
            f"D{held.bit} of {who(machine, slot)} comes {level} in all {held.written} bytes that were written with it "
            f"{other}: look at that line."
        )
