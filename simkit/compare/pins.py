"""An address pin of a ROM that is wrong: the bytes that come are its own, and stand elsewhere in it."""

from __future__ import annotations

from collections.abc import Iterator

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.compare.guessed import DECIDES, EXCHANGED, FOLLOWS, HIGH, HOLDS, LOW
from simkit.machine.machine import Machine

MANY = 3
"""Data lines of one card that are wrong together: an address pin is looked at before each of them is. Ours."""

Bytes = NDArray[np.uint8]
Addresses = NDArray[np.int64]


@attrs.frozen(eq=False)
class Pin:
    """What is wrong with an address pin.

    Attributes:
        how: a word of `guessed.py`.
        other: number of the pin that it is exchanged with, or follows; None: none.
        bit: its number.
        gives: uint8 of shape (n,): byte that the ROM gives then, for each address that was asked for.
        shown: bool of shape (n,): it is another one than that of the address, and it came.
    """

    how: str
    other: int | None
    bit: int
    gives: Bytes
    shown: NDArray[np.bool_]


def rom_content(machine: Machine, slot: int) -> Bytes | None:
    """What the ROM in a slot holds; None where there is none."""
    for seat in machine.bus.seats:
        plain = seat.plain
        if seat.slot == slot and plain is not None and plain.read is not None and plain.ignores_writes:
            return np.frombuffer(bytes(plain.read), np.uint8)
    return None


def pin_at_fault(content: Bytes, address: Addresses, seen: Bytes) -> Pin | None:
    """The pin that explains nearly all of the bytes that came, and what else does not; None where none does.

    Args:
        content: of the ROM.
        address: int64 of shape (n,), of each read.
        seen: uint8 of shape (n,): the byte that came.
    """
    size, best, most = len(content), None, 0.0
    should = content[address % size]
    for how, other, bit, guess in _guesses(address, size):
        gives = content[guess % size]
        decisive, agrees = gives != should, gives == seen
        if not decisive.any() or agrees[decisive].mean() < DECIDES or agrees.mean() < HOLDS:
            continue
        if agrees.mean() > most:
            most, best = float(agrees.mean()), Pin(how, other, bit, gives, decisive & agrees)
    return best


def _guesses(address: Addresses, size: int) -> Iterator[tuple[str, int | None, int, Addresses]]:
    pins = max(1, (size - 1).bit_length())
    for bit in range(pins):
        yield LOW, None, bit, address & ~(1 << bit)
        yield HIGH, None, bit, address | 1 << bit
        for other in range(pins):
            theirs = address >> other & 1
            if other > bit:
                mine = address >> bit & 1
                both = address & ~(1 << bit | 1 << other)
                yield EXCHANGED, other, bit, both | theirs << bit | mine << other
            if other != bit:
                yield FOLLOWS, other, bit, address & ~(1 << bit) | theirs << bit
