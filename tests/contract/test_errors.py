"""Errors for people: their text, its length, and many of them in one go."""

import pytest

from simkit.contract.errors import MAX_ERRORS, MAX_MESSAGE, Errors, SeveralErrors, SimkitError


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
