"""Keys and joysticks of the host on the pads of a machine."""

import pytest

from simkit import Machine
from simkit.hands.controls import default_controls
from simkit.hands.pads import JoystickPads, KeyPads, PadButtons
from simkit.machine.views import Pads


@pytest.fixture
def machine():
    return Machine.load("demo:marlpit")


@pytest.fixture
def buttons(machine):
    cards = [port for card in machine.cards.values() for port in card.ports.values() if isinstance(port, Pads)]
    return PadButtons(cards, machine.description.clock_hz)


def queued(machine):
    return [
        (cycle, action, *arguments) for cycle, _, _, port, action, arguments in machine.bus.agenda.pending_outside()
    ]


def test_a_button_held_by_key_and_joystick_comes_up_with_the_last_of_them(machine, buttons):
    buttons.hold(1, "a", "key x", 100)
    buttons.hold(1, "a", "joystick 0 button 0", 200)
    buttons.let_go(1, "a", "key x", 100_000)
    assert queued(machine) == [(100, "press", 1, "a")]
    buttons.let_go(1, "a", "joystick 0 button 0", 200_000)
    assert queued(machine)[1:] == [(200_000, "release", 1, "a")]


def test_a_tap_delivered_in_one_go_still_lasts_a_frame(machine, buttons):
    """1/50 s at 2 MHz: 40 000 cycles; a program that looks once a frame (9918A: 60 a second) sees it."""
    buttons.hold(1, "a", "key x", 1000)
    buttons.let_go(1, "a", "key x", 1000)
    buttons.hold(1, "a", "key x", 1000)
    buttons.let_go(1, "a", "key x", 1000)
    assert queued(machine) == [
        (1000, "press", 1, "a"),
        (41_000, "release", 1, "a"),
        (41_000, "press", 1, "a"),
        (81_000, "release", 1, "a"),
    ]


def test_the_dead_zone_holds_a_wandering_stick_still(machine, buttons):
    sticks = JoystickPads(buttons, default_controls())
    assert sticks.plugged_in(7) == 1
    for value in (0.1, -0.39, 0.4, 0.05):
        sticks.axis(7, 0, value, 10)
    assert queued(machine) == []
    sticks.axis(7, 0, -0.9, 10)
    assert queued(machine) == [(10, "press", 1, "left")]
    sticks.axis(7, 0, 1.0, 100_000)
    assert sorted(queued(machine)[1:]) == [(100_000, "press", 1, "right"), (100_000, "release", 1, "left")]


def test_a_hat_moves_through_its_diagonals(machine, buttons):
    sticks = JoystickPads(buttons, default_controls())
    sticks.plugged_in(0)
    sticks.hat(0, 0, (1, 1), 10)
    sticks.hat(0, 0, (1, 0), 100_000)
    assert queued(machine) == [(10, "press", 1, "right"), (10, "press", 1, "up"), (100_000, "release", 1, "up")]


def test_joysticks_take_the_lowest_free_pad_and_leave_it_released(machine, buttons):
    sticks = JoystickPads(buttons, default_controls())
    assert [sticks.plugged_in(number) for number in (4, 5, 6)] == [1, 2, None]
    sticks.button(4, 0, True, 10)
    sticks.button(5, 0, True, 10)
    assert sticks.pulled_out(4, 100_000) == 1
    assert queued(machine)[-1] == (100_000, "release", 1, "a")
    assert sticks.plugged_in(6) == 1
    sticks.button(4, 0, True, 200_000)  # a late event of the one that is gone
    assert queued(machine)[-1] == (100_000, "release", 1, "a")


def test_keys_that_play_pads_can_be_switched_off_while_one_is_held(machine, buttons):
    keys = KeyPads(buttons, default_controls())
    keys.press("left", 10)
    keys.enabled = False
    keys.press("up", 20)
    keys.release("left", 100_000)
    assert queued(machine) == [(10, "press", 1, "left"), (100_000, "release", 1, "left")]
