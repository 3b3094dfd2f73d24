"""When a card is selected: patterns of address bits and Boolean expressions over lines, compiled to truth tables.

A truth table is one integer of 65,536 bits: bit n tells the value for address n. Integers of that size make AND, OR
and NOT one machine operation each, so whole decoders are worked out in microseconds, exactly, for every address.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache

from simkit.contract.errors import SimkitError

ADDRESS_LINES = tuple(f"A{n}" for n in range(16))
ADDRESSES = 65_536
ALL = (1 << ADDRESSES) - 1

MAX_EXPRESSION_CHARACTERS = 400
MAX_EXPRESSION_DEPTH = 20
MAX_DRIVEN_LINES = 8
"""Lines driven by cards that may stand in one card's select: one decode table exists per combination."""

_TOKEN = re.compile(r"\s*(?:((?:[01xX][ _]*){15}[01xX](?![A-Za-z0-9_.]))|([A-Za-z][A-Za-z0-9_.]*)|([()]))")
_CONSTANT = dict.fromkeys(("GND", "VSS", "LOW", "NEVER"), 0) | dict.fromkeys(
    ("VCC", "VDD", "HIGH", "OPEN", "ALWAYS"), ALL
)
_WORDS = ("and", "or", "not")


@lru_cache(maxsize=16)
def address_bit(n: int) -> int:
    """Truth table of address line A`n`."""
    table = ((1 << (1 << n)) - 1) << (1 << n)  # one period: 2^n zeros, then 2^n ones
    width = 1 << (n + 1)
    while width < ADDRESSES:
        table |= table << width
        width *= 2
    return table


@lru_cache(maxsize=512)
def parse_pattern(text: str) -> tuple[int, int]:
    """Mask and value of a select pattern, bits A15..A0 as 0, 1 or x (not decoded); spaces are for reading.

    Returns:
        (mask, value): the address matches when `address & mask == value`.

    Raises:
        SimkitError: another character, or not 16 bits.
    """
    bits = re.sub(r"[\s_]", "", text)
    wrong = re.search(r"[^01xX]", bits)
    if wrong:
        raise SimkitError(f"{text!r} holds {wrong[0]!r}.", remedy="Write one 0, 1 or x for each of A15 to A0.")
    if len(bits) != 16:
        raise SimkitError(f"{text!r} has {len(bits)} bits, not 16.", remedy="Write a 0, 1 or x for each of A15 to A0.")
    mask = int("".join("0" if b in "xX" else "1" for b in bits), 2)
    value = int("".join("1" if b == "1" else "0" for b in bits), 2)
    return mask, value


Levels = Mapping[str, bool | int]
"""Levels of lines by name (True is high), or truth tables; address lines only where they are odd."""


def as_table(level: bool | int) -> int:
    """Truth table of a line that has a level, or has one already."""
    return (ALL if level else 0) if isinstance(level, bool) else level


def _address_table(n: int, levels: Levels) -> int:
    odd = levels.get(ADDRESS_LINES[n])
    return address_bit(n) if odd is None else as_table(odd)


def pattern_table(mask: int, value: int, levels: Levels | None = None) -> int:
    """Truth table of a pattern."""
    if levels is None or levels.keys().isdisjoint(ADDRESS_LINES):
        return _straight_table(mask, value)
    return _pattern_table(mask, value, levels)


def _pattern_table(mask: int, value: int, levels: Levels) -> int:
    table = ALL
    for n in range(16):
        if mask >> n & 1:
            bit = _address_table(n, levels)
            table &= bit if value >> n & 1 else ALL ^ bit
    return table


@lru_cache(maxsize=1024)  # machines that differ by a fault decode most of their cards alike
def _straight_table(mask: int, value: int) -> int:
    return _pattern_table(mask, value, {})


