"""A truth table as the select of a machine file: patterns, and patterns that are left out of them."""

from __future__ import annotations

from simkit.backplane.select import ALL, address_bit, parse_pattern, pattern_table

MOST_PATTERNS = 12
"""More say less than a list of addresses does."""


def as_select(table: int) -> tuple[list[str], list[str]] | None:
    """Patterns of `select` and `not_select` for a table; None where it takes more of them than anyone reads."""
    if not table:
        return None
    direct = _cover(table)
    around = _around(table)
    left_out = _cover(_table(around) & (ALL ^ table))
    if left_out is not None and (direct is None or len(left_out) + 1 < len(direct)):
        return [around], left_out
    return (direct, []) if direct is not None else None


def _table(pattern: str) -> int:
    return pattern_table(*parse_pattern(pattern))


def _around(table: int) -> str:
    """The smallest pattern that holds a table."""
    digits = []
    for number in range(15, -1, -1):
        bit = address_bit(number)
        high, low = table & bit, table & ~bit
        digits.append("x" if high and low else "1" if high else "0")
    return _spaced("".join(digits))


def _cover(table: int) -> list[str] | None:
    """Patterns that make up a table, none within another; the largest first that a line of the address splits off."""
    found: list[str] = []
    while table:
        if len(found) == MOST_PATTERNS:
            return None
        first = (table & -table).bit_length() - 1
        free = 0
        for number in range(16):  # grow the pattern of the first address by one line after the other
            grown = _table(_pattern(first, free | 1 << number))
            if not grown & ~table:
                free |= 1 << number
        pattern = _pattern(first, free)
        found.append(pattern)
        table &= ~_table(pattern)
    return found


def _pattern(address: int, free: int) -> str:
    digits = ("x" if free >> n & 1 else str(address >> n & 1) for n in range(15, -1, -1))
    return _spaced("".join(digits))


def _spaced(digits: str) -> str:
    return " ".join(digits[at : at + 4] for at in range(0, 16, 4))
