"""Truth tables over all 65,536 addresses in words: areas, the lowest address."""

from __future__ import annotations

from simkit.backplane.select import ranges

MOST_AREAS = 4


def first_of(table: int) -> int | None:
    """Lowest address of a truth table."""
    return (table & -table).bit_length() - 1 if table else None


def whole(first: int, last: int) -> int:
    """Truth table of an area."""
    return ((1 << (last - first + 1)) - 1) << first


def area(first: int, last: int) -> str:
    """An area of addresses in words."""
    return f"${first:04X}" if first == last else f"${first:04X}-${last:04X}"


def area_list(table: int, most: int = MOST_AREAS) -> list[str]:
    """The areas of a truth table in words, of many the first and how many there are besides."""
    found = ranges(table)
    more = len(found) - most
    return [area(*one) for one in found[:most]] + ([f"{more} more"] if more > 0 else [])


def areas(table: int, most: int = MOST_AREAS) -> str:
    """The same as one text."""
    found = area_list(table, most)
    if len(found) > most:
        return f"{', '.join(found[:most])} and {found[most]}"
    return ", ".join(found) or "nowhere"
