"""Select patterns and expressions against an independent reading of them, address by address."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simkit.backplane.select import ALL, Expression, Select, address_bit, parse_pattern, pattern_table, ranges
from simkit.contract.errors import SimkitError

patterns = st.text(alphabet="01x", min_size=16, max_size=16)


def matches(pattern: str, address: int) -> bool:
    bits = f"{address:016b}"
    return all(p in ("x", b) for p, b in zip(pattern, bits, strict=True))


@given(patterns, st.integers(0, 0xFFFF))
@settings(deadline=None)
def test_a_pattern_selects_exactly_the_addresses_whose_bits_agree(pattern, address):
    table = pattern_table(*parse_pattern(pattern))
    assert bool(table >> address & 1) == matches(pattern, address)


@given(patterns)
@settings(deadline=None, max_examples=30)
def test_a_pattern_with_n_undecoded_bits_selects_two_to_the_n_addresses(pattern):
    """Partial decoding repeats a card 2^n times (common practice)."""
    assert pattern_table(*parse_pattern(pattern)).bit_count() == 2 ** pattern.count("x")


@pytest.mark.parametrize("n", range(16))
def test_an_address_line_is_high_where_its_bit_is_one(n):
    table = address_bit(n)
    for address in (0, 1, 2, 0x00FF, 0x0100, 0x5555, 0xAAAA, 0x7FFF, 0x8000, 0xFFFF):
        assert bool(table >> address & 1) == bool(address >> n & 1)
    assert table.bit_count() == 0x8000


@st.composite
def expressions(draw, depth=0):
    """An expression as text together with a Python function that means the same."""
    kind = draw(st.sampled_from(["name", "name", "not", "and", "or"] if depth < 4 else ["name"]))
    if kind == "name":
        name = draw(st.sampled_from(["A0", "A7", "A13", "A14", "A15", "RW", "PHI2", "BANK0"]))
        return name, lambda values, name=name: values[name]
    if kind == "not":
        text, meaning = draw(expressions(depth=depth + 1))
        return f"not ({text})", lambda values, meaning=meaning: not meaning(values)
    left, left_means = draw(expressions(depth=depth + 1))
    right, right_means = draw(expressions(depth=depth + 1))
    if kind == "and":
        return f"({left}) and ({right})", lambda values: left_means(values) and right_means(values)
    return f"({left}) or ({right})", lambda values: left_means(values) or right_means(values)


@given(expressions(), st.integers(0, 0xFFFF), st.booleans(), st.booleans(), st.booleans())
@settings(deadline=None)
def test_an_expression_means_what_its_words_say(pair, address, rw, phi2, bank):
    text, meaning = pair
    levels = {"RW": rw, "PHI2": phi2, "BANK0": bank}
    values = {**levels, **{f"A{n}": bool(address >> n & 1) for n in range(16)}}
    assert bool(Expression(text).table(levels) >> address & 1) == meaning(values)


def test_and_binds_closer_than_or_and_not_closest():
    table = Expression("A15 or A14 and not A13").table({})
    assert ranges(table) == [(0x4000, 0x5FFF), (0x8000, 0xFFFF)]


def test_the_select_pins_of_a_6522_at_6000_give_its_range():
    """CS1 = A13, CS2B = NAND(not A15, A14): "Problem with addressing VIA", a builders' forum, 2025."""
    assert ranges(Expression("A13 and not A15 and A14").table({})) == [(0x6000, 0x7FFF)]
    swapped = Expression("not (not A15 and A14) and not A13").table({})
    assert ranges(swapped) == [(0x0000, 0x1FFF), (0x8000, 0x9FFF), (0xC000, 0xDFFF)]


def test_excluded_patterns_gate_a_hole():
    table = Select(("0xxx xxxx xxxx xxxx",), ("0111 1111 xxxx xxxx",)).table({})
    assert ranges(table) == [(0x0000, 0x7EFF)]


def test_ranges_of_everything_and_nothing():
    assert ranges(ALL) == [(0, 0xFFFF)]
    assert ranges(0) == []


@given(st.sets(st.integers(0, 0xFFFF), max_size=20))
@settings(deadline=None)
def test_ranges_cover_exactly_the_true_addresses(addresses):
    table = sum(1 << a for a in addresses)
    covered = {a for first, last in ranges(table) for a in range(first, last + 1)}
    assert covered == addresses


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("0111 1111 0010 00x", "has 15 bits, not 16"),
        ("0111 1111 0010 00xxx", "has 17 bits, not 16"),
        ("0111 1111 0010 002x", "holds '2'"),
    ],
)
def test_a_pattern_that_is_none_says_what_is_wrong(text, message):
    with pytest.raises(SimkitError, match=message):
        parse_pattern(text)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "is empty"),
        ("A15 and", "the end is not expected"),
        ("(A15", "the end is not expected"),
        ("A15)", r"'\)' is not expected"),
        ("A15 A14", "'A14' is not expected"),
        ("A15 && A14", "'&' is not part"),
        ("__import__('os').system('true')", "'_' is not part"),
        ("A15." + "x" * 500, "characters; 400 are allowed"),
        ("(" * 100 + "A15" + ")" * 100, "nests deeper"),
        ("not " * 99 + "A15", "nests deeper"),
        (" or ".join(f"L{n}" for n in range(9)), "9 driven lines; 8 are allowed"),
    ],
)
def test_a_hostile_or_broken_expression_is_refused_with_one_message(text, message):
    with pytest.raises(SimkitError, match=message):
        Expression(text)
