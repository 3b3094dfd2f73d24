"""Truth tables written as people write selects: few patterns and expressions that are true just there.

The sum of products is irredundant: S. Minato, "Fast Generation of Irredundant Sum-of-Products Forms from Binary
Decision Diagrams", SASIMI 1992 (the recursion, from memory), on truth tables instead of diagrams. The same function
always gets the same text, whatever it was made of.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from itertools import product

import attrs

from simkit.backplane.select import ADDRESSES, MAX_DRIVEN_LINES
from simkit.contract.errors import SimkitError

MAX_PRODUCTS = 64
"""Patterns and expressions of a select. What takes more is no decoder that anybody would draw."""
_MAX_LINES = MAX_DRIVEN_LINES + 2  # RW and PHI2 besides
_ADDRESS_BITS = 16

_LAST = ("RW", "PHI2")
"""Lines that stand behind all others, as people write strobes."""
_Cube = dict[int, bool]
"""Levels that a product asks for, by number of the variable: 0 to 15 are address lines, lines stand above."""


@attrs.frozen
class Cover:
    """When something is true, as a machine file writes it.

    Attributes:
        select: patterns and expressions of which one must be true.
        not_select: patterns and expressions of which none may be.
    """

    select: tuple[str, ...]
    not_select: tuple[str, ...] = ()

    def expression(self) -> str:
        """The same as one expression."""
        either = _any(self.select)
        if not self.not_select:
            return either
        whole = either if len(self.select) == 1 else f"({either})"
        return f"{whole} and not ({_any(self.not_select)})"


def cover(lines: Sequence[str], table_of: Callable[[Mapping[str, bool]], int]) -> Cover:
    """When something is true.

    Args:
        lines: names on which it depends beside the address, RW and PHI2 among them.
        table_of: the truth table over all addresses at given levels of these lines.

    Raises:
        SimkitError: too many lines, or more products than a select may have.
    """
    if len(lines) > _MAX_LINES:
        raise SimkitError(
            f"It depends on {len(lines)} lines beside the address: {', '.join(lines)}; {_MAX_LINES} are allowed.",
            remedy="Let a decoder's line of its own ([backplane.signals]) stand for some of them.",
        )
    lines = [*sorted(set(lines) - set(_LAST)), *(line for line in _LAST if line in lines)]
    count = _ADDRESS_BITS + len(lines)
    cases = (dict(zip(lines, reversed(levels), strict=True)) for levels in product((False, True), repeat=len(lines)))
    table = int.from_bytes(b"".join(table_of(case).to_bytes(ADDRESSES // 8, "little") for case in cases), "little")
    whole = (1 << (1 << count)) - 1
    if table in (0, whole):
        return Cover(("always" if table else "never",))
    around = _around(table, count)
    rest = _table(around, count) & ~table
    plain, gaps = _products(table, count), _products(rest, count)
    if gaps is not None and (plain is None or 1 + len(gaps) < len(plain)):
        plain = [around]
    else:
        gaps = []
    if plain is None:
        raise SimkitError(
            f"It takes more than {MAX_PRODUCTS} patterns to say when it is true.",
            remedy="Look at which lines are led to which pins.",
        )
    return Cover(*(tuple(sorted(_text(cube, lines) for cube in cubes)) for cubes in (plain, gaps)))


def pattern_of(table: int) -> str | None:
    """The one select pattern whose addresses are exactly those of a truth table; None where no single one is."""
    cube = _around(table, _ADDRESS_BITS)
    return _pattern(cube) if table and _table(cube, _ADDRESS_BITS) == table else None


@lru_cache(maxsize=64)
def _variable(number: int, count: int) -> int:
    """Truth table of one variable among so many."""
    half = 1 << number
    table, width = ((1 << half) - 1) << half, 2 * half
    while width < 1 << count:
        table |= table << width
        width *= 2
    return table


def _table(cube: _Cube, count: int) -> int:
    table = (1 << (1 << count)) - 1
    for number, level in cube.items():
        table &= _variable(number, count) if level else ~_variable(number, count)
    return table


def _around(table: int, count: int) -> _Cube:
    """The smallest product that is true wherever the table is."""
    cube = {}
    for number in range(count):
        high = table & _variable(number, count)
        if not high or high == table:
            cube[number] = bool(high)
    return cube


class _TooManyError(Exception):
    pass


def _products(table: int, count: int) -> list[_Cube] | None:
    """Products whose sum is the table and of which none can be left out; None if they are too many."""
    try:
        return _irredundant(table, table, count)[0]
    except _TooManyError:
        return None


def _irredundant(lower: int, upper: int, count: int) -> tuple[list[_Cube], int]:
    """Products that are true wherever `lower` is, and nowhere `upper` is not, and their sum."""
    if not lower:
        return [], 0
    if upper == (1 << (1 << count)) - 1:
        return [{}], upper
    top, half = count - 1, 1 << (count - 1)
    mask = (1 << half) - 1
    low, high, may_low, may_high = lower & mask, lower >> half, upper & mask, upper >> half
    if low == high and may_low == may_high:
        cubes, found = _irredundant(low, may_low, top)
        return cubes, found | found << half
    zeros, at_low = _irredundant(low & ~may_high, may_low, top)
    ones, at_high = _irredundant(high & ~may_low, may_high, top)
    both, at_both = _irredundant(low & ~at_low | high & ~at_high, may_low & may_high, top)
    cubes = [*({**cube, top: False} for cube in zeros), *({**cube, top: True} for cube in ones), *both]
    if len(cubes) > MAX_PRODUCTS:
        raise _TooManyError
    return cubes, at_low | at_both | (at_high | at_both) << half


def _pattern(cube: _Cube) -> str:
    """The address bits of a product, A15 to A0."""
    bits = "".join("01"[cube[n]] if n in cube else "x" for n in reversed(range(_ADDRESS_BITS)))
    return " ".join(bits[n : n + 4] for n in range(0, _ADDRESS_BITS, 4))


def _text(cube: _Cube, lines: Sequence[str]) -> str:
    """A product as a pattern, with the lines that it asks for besides."""
    said = [_pattern(cube)] if any(number < _ADDRESS_BITS for number in cube) else []
    for number, line in enumerate(lines, start=_ADDRESS_BITS):
        if number in cube:
            said.append(line if cube[number] else f"not {line}")
    return " and ".join(said) or "always"


def _any(texts: Sequence[str]) -> str:
    if len(texts) == 1:
        return texts[0]
    return " or ".join(f"({text})" if " and " in text else text for text in texts)
