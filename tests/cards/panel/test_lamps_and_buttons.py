"""Rows of lamps and buttons, at an address and on pins."""

import random

import pytest
from simkit_cards.panel.button_row import ButtonRow
from simkit_cards.panel.led_row import LedRow

from simkit.testing.bench import Bench


def lamps(bench):
    return bench.card.slot.ports["lamps"].levels(bench.cycle)


def test_lamps_show_the_latch_highest_bit_on_the_left():
    bench = Bench(LedRow, {"labels": "alarm, pump"})
    bench.write(0, 0x81)
    assert lamps(bench) == (True, *[False] * 6, True)
    assert bench.card.words(bench.cycle) == ["lit: alarm, L0"]


def test_lamps_to_the_supply_are_lit_by_a_low_level():
    bench = Bench(LedRow, {"lit_by": "low", "count": 2})
    bench.write(0, 0x01)
    assert lamps(bench) == (True, False)


@pytest.mark.parametrize(("cleared", "lit"), [(True, False), (False, True)])
def test_a_latch_without_clear_keeps_its_lamps_through_reset(cleared, lit):
    bench = Bench(LedRow, {"cleared_by_reset": cleared})
    bench.write(0, 0xFF)
    bench.reset()
    assert lamps(bench) == (lit,) * 8


def test_lamps_on_pins_follow_the_lines_and_open_ones_stay_dark():
    bench = Bench(LedRow, {"joined": "pins", "count": 3})
    bench.pull("L1", True)
    bench.pull("L0", False)
    assert lamps(bench) == (False, True, False)
    assert lamps(Bench(LedRow, {"joined": "pins", "lit_by": "low"}, joined=False)) == (False,) * 8


def test_a_held_button_reads_0_and_undriven_bits_keep_the_bus():
    bench = Bench(ButtonRow, {"count": 2, "labels": "go,stop"})
    bench._cpu.last = 0xF0
    assert bench.read(0) == 0xF3
    bench.outside("buttons", "press", "go")
    bench.run(1)
    bench._cpu.last = 0xF0
    assert bench.read(0) == 0xF1
    assert bench.card.words(bench.cycle) == ["held: go"]
    bench.outside("buttons", "release", "go")
    bench.run(1)
    assert bench.card.words(bench.cycle) == ["no button held"]


def test_buttons_on_pins_pull_their_lines_low():
    bench = Bench(ButtonRow, {"joined": "pins", "count": 2})
    bench.outside("buttons", "press", "B1")
    bench.run(1)
    assert (bench.level("B1"), bench.level("B0")) == (False, True)


def test_contacts_bounce_for_the_time_set_and_settle_on_what_the_finger_does():
    """Common practice: contacts open and close several times within milliseconds."""
    most = 0
    for seed in range(10):
        bench = Bench(ButtonRow, {"joined": "pins", "count": 1, "bounce_us": 2_000}, seed=seed)
        for action, level in (("press", False), ("release", True)):
            bench.outside("buttons", action, "B0")
            changes, before, last = 0, not level, 0
            for n in range(3_000):
                bench.run(1)
                if bench.level("B0") is not before:
                    before = not before
                    changes += 1
                    last = n
            assert before is level
            assert changes % 2 == 1
            assert last <= 2_002
            most = max(most, changes)
    assert most > 3


@pytest.mark.parametrize("joined", ["address", "pins"])
@pytest.mark.parametrize("bounce_us", [0, 40])
def test_of_many_buttons_each_bounces_by_itself_and_then_shows_what_its_finger_does(joined, bounce_us):
    rng = random.Random(bounce_us)
    bench = Bench(ButtonRow, {"joined": joined, "bounce_us": bounce_us})
    held, before = 0, 0
    moves, changes, moved = [0] * 8, [0] * 8, [-1_000] * 8
    for _ in range(2_500):
        if rng.random() < 0.1:
            bit = rng.randrange(8)
            action = rng.choice(("press", "release"))
            if bool(held >> bit & 1) is not (action == "press"):
                moved[bit] = bench.cycle
                moves[bit] += 1
                held ^= 1 << bit
            bench.outside("buttons", action, f"B{bit}")
        shown = 0xFF ^ (bench.peek(0) if joined == "address" else sum(bench.level(f"B{n}") << n for n in range(8)))
        at_rest = sum(1 << bit for bit, cycle in enumerate(moved) if bench.cycle > cycle + bounce_us + 1)
        assert shown & at_rest == held & at_rest
        changes = [count + ((shown ^ before) >> bit & 1) for bit, count in enumerate(changes)]
        before = shown
        bench.run(1)
    assert all(moves)
    if bounce_us:
        assert all(count > 2 * finger for count, finger in zip(changes, moves, strict=True))
    else:
        assert changes == moves
