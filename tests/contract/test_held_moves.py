"""Moves that are held back: whoever looks, and whenever, finds what pins driven one by one would have left."""

import json
from unittest.mock import patch

from hypothesis import example, given
from hypothesis import strategies as st

from simkit.contract import held_moves
from simkit.contract.findings import Findings
from simkit.contract.lines import HISTORY, Drive, Line, Pin, PinSpec
from simkit.contract.nets import Nets
from simkit.contract.pin_group import PinGroup

PINS = 4
LINES = tuple(f"L{n}" for n in range(PINS))
KINDS = ("lamp", "group", "listener", "button", "open", "observed")
"""What is joined to a pin of the port: an input, an input in a group of its own, an input that listens, an output."""


class OneByOne:
    """The reference: what `PinGroup` promises, each pin driven by itself and nothing kept."""

    def __init__(self, pins):
        self.pins = pins
        self.driven = self.out = -1

    def forget(self):
        self.driven = self.out = -1

    def drive(self, levels, driven, cycle):
        levels &= driven
        changed = levels ^ self.out | driven ^ self.driven if self.driven >= 0 else (1 << PINS) - 1
        self.out, self.driven = levels, driven
        for n, pin in enumerate(self.pins):
            if changed >> n & 1:
                pin.drive(bool(levels >> n & 1) if driven >> n & 1 else None, cycle)


class Board:
    """A port of four pins, what is joined to each, and a record of what was told and observed."""

    def __init__(self, make_group, kinds, drive, pull):
        self.findings = Findings()
        self.nets = Nets(self.findings)
        self.pins = [Pin(PinSpec(name=f"P{n}", drive=drive), 5) for n in range(PINS)]
        self.others, self.heard, self.seen = {}, [], []
        for name, pin, kind in zip(LINES, self.pins, kinds, strict=True):
            if kind == "open":
                continue
            line = self.nets.line(name, pull)
            line.join(pin)
            out = Drive.OPEN_DRAIN if kind == "button" else Drive.INPUT
            other = Pin(PinSpec(name=name, drive=out, listens=kind == "listener"), 9 - len(self.others))
            other.notify = self.notify
            line.join(other)
            self.others[name] = other
            if kind == "observed":
                self.observe(name, 0)
        self.group = make_group(self.pins)
        self.far = PinGroup([self.others[n] for n, k in zip(LINES, kinds, strict=True) if k == "group"])

    def notify(self, name, level, cycle):
        self.heard.append((name, level, cycle, [pin.level(cycle) for pin in self.pins]))

    def observe(self, name, cycle):
        self.nets.observe(name, lambda line, when: self.seen.append((line.name, line.level, when)), cycle)

    def look(self, what, name, cycle):
        """One thing that somebody may ask for."""
        line, pin = self.nets.lines.get(name), self.pins[LINES.index(name)]
        if what == "pin":
            return pin.value, pin.level(cycle)
        if what == "far":
            return self.far.levels(cycle)
        if what == "save" or line is None:
            return json.dumps(self.nets.save())
        return {
            "level": lambda: line.level,
            "since": lambda: line.since,
            "past": lambda: [line.level_at(when) for when in range(max(0, cycle - 20), cycle + 2)],
            "shown": lambda: line.level_shown(cycle),
        }[what]()

    def act(self, action, name, value, cycle):
        line, pin = self.nets.lines.get(name), self.pins[LINES.index(name)]
        if action == "settle":
            self.nets.settle(cycle)
        elif action == "forget":
            self.group.forget()
        elif action == "alone":
            pin.drive(value, cycle)
        elif action == "other" and name in self.others:
            self.others[name].drive(value, cycle)
        elif action == "follow" and line is not None:
            line.follow(cycle)
        elif action == "observe" and line is not None:
            self.observe(name, cycle)
        elif action == "clock":
            pin.lazy_level = (lambda cycle: cycle % 3 == 0) if value else None
        elif action == "join" and line is not None:
            line.join(Pin(PinSpec(name=f"late {len(line.pins)}", drive=Drive.THREE_STATE), 1))
        elif action == "load":
            self.nets.adopt(self.nets.checked(json.loads(json.dumps(self.nets.save()))))
            self.group.forget()


