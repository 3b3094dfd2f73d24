"""Lines: who pulls, which level, since which cycle, and how changes settle."""

import json
from functools import partial

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from simkit.contract.findings import Findings
from simkit.contract.lines import Drive, Pin, PinSpec
from simkit.contract.nets import MAX_SETTLING_ROUNDS, Nets
from simkit.contract.pin_group import PinGroup
from simkit.contract.shapes import StateError
from simkit.contract.turn import Turn


def wiring_with(*pins):
    findings = Findings()
    nets = Nets(findings)
    made = []
    for slot, (line, drive, listens) in enumerate(pins, start=1):
        pin = Pin(PinSpec(name=f"P{slot}", drive=drive, listens=listens), slot)
        nets.line(line).join(pin)
        made.append(pin)
    return nets, findings, made


def test_several_open_drain_outputs_share_a_line():
    """IRQ is wired-OR: low while any card pulls (common practice)."""
    nets, findings, (a, b) = wiring_with(("IRQ", Drive.OPEN_DRAIN, False), ("IRQ", Drive.OPEN_DRAIN, False))
    irq = nets.line("IRQ")
    a.drive(False, 10)
    b.drive(False, 12)
    a.drive(None, 14)
    assert irq.asserted
    b.drive(True, 16)  # an open-drain output cannot drive high: it lets go
    assert not irq.asserted
    assert [irq.level_at(c) for c in (9, 10, 13, 15, 16, 99)] == [True, False, False, False, True, True]
    assert len(findings) == 0


def test_a_change_in_an_access_counts_from_the_next_cycle():
    nets, _, (a,) = wiring_with(("IRQ", Drive.OPEN_DRAIN, False))
    nets.delay = 1
    a.drive(False, 10)
    irq = nets.line("IRQ")
    assert irq.since == 11
    assert irq.level_at(10) is True
    assert irq.level_at(11) is False


def test_two_changes_within_one_cycle_leave_one_entry():
    nets, _, (a,) = wiring_with(("IRQ", Drive.OPEN_DRAIN, False))
    irq = nets.line("IRQ")
    a.drive(False, 10)
    a.drive(None, 10)
    assert irq.level_at(10) is True
    assert irq.level_at(9) is True


def test_push_pull_outputs_on_one_line_fight_and_are_named():
    nets, findings, (a, b) = wiring_with(("IRQ", Drive.PUSH_PULL, False), ("IRQ", Drive.OPEN_DRAIN, False))
    a.drive(True, 5)
    b.drive(False, 9)
    assert nets.line("IRQ").asserted
    assert [f.rule for f in findings] == ["output-fight"]
    assert "slot 1 P1 (push-pull) high" in findings[0].message
    assert "slot 2 P2 (open drain) low" in findings[0].message


@pytest.mark.parametrize("saved", [False, True], ids=["run through", "saved and loaded before each step"])
def test_a_fight_is_reported_once_and_again_only_after_it_ended(saved):
    """Whatever else moves meanwhile, and however often the machine is saved and loaded."""
    drives = [("X", drive, False) for drive in (Drive.PUSH_PULL, Drive.THREE_STATE, Drive.THREE_STATE)]
    nets, findings, pins = wiring_with(*drives)
    steps = [(0, True, 0), (1, False, 1), (2, False, 1), (1, None, 1), (2, True, 1), (0, False, 2), (2, None, 2)]
    steps += [(1, True, 3), (2, True, 3), (0, True, 3), (1, False, 4)]
    told = 0
    for cycle, (number, value, fights) in enumerate(steps):
        if saved:
            state = json.loads(json.dumps(nets.save()))
            told += len(findings)
            nets, findings, pins = wiring_with(*drives)
            nets.adopt(nets.checked(state))
        pins[number].drive(value, cycle)
        assert told + findings.count("output-fight") == fights, f"step {cycle}"


def test_listeners_are_called_in_slot_order():
    nets, _, (out, first, second) = wiring_with(
        ("X", Drive.PUSH_PULL, False), ("X", Drive.INPUT, True), ("X", Drive.INPUT, True)
    )
    heard = []
    for pin in (second, first):
        pin.notify = lambda name, level, cycle, slot=pin.slot: heard.append((slot, name, level, cycle))
    out.drive(False, 3)
    assert nets.unsettled
    nets.settle(3)
    assert heard == [(2, "P2", False, 3), (3, "P3", False, 3)]