class Expression:
    """A Boolean expression over lines: `and`, `or`, `not`, brackets, names.

    Grammar (bounded; nothing is ever evaluated as Python)::

        either  = both { "or" both }
        both    = factor { "and" factor }
        factor  = "not" factor | "(" either ")" | name | pattern

    A pattern is that of a select, 16 bits. Names are A0..A15, RW (high on a read), PHI2, and lines that cards or
    decoders drive; GND and VCC (or VSS and VDD, LOW and HIGH) are levels, ALWAYS and NEVER the same in other words, and
    OPEN is an open input, which reads high.

    Attributes:
        text: as written.
        lines: names that are neither address lines nor RW nor PHI2.
    """

    def __init__(self, text: str) -> None:
        self.text = text
        if len(text) > MAX_EXPRESSION_CHARACTERS:
            raise SimkitError(
                f"The expression has {len(text)} characters; {MAX_EXPRESSION_CHARACTERS} are allowed.",
                remedy="Shorten it, or use select patterns.",
            )
        self._tokens = _tokenize(text)
        self._position = 0
        self._names: set[str] = set()
        self._evaluate = self._either(0)
        if self._position < len(self._tokens):
            raise self._unexpected()
        self.lines = frozenset(n for n in self._names if n not in ADDRESS_LINES and n not in ("RW", "PHI2"))
        if len(self.lines) > MAX_DRIVEN_LINES:
            raise SimkitError(
                f"{text!r} names {len(self.lines)} driven lines; {MAX_DRIVEN_LINES} are allowed in one expression.",
                remedy="Let a decoder's line of its own ([backplane.signals]) stand for some of them.",
            )

    def table(self, levels: Levels) -> int:
        """Truth table over all addresses with the other names at the given levels."""
        return self._evaluate(levels)

    def _unexpected(self) -> SimkitError:
        found = repr(self._tokens[self._position]) if self._position < len(self._tokens) else "the end"
        return SimkitError(
            f"{self.text!r}: {found} is not expected there.",
            remedy='Write names of lines joined by "and", "or", "not" and brackets, e.g. "A13 and not (A15 or A14)".',
        )

    def _peek(self) -> str:
        return self._tokens[self._position] if self._position < len(self._tokens) else ""

    def _either(self, depth: int) -> Callable[[Levels], int]:
        if depth > MAX_EXPRESSION_DEPTH:
            raise SimkitError(f"The expression nests deeper than {MAX_EXPRESSION_DEPTH} levels.", remedy="Flatten it.")
        terms = [self._both(depth)]
        while self._peek() == "or":
            self._position += 1
            terms.append(self._both(depth))
        if len(terms) == 1:
            return terms[0]

        def any_of(levels: Levels) -> int:
            table = 0
            for term in terms:
                table |= term(levels)
            return table

        return any_of

    def _both(self, depth: int) -> Callable[[Levels], int]:
        factors = [self._factor(depth)]
        while self._peek() == "and":
            self._position += 1
            factors.append(self._factor(depth))
        if len(factors) == 1:
            return factors[0]

        def all_of(levels: Levels) -> int:
            table = ALL
            for factor in factors:
                table &= factor(levels)
            return table

        return all_of

    def _factor(self, depth: int) -> Callable[[Levels], int]:
        if depth > MAX_EXPRESSION_DEPTH:
            raise SimkitError(f"The expression nests deeper than {MAX_EXPRESSION_DEPTH} levels.", remedy="Flatten it.")
        token = self._peek()
        if token == "not":
            self._position += 1
            inner = self._factor(depth + 1)
            return lambda levels: ALL ^ inner(levels)
        if token == "(":
            self._position += 1
            inner = self._either(depth + 1)
            if self._peek() != ")":
                raise self._unexpected()
            self._position += 1
            return inner
        if not token or token in _WORDS or token == ")":
            raise self._unexpected()
        if re.fullmatch(r"[AD][0-9]+", token) and token not in ADDRESS_LINES:
            what = "the bus has no address line" if token[0] == "A" else "no decoder looks at the data line"
            raise SimkitError(
                f"{self.text!r}: {what} {token}.", remedy="Write A0 to A15, RW, PHI2, or a line that a card drives."
            )
        self._position += 1
        if len(token) == 16 and set(token) <= set("01x"):
            mask, value = parse_pattern(token)
            return lambda levels: pattern_table(mask, value, levels)
        if token in _CONSTANT:
            constant = _CONSTANT[token]
            return lambda levels: constant
        self._names.add(token)
        if token in ADDRESS_LINES:
            number = int(token[1:])
            return lambda levels: _address_table(number, levels)
        return lambda levels: as_table(levels[token])