NAMES = st.sampled_from(LINES)
DRIVES = [("drive", 15 * (n % 2), 15) for n in range(4)]
BUSY = [(1, n % 2) for n in range(40)]
STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("drive"), st.integers(0, 15), st.just(15)),
        st.tuples(st.just("drive"), st.integers(0, 15), st.sampled_from((15, 15, 15, 7))),
        st.tuples(st.sampled_from(("level", "since", "past", "shown", "pin", "far", "save")), NAMES, st.none()),
        st.tuples(
            st.sampled_from(("settle", "forget", "alone", "other", "follow", "observe", "clock", "join", "load")),
            NAMES,
            st.sampled_from((True, False, None)),
        ),
    ),
    max_size=40,
)
LOOKS = ("level", "since", "past", "shown", "pin", "far", "save")


@given(
    kinds=st.lists(st.sampled_from(KINDS), min_size=PINS, max_size=PINS)
    | st.lists(st.sampled_from(("lamp", "lamp", "group", "listener")), min_size=PINS, max_size=PINS),
    drive=st.sampled_from((Drive.THREE_STATE, Drive.THREE_STATE, Drive.PUSH_PULL, Drive.OPEN_DRAIN)),
    pull=st.sampled_from((True, False, None)),
    steps=STEPS,
    waits=st.lists(st.tuples(st.integers(0, 2), st.integers(0, 1)), min_size=40, max_size=40),
    limit=st.sampled_from((1, 2, 5, held_moves.LIMIT)),
)
@example(["group"] * 4, Drive.PUSH_PULL, True, [*DRIVES, ("far", "L0", None), DRIVES[0], ("far", "L0", None)], BUSY, 9)
@example(["lamp"] * 4, Drive.PUSH_PULL, True, [*DRIVES, ("other", "L1", False), *DRIVES[:2]], BUSY, 9)
@example(["lamp"] * 4, Drive.PUSH_PULL, True, [*DRIVES, ("other", "L1", False), ("load", "L0", None), *DRIVES], BUSY, 9)
@example(["lamp"] * 4, Drive.OPEN_DRAIN, False, [*DRIVES, ("pin", "L1", None)], BUSY, 9)
@example(["lamp"] * 4, Drive.THREE_STATE, True, [*DRIVES, ("observe", "L2", None), *DRIVES], BUSY, 9)
@example(
    ["lamp"] * 4, Drive.THREE_STATE, True, [*DRIVES, ("clock", "L2", True), *DRIVES, ("save", "L0", None)], BUSY, 9
)
def test_a_group_that_holds_moves_back_is_its_pins_driven_one_by_one(kinds, drive, pull, steps, waits, limit):
    """Levels and since when, changes before, saved states, findings, who is told in which order, what observers see."""
    cycle = 3
    with patch.object(held_moves, "LIMIT", limit):
        boards = [Board(make, kinds, drive, pull) for make in (PinGroup, OneByOne)]
        for (action, first, second), (wait, delay) in zip(steps, waits, strict=False):
            cycle += wait
            answers = []
            for board in boards:
                board.nets.delay = delay
                if action == "drive":
                    board.group.drive(first, second, cycle)
                elif action in LOOKS:
                    answers.append(board.look(action, first, cycle))
                else:
                    board.act(action, first, second, cycle)
            assert answers[:1] == answers[1:], (action, first)
        held, plain = boards
        assert held.far.levels(cycle) == plain.far.levels(cycle)
        assert held.group.levels(cycle) == sum(1 << n for n, pin in enumerate(plain.pins) if pin.level(cycle))
        for board in boards:
            board.nets.settle(cycle)
        assert held.heard == plain.heard
        assert held.seen == plain.seen
        assert [repr(f) for f in held.findings] == [repr(f) for f in plain.findings]
        assert held.nets.save() == plain.nets.save()
        assert [pin.value for pin in held.pins] == [pin.value for pin in plain.pins]