@given(st.permutations([(slot, name) for slot in (1, 2, 10) for name in ("CA1", "CA2", "CB1")]))
def test_listeners_of_one_change_are_called_by_slot_and_then_by_the_name_of_the_pin(order):
    """In whatever order a machine file joins them."""
    nets = Nets(Findings())
    heard = []
    for slot, name in order:
        pin = Pin(PinSpec(name=name, drive=Drive.INPUT, listens=True), slot)
        pin.notify = lambda name, level, cycle, slot=slot: heard.append((slot, name))
        nets.line("X").join(pin)
    out = Pin(PinSpec(name="OUT", drive=Drive.PUSH_PULL), 3)
    nets.line("X").join(out)
    out.drive(False, 3)
    nets.settle(3)
    assert heard == sorted(order)


def test_outputs_that_feed_each_other_are_a_finding_not_a_hang():
    nets, findings, (out, listen) = wiring_with(("X", Drive.PUSH_PULL, False), ("X", Drive.INPUT, True))
    rounds = []

    def invert(name, level, cycle):
        rounds.append(level)
        out.drive(not level, cycle)

    listen.notify = invert
    out.drive(False, 3)
    nets.settle(3)
    assert len(rounds) == MAX_SETTLING_ROUNDS
    assert [f.rule for f in findings] == ["unsettled-lines"]


def test_an_output_that_moves_by_the_clock_is_asked_when_nobody_watches():
    nets, _, (out,) = wiring_with(("X", Drive.PUSH_PULL, False))
    out.lazy_level = lambda cycle: cycle % 2 == 0
    assert not out.watched
    assert [nets.line("X").level_now(c) for c in (4, 5)] == [True, False]


VALUES = st.sampled_from((True, False, None))


def square(half, cycle):
    return cycle // half % 2 == 0


@given(
    grouped=st.booleans(),
    steps=st.lists(
        st.one_of(
            st.tuples(st.just("hand"), VALUES),
            st.tuples(st.just("clock"), st.integers(1, 5)),
            st.tuples(st.just("card"), VALUES),
        ),
        max_size=12,
    ),
)
def test_a_line_has_the_level_of_what_drives_it_when_a_pin_is_given_to_the_clock_and_taken_back(grouped, steps):
    """Nobody watches; the level is asked for after each step, or only at the end."""
    levels = []
    for every in (True, False):
        nets = Nets(Findings())
        line = nets.line("X", pull=True)
        pin, hand = (Pin(PinSpec(name=name, drive=Drive.THREE_STATE), 1) for name in ("P", "HAND"))
        for one in (pin, hand):
            line.join(one)
        turn = pin.turn = hand.turn = Turn()
        group = PinGroup([pin]) if grouped else None
        if group is not None:
            group.turn = turn
        driven = held = None
        for cycle, (who, value) in enumerate(steps):
            turn.cycle = cycle * 10
            if who == "hand":
                held = value
                hand.drive(value, turn.cycle)
            elif who == "clock":
                driven = pin.lazy_level = partial(square, value)
            else:
                driven = value
                pin.lazy_level = None
                if group is not None:
                    group.drive(value is True, value is not None, turn.cycle)
                else:
                    pin.drive(value, turn.cycle)
            for later in (turn.cycle, turn.cycle + 7) if every or cycle == len(steps) - 1 else ():
                own = driven(later) if callable(driven) else driven
                assert line.level_now(later) is (False not in (own, held))
        levels.append(line.level_now(len(steps) * 10))
    assert levels[0] is levels[1]


def test_lines_come_back_from_a_snapshot():
    nets, _, (a,) = wiring_with(("IRQ", Drive.OPEN_DRAIN, False))
    a.drive(False, 10)
    a.drive(None, 20)
    a.drive(False, 30)
    again, _, (b,) = wiring_with(("IRQ", Drive.OPEN_DRAIN, False))
    again.adopt(again.checked(nets.save()))
    assert [again.line("IRQ").level_at(c) for c in (9, 10, 20, 30)] == [True, False, True, False]
    assert b.value is False
    assert again.save() == nets.save()


