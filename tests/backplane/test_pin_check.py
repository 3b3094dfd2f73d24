"""What wiring does to pins of cards and to lines is told before the first cycle, in its place and nowhere else."""

from __future__ import annotations

import pytest

from simkit import Machine


def told(machine, *wiring):
    return [(one.rule, one.slot) for one in Machine.load(machine, wiring=wiring).warnings]


@pytest.mark.parametrize(
    ("machine", "said", "rule", "slot"),
    [
        ("bench", "slot 1: A13 not connected", "input-open", 1),
        ("monitor", "slot 6: A16 not connected", "input-open", 6),
        ("bench", "slot 2: D7 open", "input-open", 2),
        ("bench", "CPU: D0 not connected", "input-open", None),
        ("bench", "A1 open", "input-open", None),
        ("bench", "slot 4: /RES not connected", "input-open", 4),
        ("bench", "slot 4: CA1 open", "input-open", 4),
        ("bench", "slot 3: RES tied low", "reset-held", 3),
        ("bench", "slot 3: RES inverted", "reset-held", 3),
        ("bench", "D3 and D4 shorted", "output-fight", None),
        ("bench", "A3 shorted to A2", "output-fight", None),
        ("bench", "slot 2: pins A1 and A0 shorted", "output-fight", 2),
        ("keyboard-on-ports", "no pull-up on KEY_CLOCK", "line-undriven", 6),
        ("keyboard-on-ports", "KEY_DATA pulled down", "line-undriven", 6),
        ("marlpit", "IRQ pulled down", "line-undriven", 3),
        ("banks-test", "slot 5: /OE tied high", "line-undriven", 5),
        ("banks-test", "slot 5: OE open", "line-undriven", 5),
    ],
)
def test_an_open_input_a_held_reset_a_short_and_a_line_that_nobody_takes_high_are_told_where_they_are(
    machine, said, rule, slot
):
    assert set(told(f"demo:{machine}", said)) == {(rule, slot)}


@pytest.mark.parametrize(
    ("machine", "said"),
    [
        ("bench", "D3 pulled up"),
        ("bench", "slot 1: RES open"),  # which a memory does not have
        ("bench", "slot 4: PB0 open"),  # told when it is read
        ("marlpit", "IRQ pulled up"),
        ("bench", "slot 2: pin A14 low"),
        ("ports-test", "SHIFT_CLOCK not pulled"),  # driven both ways
        ("monitor", "BANK0 pulled down"),
        ("monitor", "slot 5: OE joined to LAMP0"),  # which a port drives
        ("monitor", "slot 5: OE tied low"),
    ],
)
def test_what_is_driven_held_or_pulled_is_in_order(machine, said):
    assert told(f"demo:{machine}", said) == []


def test_an_open_line_that_a_resistor_pulls_is_in_order():
    assert told("demo:bench", "A3 open", "A3 pulled down") == []


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ("slot 1: WE and OE swapped", "'not RW and PHI2' is true then"),
        ("slot 4: output enable PHI2", "ignores RW"),
    ],
)
def test_a_card_that_fights_the_cpu_is_told_with_what_its_output_enable_does(said, words):
    machine = Machine.load("demo:bench", wiring=[said])
    machine.run(cycles=300)
    fight = next(one for one in machine.findings if one.rule == "contention")
    assert fight.message.endswith(f"its output enable {words}.")
