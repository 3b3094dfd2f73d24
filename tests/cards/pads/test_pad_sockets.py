"""Pads without a card behind them: a program's latch and clock, edge by edge.

Sources:
    [CD4021BC] Fairchild, CD4021BC data sheet DS005954, description and truth table; limits of the CD4021B at 5 V from
        memory of TI SCHS024.
"""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from simkit_cards.pads.pad_sockets import PadSockets

from simkit.contract.errors import SimkitError
from simkit.testing.contract import check_contract

BUTTONS = ("a", "b", "select", "start", "up", "down", "left", "right")


def read_pads(bench, clocks=8, spacing=4):
    """Latch, then the data lines before each clock: bits of pad 1 and pad 2 in the order they come."""
    bench.pull("CLOCK", False)
    bench.pull("LATCH", True)
    bench.run(spacing)
    bench.pull("LATCH", False)
    bench.run(spacing)
    bits = []
    for _ in range(clocks):
        bits.append((bench.level("DATA_1"), bench.level("DATA_2")))
        bench.pull("CLOCK", True)
        bench.run(spacing)
        bench.pull("CLOCK", False)
        bench.run(spacing)
    first, second = zip(*bits, strict=True)
    return [int(bit) for bit in first], [int(bit) for bit in second]


@settings(deadline=None, max_examples=40)
@given(one=st.sets(st.sampled_from(BUTTONS)), two=st.sets(st.sampled_from(BUTTONS)), low=st.booleans())
def test_bits_come_in_the_order_of_the_protocol(card_bench, one, two, low):
    """First bit without a clock, seven clocks for the rest, then the serial input: [CD4021BC]; order: R. Price, blog
    post 3113."""
    bench = card_bench(PadSockets, after_last_bit=0 if low else 1)
    for number, pressed in ((1, one), (2, two)):
        for button in sorted(pressed):
            bench.happens("press", number, button)
    bench.run(2)
    first, second = read_pads(bench, clocks=10)
    tail = [0, 0] if low else [1, 1]
    assert first == [int(button not in one) for button in BUTTONS] + tail
    assert second == [int(button not in two) for button in BUTTONS] + tail


def test_while_the_latch_is_high_the_data_line_follows_the_first_button(card_bench):
    """Load is by level: [CD4021BC] description."""
    bench = card_bench(PadSockets)
    bench.pull("LATCH", True)
    for action, level in (("press", False), ("release", True), ("press", False)):
        bench.happens(action, 1, "a")
        bench.run(3)
        assert bench.level("DATA_1") is level
    bench.pull("LATCH", False)
    bench.happens("release", 1, "a")
    bench.run(3)
    assert bench.level("DATA_1") is False


def test_an_empty_socket_leaves_the_line_to_its_pull(card_bench):
    bench = card_bench(PadSockets, plugged_2=False)
    assert read_pads(bench)[1] == [1] * 8
    bench.happens("plug", 2)
    bench.happens("press", 2, "b")
    bench.run(2)
    assert read_pads(bench)[1] == [1, 0, 1, 1, 1, 1, 1, 1]


def test_stores_back_to_back_at_8_mhz_keep_every_limit_and_single_cycles_break_them(card_bench):
    """Four cycles at 8 MHz are 500 ns: fine. One cycle is 125 ns: too soon for the latch (160),
    the removal time (280) and the clock (333 ns)."""
    for hz, spacing, rules in ((8_000_000, 4, set()), (8_000_000, 1, {"pad-latch-too-short", "pad-clock-after-latch",
                                                                        "pad-clock-too-fast"})):  # fmt: skip
        bench = card_bench(PadSockets, hz=hz)
        read_pads(bench, spacing=spacing)
        assert {finding.rule for finding in bench.findings} == rules


LIMITS = {  # least latch and removal time in ns, highest clock in MHz: as test_serial_pads.py cites them
    ("CD4021B", "worst-case"): (160, 280, 3),
    ("CD4021B", "typical"): (80, 140, 6),
    ("CD4021BC", "worst-case"): (150, 200, 2.5),
    ("CD4021BC", "typical"): (75, 100, 3.5),
}


@pytest.mark.parametrize(("part", "limits"), LIMITS)
def test_each_limit_of_the_pads_part_is_kept_from_its_very_value_on(card_bench, part, limits):
    """At 50 MHz a cycle is 20 ns, so that most limits are whole numbers of cycles."""
    latch_ns, removal_ns, mhz = LIMITS[part, limits]
    for width, removal, period in [(n, 99, 99) for n in range(1, 12)] + [
        times for n in range(2, 24) for times in ((99, n, 99), (99, 99, n))
    ]:
        bench = card_bench(PadSockets, hz=50_000_000, part=part, limits=limits)
        bench.run(5)
        for pin, level, cycles in (
            ("LATCH", True, width), ("LATCH", False, removal), ("CLOCK", True, 1), ("CLOCK", False, period - 1),
            ("CLOCK", True, 1),
        ):  # fmt: skip
            bench.pull(pin, level)
            bench.run(cycles)
        expected = {
            rule
            for rule, broken in (
                ("pad-latch-too-short", width * 20 < latch_ns),
                ("pad-clock-after-latch", removal * 20 < removal_ns),
                ("pad-clock-too-fast", period * 20 * mhz < 1_000),
            )
            if broken
        }
        assert {finding.rule for finding in bench.findings} == expected, (width, removal, period)


def test_a_slow_part_misses_shifts_that_come_too_soon(card_bench):
    bench = card_bench(PadSockets, hz=8_000_000, slow_part=True)
    bench.happens("press", 1, "a")
    bench.run(2)
    assert read_pads(bench, spacing=1)[0] == [0] * 8


def test_an_own_oscillator_shifts_and_puts_the_clock_out(card_bench):
    """99.7 kHz at 2 MHz: a rise every 20 cycles, nearly."""
    bench = card_bench(PadSockets, oscillator="99.7 kHz")
    rises, before = [], bench.level("CLOCK")
    bench.pull("LATCH", True)
    bench.happens("press", 1, "b")
    bench.run(100)
    bench.pull("LATCH", False)
    bits = []
    while len(rises) < 9:
        data = bench.level("DATA_1")
        bench.run(1)
        level = bench.level("CLOCK")
        if level and not before:
            rises.append(bench.cycle)
            bits.append(int(data))
        before = level
    assert bits[:8] == [1, 0, 1, 1, 1, 1, 1, 1]
    assert (rises[-1] - rises[0]) / 8 == pytest.approx(2_000_000 / 99_700, abs=0.2)
    with pytest.raises(SimkitError, match="is not a clock"):
        card_bench(PadSockets, oscillator="99.7")


@pytest.mark.parametrize("options", [{"oscillator": "20 kHz"}, {"slow_part": True, "plugged_1": False}])
@pytest.mark.parametrize("seed", [0, *(pytest.param(seed, marks=pytest.mark.slow) for seed in (1, 2))])
def test_the_card_keeps_the_contract(options, seed):
    assert check_contract(PadSockets, options, seed=seed, steps=25, damaged=False).problems == ()


def test_a_slow_part_within_its_limits_is_read_right(card_bench):
    bench = card_bench(PadSockets, hz=1_000_000, slow_part=True)
    bench.happens("press", 1, "right")
    bench.run(2)
    assert read_pads(bench)[0] == [1, 1, 1, 1, 1, 1, 1, 0]
    assert not list(bench.findings)