def test_an_open_output_that_moves_by_the_clock_is_asked_too():
    out = Pin(PinSpec(name="X", drive=Drive.PUSH_PULL), 1)
    out.value = True
    out.lazy_level = lambda cycle: cycle % 2 == 0
    assert [out.level(c) for c in (4, 5)] == [True, False]


def test_whoever_follows_a_line_in_mid_run_finds_it_up_to_date_and_its_cards_told():
    nets, _, (out, other) = wiring_with(("X", Drive.PUSH_PULL, False), ("X", Drive.INPUT, False))
    out.drive(True, 0)
    out.lazy_level = lambda cycle: cycle % 20 < 10
    told, seen = [], []
    out.followed = lambda name, cycle: told.append((name, cycle))
    other.followed = lambda name, cycle: told.append(("wrong", cycle))
    nets.observe("X", lambda line, cycle: seen.append((cycle, line.level)), 15)
    line = nets.line("X")
    assert (line.level, line.since, told, seen) == (False, 15, [("P1", 15)], [])
    out.drive(True, 20)
    assert seen == [(20, True)]
    nets.observe("X", lambda line, cycle: None, 25)
    assert told == [("P1", 15)], "once"


def test_a_look_at_outputs_that_fight_reports_nothing():
    """The finding comes when a card drives, once, however often somebody looks."""
    nets, findings, (out, _) = wiring_with(("X", Drive.PUSH_PULL, False), ("X", Drive.OPEN_DRAIN, False))
    low = nets.line("X").pins[1]
    out.lazy_level = lambda cycle: True
    low.value = False
    assert nets.line("X").level_now(5) is False
    assert len(findings) == 0
    out.drive(True, 6)
    assert [f.rule for f in findings] == ["output-fight"]


@pytest.mark.parametrize("open_level", [True, False])
@pytest.mark.parametrize("drive", list(Drive))
def test_a_pin_joined_to_nothing_has_the_level_it_drives_or_that_of_its_pull(drive, open_level):
    pin = Pin(PinSpec(name="X", drive=drive, open_level=open_level), 1)
    assert pin.level(0) is open_level
    assert not pin.watched
    pin.drive(False, 1)
    assert pin.level(1) is False
    pin.drive(True, 2)
    assert pin.level(2) is (open_level if drive is Drive.OPEN_DRAIN else True)
    pin.drive(None, 3)
    assert pin.level(3) is open_level
    pin.lazy_level = lambda cycle: None if cycle == 4 else cycle < 4
    assert [pin.level(cycle) for cycle in (3, 4, 5)] == [True, open_level, False]


@pytest.mark.parametrize(("pull", "rests"), [(True, True), (False, False), (None, "as it was")])
def test_a_line_that_nobody_drives_goes_where_its_pull_takes_it_or_keeps_its_level(pull, rests):
    nets = Nets(Findings())
    line = nets.line("X", pull)
    out = Pin(PinSpec(name="OUT", drive=Drive.THREE_STATE), 1)
    line.join(out)
    assert line.level is (pull is not False)
    for cycle, level in enumerate([True, False, True, False]):
        out.drive(level, 2 * cycle)
        assert line.level is level
        out.drive(None, 2 * cycle + 1)
        assert line.level is (level if pull is None else rests)
        assert line.asserted is not line.level


@pytest.mark.parametrize("how", ["driven", "loaded"])
def test_an_input_that_drives_after_all_counts_like_an_output(how):
    """A card with a mistake, or a state that a file makes up; the line has one output otherwise."""
    nets, findings, (out, wrong) = wiring_with(("X", Drive.PUSH_PULL, False), ("X", Drive.INPUT, False))
    line = nets.line("X")
    out.drive(False, 1)
    out.drive(True, 2)
    if how == "driven":
        wrong.drive(False, 3)
        assert (line.level, line.since, findings.count("output-fight")) == (False, 3, 1)
    else:
        state = nets.save()
        state["X"]["pins"][1][2] = False
        nets.adopt(nets.checked(state))
        out.drive(None, 3)
        assert (line.level, line.since) == (False, 3)
    out.drive(False, 4)
    wrong.drive(None, 5)
    assert line.level is False
    out.drive(True, 6)
    assert line.level is True