@given(
    moves=st.lists(st.tuples(st.integers(0, 2), st.integers(0, 1), st.integers(0, 15)), max_size=120),
    limit=st.sampled_from((7, 40, held_moves.LIMIT)),
)
@example([(1, 0, 15 * (n % 2)) for n in range(3 * HISTORY)], held_moves.LIMIT)
@example([(n % 3 // 2, n % 2, n & 15) for n in range(6 * HISTORY)], held_moves.LIMIT)
@example([(1, 1, 14 + n % 2) for n in range(2 * HISTORY)], 2 * HISTORY - 1)
def test_after_many_moves_a_line_remembers_what_it_would_have_remembered(moves, limit):
    """Also two moves in a cycle, of which a line remembers one, and more moves than are held back at a time."""
    with patch.object(held_moves, "LIMIT", limit):
        boards = [Board(make, ["lamp"] * PINS, Drive.PUSH_PULL, True) for make in (PinGroup, OneByOne)]
        cycle = 0
        for wait, delay, levels in [(0, 0, 0), *moves]:
            cycle += wait
            for board in boards:
                board.nets.delay = delay
                board.group.drive(levels, 15, cycle)
        assert boards[0].nets.save() == boards[1].nets.save()


def test_a_port_of_lamps_touches_no_line_until_somebody_looks_at_one():
    """Otherwise nothing is held back, and the comparisons above compare nothing."""
    board = Board(PinGroup, ["lamp"] * PINS, Drive.THREE_STATE, True)
    board.group.drive(0, 15, 0)
    assert board.group.levels(0) == 0  # and from then on it knows what it carries
    with patch.object(Line, "take", autospec=True, side_effect=Line.take) as taken:
        for cycle in range(1, 101):
            board.group.drive(15 * (cycle % 2), 15, cycle)
            assert board.group.levels(cycle) == 15 * (cycle % 2)
        assert taken.call_count == 0
        assert board.nets.line("L2").since == 100
        # Of 100 changes a line remembers the level it has and 16 before.
        assert taken.call_count == PINS * (HISTORY + 1)
        assert board.nets.line("L0").level is False
        assert taken.call_count == PINS * (HISTORY + 1)


def test_a_pin_of_a_class_of_its_own_sees_each_of_its_moves():
    """A test bench writes down what pins do."""
    moves = []

    class Noted(Pin):
        def drive(self, value, cycle):
            moves.append((self.spec.name, value, cycle))
            super().drive(value, cycle)

    nets = Nets(Findings())
    pins = [Noted(PinSpec(name=name, drive=Drive.PUSH_PULL), 1) for name in "AB"]
    nets.join(zip(LINES, pins, strict=False))
    group = PinGroup(pins)
    group.drive(0b00, 0b11, 1)
    group.drive(0b11, 0b11, 2)
    assert moves == [("A", False, 1), ("B", False, 1), ("A", True, 2), ("B", True, 2)]


def test_a_state_in_which_outputs_fight_on_a_line_of_one_output_is_left_as_by_one_move():
    """No machine gives such a state, but a file may."""
    saved = []
    for make in (PinGroup, OneByOne):
        board = Board(make, ["lamp"] * PINS, Drive.PUSH_PULL, True)
        board.group.drive(0, 15, 1)
        state = board.nets.save()
        state["L1"]["fight"] = True
        board.nets.adopt(board.nets.checked(state))
        board.group.drive(15, 15, 2)
        saved.append(board.nets.save())
    assert saved[0] == saved[1]
    assert saved[0]["L1"]["fight"] is False


def test_a_pin_that_moves_by_the_clock_is_asked_also_after_another_card_has_moved_its_line():
    nets = Nets(Findings())
    pins = [Pin(PinSpec(name=name, drive=Drive.OPEN_DRAIN), 1) for name in "AB"]
    hand = Pin(PinSpec(name="hand", drive=Drive.OPEN_DRAIN), 2)
    nets.join([("L0", pins[0]), ("L1", pins[1]), ("L0", hand)])
    group = PinGroup(pins)
    pins[0].lazy_level = lambda cycle: None if cycle % 2 else False
    hand.drive(False, 1)
    assert group.levels(1) == 0b10
    hand.drive(None, 3)
    assert [group.levels(cycle) for cycle in (3, 4, 5)] == [0b11, 0b10, 0b11]


def test_moves_that_nobody_ever_looks_at_take_no_more_room_than_the_limit():
    board = Board(PinGroup, ("lamp",) * PINS, Drive.PUSH_PULL, True)
    held = []
    for cycle in range(3 * held_moves.LIMIT):
        board.group.drive(cycle & 0xF, 0xF, cycle)
        held.append(len(board.group._held._moves) if board.group._held is not None else 0)
    assert max(held) == held_moves.LIMIT
    assert [board.nets.line(name).level for name in LINES] == [
        bool((3 * held_moves.LIMIT - 1) >> n & 1) for n in range(PINS)
    ]
