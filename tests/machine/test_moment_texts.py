"""Moments as texts: each that is written is read to the same, and each malformed one is told with its place."""

from fractions import Fraction

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from simkit import Machine
from simkit.contract.errors import SimkitError
from simkit.machine.moments import KINDS, UNITS, Moment, Span, parse_end, parse_moment
from simkit.machine.waiting import span_cycles

AMOUNTS = st.builds(Fraction, st.integers(0, 10**15), st.sampled_from([10**n for n in range(13)])).filter(
    lambda amount: amount < 10**12
)
SCREENS = st.one_of(st.just(""), st.text(min_size=1, max_size=8))


@st.composite
def spans(draw):
    unit = draw(st.sampled_from(UNITS))
    return Span(draw(AMOUNTS), unit, draw(SCREENS) if unit == "f" else "")


@st.composite
def moments(draw):
    kind = draw(st.sampled_from(["", *KINDS]))
    after = tuple(draw(st.lists(spans(), min_size=not kind, max_size=3)))
    if not kind:
        return Moment(after=after)
    value = draw(st.text(min_size=kind != "finding", max_size=20))
    screen = draw(SCREENS) if kind == "text" else ""
    return Moment(kind, value, draw(st.integers(1, 999_999_999)), screen, after)


@settings(suppress_health_check=[HealthCheck.too_slow])  # of the host, under load
@given(moments())
@example(Moment("text", "0", screen=":"))
def test_every_moment_written_back_is_read_to_the_same(moment):
    assert parse_moment(str(moment)) == moment
    assert parse_moment(f"  {moment} ") == moment


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("2s", Moment(after=(Span(Fraction(2), "s"),))),
        ("0.5 ms", Moment(after=(Span(Fraction(1, 2), "ms"),))),
        ("120f/main", Moment(after=(Span(Fraction(120), "f", "main"),))),
        ("label:main_loop", Moment("label", "main_loop")),
        ("label:a:b-$.c#3", Moment("label", "a:b-$.c", 3)),
        ("read:A+5c+1f", Moment("read", "A", 1, "", (Span(Fraction(5), "c"), Span(Fraction(1), "f")))),
        ('text:"say \\"hi\\" \\\\"/5', Moment("text", 'say "hi" \\', 1, "5")),
        ('finding:""', Moment("finding", "")),
    ],
)  # fmt: skip
def test_moments_are_read_as_people_write_them(text, moment):
    assert parse_moment(text) == moment


@pytest.mark.parametrize(
    ("text", "at", "what"),
    [
        ("", 0, "it ends too early"),
        ("soon", 0, "there is no time"),
        ("2", 0, "there is no time"),
        ("2seconds", 0, "there is no time"),
        ("2s5", 0, "there is no time"),
        ("labl:main", 0, "there is no kind 'labl'"),
        ("label:", 6, "there is no value"),
        ('label:""', 6, "the value is empty"),
        ('text:"no end', 5, "the quotation has no end"),
        ("text:two words", 8, "this does not belong to it"),
        ("label:main#", 10, "this is no number of times"),
        ("label:main#0", 10, "this is no number of times"),
        ("label:main+", 11, "it ends too early"),
        ("label:main+3", 11, "there is no time"),
        ("label:main+5c#2", 13, "this does not belong to it"),
        ("120f/", 5, "no screen is named"),
        ("2s/main", 2, "this does not belong to it"),
        ("2s#2", 2, "this does not belong to it"),
    ],
)
def test_a_malformed_moment_is_told_with_its_place(text, at, what):
    with pytest.raises(SimkitError) as told:
        parse_moment(text)
    assert f"{text!r} is not a moment: {what}" in told.value.message
    assert list(told.value.lines[1:]) == ([f"  {'':>{at}}^"] if text else [])
    assert told.value.remedy


def test_an_end_may_be_so_long_after_the_beginning():
    begin = parse_moment("label:title#2+1f")
    assert parse_end("+0.1s", begin) == parse_moment("label:title#2+1f+0.1s")
    assert parse_end("3s", begin) == parse_moment("3s")
    with pytest.raises(SimkitError, match="no time"):
        parse_end("+soon", begin)


@pytest.mark.parametrize(
    ("text", "cycles"),
    [
        ("0.5s", 1_000_000), ("3us", 6), ("2ms", 4_000), ("1.5c", 2), ("0.0000001s", 1), ("0s", 0), ("5000c", 5000),
    ],
)  # fmt: skip
def test_lengths_round_up_to_whole_cycles(text, cycles):
    m = Machine.load("demo:marlpit")
    assert m.clock_hz == 2_000_000
    (span,) = parse_moment(text).after
    assert span_cycles(m, span) == cycles
