"""Patterns, expressions and what is made of them, at each of the 65,536 addresses, against arrays of bits."""

from itertools import product

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from simkit.backplane.covers import cover
from simkit.backplane.select import Expression, Select, expression
from simkit.contract.errors import SimkitError
from tests.examples import examples

ADDRESSES = np.arange(65_536)
LINES = ("BANK0", "BANK1", "PHI2", "RW")
NAMES = (*LINES, "A0", "A3", "A7", "A8", "A13", "A14", "A15")
patterns = st.text(alphabet="01xxx", min_size=16, max_size=16)


def array(table):
    return np.unpackbits(np.frombuffer(table.to_bytes(8192, "little"), np.uint8), bitorder="little").astype(bool)


def line(name, levels):
    if name in levels:
        return levels[name] if isinstance(levels[name], np.ndarray) else np.full(65_536, levels[name])
    return (ADDRESSES >> int(name[1:]) & 1).astype(bool)


def pattern_by_hand(text, levels):
    found = np.full(65_536, True)
    for n, wanted in zip(range(15, -1, -1), text, strict=True):
        if wanted != "x":
            found &= line(f"A{n}", levels) == (wanted == "1")
    return found


@st.composite
def expressions(draw, depth=0):
    """Text, and what it means as a function from levels to the array of all addresses."""
    kind = draw(st.sampled_from(["name", "pattern", "not", "and", "and", "or", "or"] if depth < 4 else ["name"]))
    if kind == "name":
        name = draw(st.sampled_from(NAMES))
        return name, lambda levels: line(name, levels)
    if kind == "pattern":
        text = draw(patterns)
        return " ".join(text[n : n + 4] for n in range(0, 16, 4)), lambda levels: pattern_by_hand(text, levels)
    if kind == "not":
        text, means = draw(expressions(depth=depth + 1))
        return f"not ({text})", lambda levels: ~means(levels)
    (one, one_means), (other, other_means) = draw(expressions(depth=depth + 1)), draw(expressions(depth=depth + 1))
    if kind == "and":
        return f"({one}) and ({other})", lambda levels: one_means(levels) & other_means(levels)
    return f"({one}) or ({other})", lambda levels: one_means(levels) | other_means(levels)


levels_of_lines = st.fixed_dictionaries({name: st.booleans() for name in LINES})


@settings(max_examples=examples(150), deadline=None)
@given(expressions(), levels_of_lines)
def test_an_expression_is_true_where_brute_force_says(pair, levels):
    text, means = pair
    assume(len(text) <= 400)
    assert np.array_equal(array(Expression(text).table(levels)), means(levels))


@settings(max_examples=examples(60), deadline=None)
@given(
    st.lists(patterns, min_size=1, max_size=4),
    st.lists(patterns, max_size=3),
    expressions(),
    expressions(),
    levels_of_lines,
)
def test_a_select_is_any_of_what_selects_and_none_of_what_excludes(selects, excludes, more, less, levels):
    assume(len(more[0]) <= 400 and len(less[0]) <= 400)
    found = Select((*selects, more[0]), (*excludes, less[0])).table(levels)
    wanted = np.any([pattern_by_hand(text, levels) for text in selects], axis=0) | more[1](levels)
    wanted &= ~np.any([pattern_by_hand(text, levels) for text in excludes] or [np.zeros(65_536, bool)], axis=0)
    assert np.array_equal(array(found), wanted & ~less[1](levels))


@settings(max_examples=examples(60), deadline=None)
@given(expressions(), patterns, levels_of_lines, st.sampled_from((3, 8, 15)), st.sampled_from((0, 7, 14)))
def test_a_wrong_address_line_is_wrong_in_patterns_and_expressions(pair, pattern, levels, odd, source):
    """Where a line carries another one's level, both forms of a select hear that level."""
    text, means = pair
    assume(len(text) <= 400)
    carried = (ADDRESSES >> source & 1).astype(bool)
    table = int.from_bytes(np.packbits(carried, bitorder="little").tobytes(), "little")
    found = Select((pattern, text)).table({**levels, f"A{odd}": table})
    by_hand = {**levels, f"A{odd}": carried}
    assert np.array_equal(array(found), pattern_by_hand(pattern, by_hand) | means(by_hand))


@settings(max_examples=examples(100), deadline=None)
@given(expressions(), st.data())
def test_a_truth_table_is_written_as_a_select_that_is_the_same(pair, data):
    """Both as patterns and as one expression; and the text does not depend on how the table came about."""
    text, means = pair
    assume(len(text) <= 360)
    found = cover(LINES, lambda levels: expression(text).table(levels))
    select = Select(found.select, found.not_select)
    for levels in (dict(zip(LINES, case, strict=True)) for case in product((False, True), repeat=4)):
        assert np.array_equal(array(select.table(levels)), means(levels))
        if len(found.expression()) <= 400:
            assert expression(found.expression()).table(levels) == select.table(levels)
    order = data.draw(st.permutations(LINES))
    twice = expression(f"not (not ({text}))")
    assert cover(["NMI", *order], twice.table) == found


@pytest.mark.parametrize(
    ("select", "not_select", "written"),
    [
        (["0xxx xxxx xxxx xxxx"], ["0111 1111 xxxx xxxx"], (["0xxx xxxx xxxx xxxx"], ["0111 1111 xxxx xxxx"])),
        (["A15"], [], (["1xxx xxxx xxxx xxxx"], [])),
        (["A13 and not A15 and A14"], [], (["011x xxxx xxxx xxxx"], [])),
        (["A15 and RW"], [], (["1xxx xxxx xxxx xxxx and RW"], [])),
        (["not RW"], [], (["not RW"], [])),
        (["A15 or not A15"], [], (["always"], [])),
        (["not 1111 1111 1111 1111"], [], (["always"], ["1111 1111 1111 1111"])),
        (["A15 and not A15"], [], (["never"], [])),
        (["A15 and A0", "0000 0000 0000 0000"], [], (["0000 0000 0000 0000", "1xxx xxxx xxxx xxx1"], [])),
    ],
)
def test_what_is_decoded_is_written_as_a_builder_would(select, not_select, written):
    found = cover(["RW", "PHI2"], Select(tuple(select), tuple(not_select)).table)
    assert (list(found.select), list(found.not_select)) == written


def test_what_no_decoder_does_is_refused():
    def every_other_sum(levels):
        odd = np.zeros(65_536, bool)
        for n in range(16):
            odd ^= (ADDRESSES >> n & 1).astype(bool)
        return int.from_bytes(np.packbits(odd, bitorder="little").tobytes(), "little")

    with pytest.raises(SimkitError, match="more than 64 patterns"):
        cover([], every_other_sum)
    with pytest.raises(SimkitError, match="depends on 11 lines"):
        cover([f"L{n}" for n in range(11)], every_other_sum)
