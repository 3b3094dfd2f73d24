"""Keys and gamepads as browsers name them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simkit.hands.web_keys import NAME_BY_CODE, standard_button, standard_hat
from simkit.outside.host_keys import KEY_NAMES


def test_each_key_that_a_keyboard_card_may_have_has_one_code():
    assert sorted(NAME_BY_CODE.values()) == sorted(KEY_NAMES)


@pytest.mark.parametrize(
    ("code", "name"),
    [("KeyQ", "q"), ("Digit0", "0"), ("ArrowUp", "up"), ("PageDown", "page down"), ("ShiftRight", "right shift"),
     ("Numpad7", "keypad 7"), ("CapsLock", "caps lock"), ("MetaLeft", "left gui"), ("PrintScreen", "print screen")],
)  # fmt: skip
def test_codes_as_the_standard_spells_them(code, name):
    """W3C, UI Events KeyboardEvent code Values, 2017, section 3 (from memory)."""
    assert NAME_BY_CODE[code] == name


def test_the_middle_buttons_of_a_standard_gamepad_are_select_and_start():
    """W3C, Gamepad, "Remapping" (from memory): 8 and 9 lie in the middle, left and right; 12 to 15 are directions."""
    assert [standard_button(number) for number in (0, 1, 2, 3, 8, 9)] == [0, 1, 2, 3, 6, 7]
    assert [standard_button(number) for number in (12, 13, 14, 15)] == [None] * 4
    assert [standard_hat({number}) for number in (12, 13, 14, 15)] == [(0, 1), (0, -1), (-1, 0), (1, 0)]


@given(st.sets(st.integers(0, 20)))
def test_no_two_buttons_become_one_and_opposite_directions_cancel(pressed):
    numbers = [known for number in pressed if (known := standard_button(number)) is not None]
    assert len(set(numbers)) == len(numbers)
    across, up = standard_hat(pressed)
    assert (across, up) == ((15 in pressed) - (14 in pressed), (12 in pressed) - (13 in pressed))
