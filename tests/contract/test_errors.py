"""Errors for people: their text, its length, and many of them in one go; the same fields for programs."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simkit.contract.errors import MAX_ERRORS, MAX_MESSAGE, Errors, SeveralErrors, SimkitError, near, numbers


def gathered(count):
    errors = Errors()
    for number in range(count):
        errors.add(SimkitError(f"mistake {number}."))
    return errors


def test_nothing_gathered_raises_nothing():
    gathered(0).raise_any()


def test_one_error_is_raised_as_itself_and_several_as_one():
    with pytest.raises(SimkitError, match=r"^mistake 0\.$") as caught:
        gathered(1).raise_any()
    assert not isinstance(caught.value, SeveralErrors)
    with pytest.raises(SeveralErrors) as caught:
        gathered(MAX_ERRORS - 1).raise_any()
    assert len(caught.value.errors) == MAX_ERRORS - 1


def test_far_too_many_errors_end_the_search_with_the_first_of_them():
    with pytest.raises(SeveralErrors) as caught:
        gathered(10 * MAX_ERRORS)
    texts = [error.message for error in caught.value.errors]
    assert texts == [*(f"mistake {n}." for n in range(MAX_ERRORS)), f"These are the first {MAX_ERRORS} errors."]


def test_the_middle_of_an_endless_message_is_left_out():
    assert SimkitError("x" * MAX_MESSAGE).message == "x" * MAX_MESSAGE
    message = SimkitError(f"begin {'x' * 10**6} end", file="some.toml", line=3).message
    assert len(message) < MAX_MESSAGE + 10
    assert message.startswith("begin xxx")
    assert message.endswith("xxx end")


@pytest.mark.parametrize(
    ("fields", "text"),
    [
        ({}, "It is wrong."),
        ({"file": "a.toml"}, "a.toml: It is wrong."),
        ({"file": "a.toml", "line": 3}, "a.toml:3: It is wrong."),
        ({"line": 3}, "It is wrong."),
        ({"remedy": "Write it."}, "It is wrong.\nWrite it."),
        ({"remedy": ""}, "It is wrong."),
        ({"file": "a.toml", "line": 3, "slot": 2, "field": "x", "remedy": "Mend."}, "a.toml:3: It is wrong.\nMend."),
    ],
)
def test_an_error_says_where_what_and_what_to_do_and_keeps_its_fields(fields, text):
    error = SimkitError("It is wrong.", **fields)
    assert str(error) == text
    names = ("file", "line", "slot", "field", "remedy")
    assert error.as_dict() == {"message": "It is wrong.", **{name: fields.get(name) for name in names}}
    assert {name: getattr(error, name) for name in names} == {name: fields.get(name) for name in names}


@pytest.mark.parametrize(("count", "message"), [(1, "1 error"), (2, "2 errors"), (0, "0 errors")])
def test_several_errors_are_told_one_after_another(count, message):
    errors = [SimkitError(f"Wrong {n}.", file="f", line=n + 1) for n in range(count)]
    several = SeveralErrors(iter(errors))
    assert several.message == message
    assert str(several) == "\n".join(f"f:{n + 1}: Wrong {n}." for n in range(count))
    assert several.as_dict() == {"message": message, "errors": [error.as_dict() for error in errors]}


@given(st.sets(st.integers(0, 99)))
def test_numbers_stand_lowest_first(found):
    assert [int(word) for word in numbers(found).split(", ") if word] == sorted(found)


@pytest.mark.parametrize(
    ("name", "known", "sentence"),
    [
        ("sran", ["sram", "rom"], "Did you mean 'sram'?"),
        ("PORT_9", ["PORT_1", "PORT_2", "PORT_3", "PORT_4", "X"], "Did you mean 'PORT_4' or 'PORT_3' or 'PORT_2'?"),
        ("sran", ["sram", "rom", "sram"], "Did you mean 'sram'?"),
        ("qqq", ["sram", "rom"], "Known are: rom, sram."),
        ("qqq", [f"name{n:02}" for n in range(24)], "Known are: " + ", ".join(f"name{n:02}" for n in range(24)) + "."),
        ("qqq", [f"name{n:02}" for n in range(25)], ""),
        ("qqq", [], ""),
    ],
)
def test_an_unknown_name_is_answered_with_the_near_ones_or_a_short_list(name, known, sentence):
    assert near(name, known) == sentence
    assert near(name, reversed(known)) == sentence