def test_the_one_output_of_a_line_that_moves_by_the_clock_alone_is_asked_when_it_is_driven():
    nets, _, (out,) = wiring_with(("X", Drive.PUSH_PULL, False))
    out.lazy_level = lambda cycle: cycle < 5
    out.drive(False, 3)
    assert nets.line("X").level is True
    out.drive(True, 6)
    assert nets.line("X").level is False


@given(st.lists(st.tuples(st.integers(0, 2), st.booleans(), st.integers(0, 1)), max_size=40), st.booleans())
@example([(1, number % 2 == 1, 0) for number in range(40)], False)
@example([(1, number % 2 == 1, 1) for number in range(40)], True)
def test_a_line_remembers_the_level_of_each_cycle_back_through_sixteen_changes(moves, saved):
    """Whoever looks back finds what a plain record of every cycle has; before that, the oldest level remembered."""
    nets, _, (out,) = wiring_with(("X", Drive.PUSH_PULL, False))
    line = nets.line("X")
    cycle, counted = 5, {0: True}
    for wait, level, delay in moves:
        cycle += wait
        if level is line.level or cycle + delay < line.since:  # events of a cycle come before its accesses
            continue
        nets.delay = delay
        out.drive(level, cycle)
        counted[cycle + delay] = level
    if saved:
        again, _, _ = wiring_with(("X", Drive.PUSH_PULL, False))
        again.adopt(again.checked(json.loads(json.dumps(nets.save()))))
        line = again.line("X")
    first = sorted(counted)[-17:][0]  # where the oldest of 16 changes and the level before it begin
    level = counted[first]
    assert line.level_at(first - 1) is level
    for when in range(first, cycle + 3):
        level = counted.get(when, level)
        assert line.level_at(when) is level, when


def test_an_output_asked_on_demand_is_shown_as_it_is_now_and_as_it_was_before_the_line_last_moved():
    """Before `since` what counted then is shown, whatever the clock says now."""
    nets, _, (out, _) = wiring_with(("X", Drive.THREE_STATE, False), ("X", Drive.PUSH_PULL, False))
    line = nets.line("X")
    other = line.pins[1]
    out.lazy_level = lambda cycle: None
    other.drive(False, 10)
    other.drive(True, 20)
    assert [line.level_shown(cycle) for cycle in (9, 10, 19, 20, 21)] == [True, False, False, True, True]
    out.lazy_level = lambda cycle: False
    assert [line.level_shown(cycle) for cycle in (9, 19, 20, 30)] == [True, False, False, False]
    out.lazy_level = lambda cycle: None
    line.follow(30)
    assert line.level_shown(20) is True


def test_an_output_that_moves_by_the_clock_is_told_when_the_last_follower_of_its_line_leaves():
    nets, _, (out, _) = wiring_with(("X", Drive.PUSH_PULL, False), ("X", Drive.INPUT, False))
    line, told = nets.line("X"), []
    out.followed = lambda name, cycle: told.append((name, cycle, out.watched))
    out.lazy_level = lambda cycle: cycle % 2 == 1
    first, second = [], []
    nets.observe("X", lambda line, cycle: first.append(cycle), 10)
    nets.observe("X", lambda line, cycle: second.append(cycle), 11)
    nets.unobserve("X", line.observers[0], 12)
    assert line.watched
    nets.unobserve("X", line.observers[0], 13)
    assert not line.watched
    assert line.clocked
    assert told == [(out.spec.name, 10, True), (out.spec.name, 13, False)]
    assert [line.level_now(cycle) for cycle in (14, 15)] == [False, True]


