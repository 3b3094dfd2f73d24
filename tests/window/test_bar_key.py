"""What opens the bar: both Shift keys together, another key, the right mouse button, the pointer at the top edge.

Codes of scan code set 2: left Shift 12, right Shift 59, A 1C; F0 before a code says that the key came up. Brouwer,
Keyboard scancodes, 9.6.
"""

import attrs
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simkit import Machine
from simkit.hands.bar_key import REST_SECONDS, SHIFTS, BarKey, Press, TopEdge
from simkit.hands.controls import default_controls

LEFT, RIGHT = SHIFTS


def held(codes):
    """Keys that are down for the machine after these codes."""
    down, releases = set(), False
    for code in codes:
        if code == "F0":
            releases = True
            continue
        (down.discard if releases else down.add)(code)
        releases = False
    return down


@pytest.mark.parametrize(("first", "second", "code"), [(LEFT, RIGHT, "12"), (RIGHT, LEFT, "59")])
def test_both_shifts_open_the_bar_and_no_shift_stays_in_the_machine(hello, first, second, code):
    hello.down(first)
    hello.ticks(50)
    assert hello.codes() == [code]  # alone it is the machine's at once
    hello.down(second)
    hello.ticks(50)
    assert hello.app.bar.is_open
    assert hello.codes() == [code, "F0", code]
    hello.up(second, first)
    hello.ticks(50)
    hello.stroke("escape", "a")
    hello.until(lambda: len(hello.codes()) == 6)
    assert hello.codes()[3:] == ["1C", "F0", "1C"]  # and no code of the second Shift


def test_both_shifts_close_the_bar_again(hello):
    for is_open in (True, False, True):
        hello.down(LEFT, RIGHT)
        hello.up(LEFT, RIGHT)
        hello.ticks()
        assert hello.app.bar.is_open is is_open


@pytest.mark.parametrize("shift", SHIFTS)
def test_a_shift_alone_and_with_a_letter_is_the_machine_s(hello, shift):
    code = {LEFT: "12", RIGHT: "59"}[shift]
    hello.stroke(shift)
    hello.down(shift, "a")
    hello.up("a", shift)
    hello.until(lambda: len(hello.codes()) == 9)
    assert not hello.app.bar.is_open
    assert hello.codes() == [code, "F0", code, code, "1C", "F0", "1C", "F0", code]


def test_a_change_of_hands_between_capital_letters_opens_nothing(hello):
    hello.down(LEFT, "a")
    hello.up("a")
    hello.down(RIGHT)
    hello.up(LEFT, RIGHT)
    hello.until(lambda: len(hello.codes()) == 9)
    assert not hello.app.bar.is_open
    assert hello.codes() == ["12", "1C", "F0", "1C", "59", "F0", "12", "F0", "59"]


def test_a_shift_held_as_the_focus_goes_counts_no_more(hello):
    hello.down(LEFT)
    hello.ticks()
    hello.post(hello.pygame.WINDOWFOCUSLOST)
    hello.post(hello.pygame.WINDOWFOCUSGAINED)
    hello.stroke(RIGHT)
    assert not hello.app.bar.is_open


def test_both_shifts_open_the_bar_while_a_terminal_has_the_keys(bench):
    monitor = bench(Machine.load("demo:monitor"))
    assert monitor.app.terminals[0].has_keys
    monitor.down(LEFT, RIGHT)
    monitor.ticks()
    assert monitor.app.bar.is_open


def test_both_shifts_turn_the_bar_while_a_recording_has_the_machine(hello):
    hello.app.hands.tied = True
    for is_open in (True, False, True):
        hello.down(LEFT, RIGHT)
        hello.up(RIGHT, LEFT)
        hello.ticks(20)
        assert hello.app.bar.is_open is is_open
    assert hello.codes() == []


def test_another_bar_key_is_kept_from_the_machine_and_shifts_are_all_the_machine_s(hello):
    hello.app.play_with(attrs.evolve(default_controls(), bar_key="f12"))
    hello.down(LEFT, RIGHT)
    hello.up(LEFT, RIGHT)
    hello.down("f12", "f12")  # the second is the host's repeat
    hello.ticks()
    assert hello.app.bar.is_open
    hello.up("f12")
    hello.stroke("f12")
    assert not hello.app.bar.is_open
    hello.until(lambda: len(hello.codes()) == 6)
    hello.ticks(50)
    assert hello.codes() == ["12", "59", "F0", "12", "F0", "59"]


_KEYS = st.sampled_from((LEFT, RIGHT, "a"))


@given(st.lists(st.tuples(_KEYS, st.booleans()), max_size=40))
def test_the_bar_turns_only_with_both_shifts_down_and_each_press_of_one_is_told_once(events):
    key, down, turned = BarKey("both shifts"), set(), set()
    for name, goes_down in events:
        if not goes_down:
            key.release(name)
            down.discard(name)
            turned.discard(name)
            continue
        press = key.press(name)
        assert (press is Press.REPEATED) == (name in turned)
        if press is Press.TURNS:
            assert name not in down
            assert {*down, name} >= set(SHIFTS)
            turned.add(name)
        down.add(name)


# the pointer --------------------------------------------------------------------------------------------------------


def point(window, y, buttons=(0, 0, 0)):
    window.post(window.pygame.MOUSEMOTION, pos=(100, y), rel=(0, 0), buttons=buttons)
    window.ticks()


def rest(window, seconds=REST_SECONDS + 0.05):
    window.ticks(int(seconds * 1000))


def test_a_pointer_that_rests_at_the_top_edge_opens_the_bar_once(hello):
    point(hello, 0)
    rest(hello, REST_SECONDS * 0.8)
    assert not hello.app.bar.is_open
    rest(hello)
    assert hello.app.bar.is_open
    hello.stroke("escape")
    rest(hello)
    assert not hello.app.bar.is_open  # it has to come anew
    point(hello, 40)
    point(hello, 1)
    rest(hello)
    assert hello.app.bar.is_open


def test_it_opens_the_bar_of_a_machine_that_stands_too(hello):
    hello.choose("Pause")
    point(hello, 0)
    rest(hello)
    assert hello.app.bar.is_open


@pytest.mark.parametrize("away", ["passes", "leaves", "drags", "no focus"])
def test_a_pointer_that_does_not_rest_there_opens_nothing(hello, away):
    if away == "no focus":
        hello.post(hello.pygame.WINDOWFOCUSLOST)
    point(hello, 0, (1, 0, 0) if away == "drags" else (0, 0, 0))
    if away == "passes":
        point(hello, 30)
    if away == "leaves":
        hello.post(hello.pygame.WINDOWLEAVE)
    rest(hello)
    assert not hello.app.bar.is_open


def test_play_is_not_disturbed_while_anything_is_held(hello):
    hello.down("a")
    point(hello, 0)
    rest(hello)
    assert not hello.app.bar.is_open
    assert held(hello.codes()) == {"1C"}
    hello.up("a")
    hello.ticks(20)
    assert hello.app.bar.is_open


def test_the_rest_counts_from_when_the_pointer_came():
    now = [10.0]
    edge = TopEdge(lambda: now[0])
    assert not edge.rests
    edge.move(2, drags=False)
    now[0] += REST_SECONDS / 2
    edge.move(0, drags=False)
    now[0] += REST_SECONDS / 2
    assert edge.rests
    edge.spend()
    edge.move(1, drags=False)
    now[0] += 9
    assert not edge.rests
