"""Truth tables over all 65,536 addresses, as `simkit.backplane.select` has them, in words."""

from __future__ import annotations

from simkit.backplane.select import ADDRESSES, ranges

MOST_AREAS = 4
_BITS = 16


def pattern_of(table: int) -> str | None:
    """The select pattern whose addresses are exactly those of a truth table, or None: no single one is.

    Returns:
        Bits A15 to A0 as 0, 1 or x in groups of four, e.g. "0111 1111 0001 000x".
    """
    count = table.bit_count()
    if count == 0 or count & (count - 1):
        return None
    lowest = (table & -table).bit_length() - 1
    free = lowest ^ (table.bit_length() - 1)  # of a cube the highest address has a 1 wherever its bits are free
    if free.bit_count() != count.bit_length() - 1 or lowest & free:
        return None
    cube = 1 << lowest
    for bit in range(_BITS):
        if free >> bit & 1:
            cube |= cube << (1 << bit)
    if cube != table:
        return None
    bits = "".join("x" if free >> bit & 1 else str(lowest >> bit & 1) for bit in reversed(range(_BITS)))
    return " ".join(bits[at : at + 4] for at in range(0, _BITS, 4))


def first_of(table: int) -> int | None:
    """Lowest address of a truth table."""
    return (table & -table).bit_length() - 1 if table else None


def area(first: int, last: int) -> str:
    """An area of addresses in words."""
    return f"${first:04X}" if first == last else f"${first:04X}-${last:04X}"


def areas(table: int, most: int = MOST_AREAS) -> str:
    """The areas of a truth table in words, of many the first."""
    found = ranges(table)
    shown = ", ".join(area(*one) for one in found[:most])
    return f"{shown} and {len(found) - most} more" if len(found) > most else shown or "nowhere"


def whole(first: int, last: int) -> int:
    """Truth table of an area."""
    return ((1 << (last - first + 1)) - 1) << first


assert ADDRESSES == 1 << _BITS
