"""Lines: who pulls, which level, since which cycle, and how changes settle."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simkit.contract.findings import Findings
from simkit.contract.lines import MAX_SETTLING_ROUNDS, Drive, Pin, PinSpec, Wiring


def wiring_with(*pins):
    findings = Findings()
    wiring = Wiring(findings)
    made = []
    for slot, (line, drive, listens) in enumerate(pins, start=1):
        pin = Pin(PinSpec(name=f"P{slot}", drive=drive, listens=listens), slot)
        wiring.line(line).join(pin)
        made.append(pin)
    return wiring, findings, made


def test_several_open_drain_outputs_share_a_line():
    """IRQ is wired-OR: low while any card pulls (common practice)."""
    wiring, findings, (a, b) = wiring_with(("IRQ", Drive.OPEN_DRAIN, False), ("IRQ", Drive.OPEN_DRAIN, False))
    irq = wiring.line("IRQ")
    a.drive(False, 10)
    b.drive(False, 12)
    a.drive(None, 14)
    assert irq.asserted
    b.drive(True, 16)  # an open-drain output cannot drive high: it lets go
    assert not irq.asserted
    assert [irq.level_at(c) for c in (9, 10, 13, 15, 16, 99)] == [True, False, False, False, True, True]
    assert len(findings) == 0


def test_a_change_in_an_access_counts_from_the_next_cycle():
    wiring, _, (a,) = wiring_with(("IRQ", Drive.OPEN_DRAIN, False))
    wiring.delay = 1
    a.drive(False, 10)
    irq = wiring.line("IRQ")
    assert irq.since == 11
    assert irq.level_at(10) is True
    assert irq.level_at(11) is False


def test_two_changes_within_one_cycle_leave_one_entry():
    wiring, _, (a,) = wiring_with(("IRQ", Drive.OPEN_DRAIN, False))
    irq = wiring.line("IRQ")
    a.drive(False, 10)
    a.drive(None, 10)
    assert irq.level_at(10) is True
    assert irq.level_at(9) is True


def test_push_pull_outputs_on_one_line_fight_and_are_named():
    wiring, findings, (a, b) = wiring_with(("IRQ", Drive.PUSH_PULL, False), ("IRQ", Drive.OPEN_DRAIN, False))
    a.drive(True, 5)
    b.drive(False, 9)
    assert wiring.line("IRQ").asserted
    assert [f.rule for f in findings] == ["output-fight"]
    assert "slot 1 P1 (push-pull) high" in findings[0].message
    assert "slot 2 P2 (open drain) low" in findings[0].message


@pytest.mark.parametrize("saved", [False, True], ids=["run through", "saved and loaded before each step"])
def test_a_fight_is_reported_once_and_again_only_after_it_ended(saved):
    """Whatever else moves meanwhile, and however often the machine is saved and loaded."""
    drives = [("X", drive, False) for drive in (Drive.PUSH_PULL, Drive.THREE_STATE, Drive.THREE_STATE)]
    wiring, findings, pins = wiring_with(*drives)
    steps = [(0, True, 0), (1, False, 1), (2, False, 1), (1, None, 1), (2, True, 1), (0, False, 2), (2, None, 2)]
    steps += [(1, True, 3), (2, True, 3), (0, True, 3), (1, False, 4)]
    told = 0
    for cycle, (number, value, fights) in enumerate(steps):
        if saved:
            state = json.loads(json.dumps(wiring.save()))
            told += len(findings)
            wiring, findings, pins = wiring_with(*drives)
            wiring.load(state)
        pins[number].drive(value, cycle)
        assert told + findings.count("output-fight") == fights, f"step {cycle}"


def test_listeners_are_called_in_slot_order():
    wiring, _, (out, first, second) = wiring_with(
        ("X", Drive.PUSH_PULL, False), ("X", Drive.INPUT, True), ("X", Drive.INPUT, True)
    )
    heard = []
    for pin in (second, first):
        pin.notify = lambda name, level, cycle, slot=pin.slot: heard.append((slot, name, level, cycle))
    out.drive(False, 3)
    assert wiring.unsettled
    wiring.settle(3)
    assert heard == [(2, "P2", False, 3), (3, "P3", False, 3)]


@given(st.permutations([(slot, name) for slot in (1, 2, 10) for name in ("CA1", "CA2", "CB1")]))
def test_listeners_of_one_change_are_called_by_slot_and_then_by_the_name_of_the_pin(order):
    """In whatever order a machine file joins them."""
    wiring = Wiring(Findings())
    heard = []
    for slot, name in order:
        pin = Pin(PinSpec(name=name, drive=Drive.INPUT, listens=True), slot)
        pin.notify = lambda name, level, cycle, slot=slot: heard.append((slot, name))
        wiring.line("X").join(pin)
    out = Pin(PinSpec(name="OUT", drive=Drive.PUSH_PULL), 3)
    wiring.line("X").join(out)
    out.drive(False, 3)
    wiring.settle(3)
    assert heard == sorted(order)


def test_outputs_that_feed_each_other_are_a_finding_not_a_hang():
    wiring, findings, (out, listen) = wiring_with(("X", Drive.PUSH_PULL, False), ("X", Drive.INPUT, True))
    rounds = []

    def invert(name, level, cycle):
        rounds.append(level)
        out.drive(not level, cycle)

    listen.notify = invert
    out.drive(False, 3)
    wiring.settle(3)
    assert len(rounds) == MAX_SETTLING_ROUNDS
    assert [f.rule for f in findings] == ["unsettled-lines"]


def test_an_output_that_moves_by_the_clock_is_asked_when_nobody_watches():
    wiring, _, (out,) = wiring_with(("X", Drive.PUSH_PULL, False))
    out.lazy_level = lambda cycle: cycle % 2 == 0
    assert not out.watched
    assert [wiring.line("X").level_now(c) for c in (4, 5)] == [True, False]


def test_lines_come_back_from_a_snapshot():
    wiring, _, (a,) = wiring_with(("IRQ", Drive.OPEN_DRAIN, False))
    a.drive(False, 10)
    a.drive(None, 20)
    a.drive(False, 30)
    again, _, (b,) = wiring_with(("IRQ", Drive.OPEN_DRAIN, False))
    again.load(wiring.save())
    assert [again.line("IRQ").level_at(c) for c in (9, 10, 20, 30)] == [True, False, True, False]
    assert b.value is False
    assert again.save() == wiring.save()


def test_an_open_output_that_moves_by_the_clock_is_asked_too():
    out = Pin(PinSpec(name="X", drive=Drive.PUSH_PULL), 1)
    out.value = True
    out.lazy_level = lambda cycle: cycle % 2 == 0
    assert [out.level(c) for c in (4, 5)] == [True, False]


def test_whoever_follows_a_line_in_mid_run_finds_it_up_to_date_and_its_cards_told():
    wiring, _, (out, other) = wiring_with(("X", Drive.PUSH_PULL, False), ("X", Drive.INPUT, False))
    out.drive(True, 0)
    out.lazy_level = lambda cycle: cycle % 20 < 10
    told, seen = [], []
    out.followed = lambda name, cycle: told.append((name, cycle))
    other.followed = lambda name, cycle: told.append(("wrong", cycle))
    wiring.observe("X", lambda line, cycle: seen.append((cycle, line.level)), 15)
    line = wiring.line("X")
    assert (line.level, line.since, told, seen) == (False, 15, [("P1", 15)], [])
    out.drive(True, 20)
    assert seen == [(20, True)]
    wiring.observe("X", lambda line, cycle: None, 25)
    assert told == [("P1", 15)], "once"


def test_a_look_at_outputs_that_fight_reports_nothing():
    """The finding comes when a card drives, once, however often somebody looks."""
    wiring, findings, (out, _) = wiring_with(("X", Drive.PUSH_PULL, False), ("X", Drive.OPEN_DRAIN, False))
    low = wiring.line("X").pins[1]
    out.lazy_level = lambda cycle: True
    low.value = False
    assert wiring.line("X").level_now(5) is False
    assert len(findings) == 0
    out.drive(True, 6)
    assert [f.rule for f in findings] == ["output-fight"]