@pytest.mark.parametrize(
    ("line", "listens", "traced", "watched"),
    [("IRQ", False, False, True), ("X", True, False, True), ("X", False, True, True), ("X", False, False, False)],
)
def test_a_line_is_watched_when_the_cpu_a_listener_or_a_trace_follows_it(line, listens, traced, watched):
    nets, _, (out, _) = wiring_with((line, Drive.PUSH_PULL, False), (line, Drive.INPUT, listens))
    if traced:
        nets.line(line).follow(0)
    assert nets.line(line).watched is watched
    assert out.watched is watched
    out.lazy_level = lambda cycle: False
    assert nets.line(line).level_now(5) is watched, "asked of the clock only when nobody makes it move by itself"
    out.lazy_level = None
    assert nets.line(line).level_now(5) is True


def test_lines_that_feed_each_other_are_named_in_order_and_then_left_as_they_are():
    nets, findings, (out, listen, second, other) = wiring_with(
        ("Y", Drive.PUSH_PULL, False), ("Y", Drive.INPUT, True), ("B", Drive.PUSH_PULL, False), ("B", Drive.INPUT, True)
    )

    def invert(name, level, cycle):
        out.drive(not out.value, cycle)
        second.drive(not second.value, cycle)

    listen.notify, other.notify = invert, lambda name, level, cycle: None
    out.drive(False, 3)
    nets.settle(3)
    assert "Lines B, Y do not settle in 16 rounds" in findings[0].message
    assert findings[0].cycle == 3
    assert not nets.unsettled
    nets.settle(4)
    assert len(findings) == 1


def test_what_listeners_move_settles_in_the_same_cycle_and_each_hears_the_level_of_its_change():
    """Sixteen lines in a chain take sixteen rounds, and that is allowed."""
    chain = [(f"L{n}", Drive.PUSH_PULL, False) for n in range(MAX_SETTLING_ROUNDS)]
    ends = [(f"L{n}", Drive.INPUT, True) for n in range(MAX_SETTLING_ROUNDS)]
    nets, findings, pins = wiring_with(*chain, *ends)
    outs, ins = pins[: len(chain)], pins[len(chain) :]
    heard = []
    for number, pin in enumerate(ins):

        def pass_on(name, level, cycle, number=number):
            heard.append((number, level, cycle))
            assert nets.notifying is ins[number]
            if number + 1 < len(outs):
                outs[number + 1].drive(level, cycle)

        pin.notify = pass_on
    outs[0].drive(False, 8)
    nets.settle(8)
    assert heard == [(number, False, 8) for number in range(len(ins))]
    assert nets.notifying is None
    assert len(findings) == 0


def test_a_load_forgets_what_had_not_settled_and_leaves_lines_without_pins_that_the_state_lacks():
    nets, _, (out, listen) = wiring_with(("X", Drive.PUSH_PULL, False), ("X", Drive.INPUT, True))
    listen.notify = lambda name, level, cycle: pytest.fail("told of a change before the load")
    state = nets.save()
    assert list(state) == sorted(state)
    out.drive(False, 3)
    nets.line("LATER", pull=False)
    nets.adopt(nets.checked(state))
    assert not nets.unsettled
    nets.settle(4)
    assert (nets.line("X").level, nets.line("LATER").level) == (True, False)
    assert out.value is None


@pytest.mark.parametrize(
    ("damage", "field"),
    [
        (lambda state: state.pop("X"), "X"),
        (lambda state: state.pop("NMI"), "NMI"),
        (lambda state: state["X"]["pins"].pop(), "X.pins"),
        (lambda state: state["X"]["pins"].append([9, "P9", None]), "X.pins"),
        (lambda state: state["X"]["pins"][1].__setitem__(0, 7), "X.pins"),
        (lambda state: state["X"]["history"].append([3]), "X.history[0]"),
        (lambda state: state["X"].update(since=-1), "X.since"),
    ],
)
def test_a_state_of_other_lines_or_pins_is_refused_and_changes_nothing(damage, field):
    nets, _, (out, _) = wiring_with(("X", Drive.PUSH_PULL, False), ("X", Drive.INPUT, True))
    state = nets.save()
    damage(state)
    out.drive(False, 3)
    before = nets.save()
    with pytest.raises(StateError) as refused:
        nets.checked(state)
    assert refused.value.field == field
    assert nets.save() == before