@lru_cache(maxsize=512)
def expression(text: str) -> Expression:
    """An expression, parsed once for all machines that have it.

    Raises:
        SimkitError: it is none.
    """
    return Expression(text)


def _tokenize(text: str) -> list[str]:
    tokens: list[str] = []
    position = 0
    end = len(text.rstrip())
    while position < end:
        match = _TOKEN.match(text, position)
        if match is None:
            raise SimkitError(
                f"{text!r}: {text[position:].strip()[0]!r} is not part of an expression.",
                remedy='Write names of lines joined by "and", "or", "not" and brackets.',
            )
        if match[1]:
            tokens.append(re.sub("[ _]", "", match[1]).lower())
        else:
            word = match[2] or match[3]
            tokens.append(word.lower() if word.lower() in _WORDS else word.upper() if match[2] else word)
        position = match.end()
    if not tokens:
        raise SimkitError("The expression is empty.", remedy='Write e.g. "A15 and not A14".')
    return tokens


class Select:
    """Selection of a card: any of its patterns or its expression, and none of the excluded patterns."""

    def __init__(self, select: tuple[str, ...], not_select: tuple[str, ...] = ()) -> None:
        self.patterns: list[tuple[int, int]] = []
        self.expressions: list[Expression] = []
        for text in select:
            self._add(text, self.patterns, self.expressions)
        self.excluded: list[tuple[int, int]] = []
        self.excluded_expressions: list[Expression] = []
        for text in not_select:
            self._add(text, self.excluded, self.excluded_expressions)

    @staticmethod
    def _add(text: str, patterns: list[tuple[int, int]], expressions: list[Expression]) -> None:
        if re.fullmatch(r"[01xX\s_]+", text):
            patterns.append(parse_pattern(text))
        else:
            expressions.append(expression(text))

    @property
    def lines(self) -> frozenset[str]:
        """Lines driven by cards that stand in the selection."""
        found: frozenset[str] = frozenset()
        for expression in (*self.expressions, *self.excluded_expressions):
            found |= expression.lines
        return found

    def table(self, levels: Levels) -> int:
        """Truth table over all addresses."""
        table = 0
        for mask, value in self.patterns:
            table |= pattern_table(mask, value, levels)
        for expression in self.expressions:
            table |= expression.table(levels)
        for mask, value in self.excluded:
            table &= ALL ^ pattern_table(mask, value, levels)
        for expression in self.excluded_expressions:
            table &= ALL ^ expression.table(levels)
        return table


def carries(pins: Sequence[int], offset: int) -> int:
    """Truth table of the addresses for which pins carry an offset, from the truth table of each pin, A0 first."""
    table = ALL
    for pin, level in enumerate(pins):
        table &= level if offset >> pin & 1 else ALL ^ level
    return table


def ranges(table: int) -> list[tuple[int, int]]:
    """Address ranges (first, last) in which a truth table is true, in order."""
    found: list[tuple[int, int]] = []
    start = 0
    while table >> start:
        rest = table >> start
        zeros = (rest & -rest).bit_length() - 1
        first = start + zeros
        rest >>= zeros
        ones = ((rest + 1) & ~rest).bit_length() - 1
        found.append((first, first + ones - 1))
        start = first + ones
    return found
