"""Polls of the controller that find nothing are put off; a controller that arms every poll is the same to everybody."""

from __future__ import annotations

import random
from fractions import Fraction

from hypothesis import given, settings
from hypothesis import strategies as st
from simkit_cards.keyboard.card import Keyboard
from simkit_cards.keyboard.controller import ControllerTiming, KeyController
from simkit_cards.keyboard.ring_buffer import RingBuffer

from simkit.contract import Slot, to_data
from simkit.contract.events import EventTable
from simkit.contract.findings import Findings
from simkit.contract.turn import Turn
from simkit.testing.bench import Bench
from tests.examples import examples

STATUS, DATA = 0, 1
MS = 2_000  # cycles at 2 MHz


class ArmsEveryPoll(Keyboard):
    """Has the event of each poll come that could change anything, also when there is no code to move on to."""

    def __init__(self, options, slot):
        super().__init__(options, slot)
        self.controller._puts_polls_off = False


OPTIONS = st.fixed_dictionaries(
    {
        "self_test_ms": st.just(1),
        "advance": st.sampled_from(("armed", "armed", "armed", "every-poll", "self-clearing")),
        "latch": st.sampled_from(("data-sets", "status-sets")),
        "poll_cycles": st.sampled_from((1, 2, 6, 6, 40, 300)),
        "push_cycles": st.sampled_from((1, 12, 60)),
        "entry_cycles": st.sampled_from((14, 300)),
        "jitter_percent": st.sampled_from((0, 20, 90)),
        "glitch_percent": st.sampled_from((0, 0, 40)),
        "checks_empty": st.sampled_from((True, True, False)),
        "clears_port": st.booleans(),
        "overflow": st.sampled_from(("drop-new", "hold-clock")),
        "reset_reaches_controller": st.booleans(),
        "crystal": st.sampled_from(("20 MHz", "4 MHz", "1.8432 MHz", "32 MHz")),
    }
)
GAPS = st.sampled_from((0, 1, 2, 3, 7, 12, 40, 90))
STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("poll"), st.integers(1, 60), GAPS),
        st.tuples(st.just("poll"), st.integers(1, 60), GAPS),
        st.tuples(st.just("press"), st.sampled_from("asdf")),
        st.tuples(st.just("release"), st.sampled_from("asdf")),
        st.tuples(st.just("read"), st.sampled_from((STATUS, DATA))),
        st.tuples(st.just("run"), st.integers(1, 2 * MS)),
        st.tuples(st.just("run"), st.integers(1, 40)),
        st.tuples(st.just("reset")),
        st.tuples(st.just("power")),
    ),
    min_size=4,
    max_size=30,
)


class Board:
    """A keyboard card on a bench, and everything that was seen of it."""

    def __init__(self, card, options, hz, seed):
        self.bench = Bench(card, options, clock_hz=Fraction(hz), seed=seed)
        self.seen = []

    def do(self, action, *what):
        bench = self.bench
        if action == "poll":
            for number in range(what[0]):
                self.do("read", (STATUS, DATA)[number % 2])
                bench.run(what[1])
        elif action == "read":
            self.seen.append(bench.read(what[0]))
        elif action == "run":
            bench.run(what[0])
        elif action == "reset":
            bench.reset()
        elif action == "power":
            bench.begin()
            bench.ask(bench.card.power_on, bench.cycle)
            bench.run(1)
        else:
            bench.outside("keys", action, what[0])
            bench.run(1)
        self.seen.append((bench.cycle, bench.card.words(bench.cycle), bench.pin_levels()))
        bench.run(1)

    def state(self):
        """State but for pending polls: whether one is armed is all that may differ."""
        state = self.bench.save()
        state["card"]["controller"]["ticks"].pop("poll", None)
        state["bus"]["events"] = [event for event in state["bus"]["events"] if event[2] != "poll"]
        return state


@settings(max_examples=examples(50), deadline=None)
@given(OPTIONS, STEPS, st.sampled_from((1_000_000, 2_000_000, 8_000_000)), st.integers(0, 50), st.data())
def test_a_controller_that_puts_polls_off_is_the_one_that_arms_them_all(options, steps, hz, seed, data):
    """Codes read, findings, pins and state, also when it goes on from a state in which a poll is armed."""
    lazy, eager = (Board(card, options, hz, seed) for card in (Keyboard, ArmsEveryPoll))
    loads = data.draw(st.sets(st.integers(0, len(steps))))
    for number, step in enumerate([("run", 2 * hz // 1_000), *steps]):
        for board in (lazy, eager):
            board.do(*step)
        assert lazy.state() == eager.state(), f"after step {number}"
        if number in loads:
            lazy.bench.load(eager.bench.save(), eager.bench.cycle)
    for board in (lazy, eager):
        board.do("run", 20 * MS)
        board.do("poll", 9, 90)
    assert lazy.seen == eager.seen
    assert lazy.state() == eager.state()
    assert list(lazy.bench.findings) == list(eager.bench.findings)


class Backplane:
    """A controller without its card: the test is keyboard, strobes and time."""

    def __init__(self, timing, crystal_hz, clock_hz, seed, *, puts_off):
        self.events = EventTable()
        self.now = 0
        self.turn = Turn()
        self.seen = []
        slot = Slot(3, Fraction(clock_hz), seed, Findings(), self)
        self.controller = KeyController(
            slot,
            RingBuffer(8),
            timing,
            Fraction(crystal_hz),
            advance="armed",
            clears_port=True,
            pulses=False,
            changed=lambda cycle: self.seen.append(("changed", cycle)),
            lost=lambda cycle: self.seen.append(("lost", cycle)),
        )
        if not puts_off:
            self.controller._puts_polls_off = False
        self.controller.power_on(0)

    def arm(self, cycle, slot, name):
        self.events.at(cycle, slot, name)

    def disarm(self, slot, name):
        self.events.cancel(slot, name)

    def armed(self, slot, name):
        return self.events.armed(slot, name)

    def run_to(self, cycle):
        """Events of the cycles before, each in its own."""
        while (due := self.events.pop_due(cycle - 1)) is not None:
            when, _, name = due
            assert when >= self.now, "armed for a cycle that is over"
            self.now = when
            self.controller.event(name, when)
        self.now = cycle

    def do(self, action, what, cycle):
        """Keyboard events of a cycle come before the controller's, strobes after them."""
        controller = self.controller
        self.run_to(cycle)
        if action == "frame":
            controller.frame_begins([cycle + fall for fall in what], cycle)
        elif action == "byte":
            controller.receive([what], False, cycle)
        elif action == "reset":
            controller.clear(cycle)
        self.run_to(cycle + 1)
        if action == "strobe":
            controller.strobe(not controller.latch.taken, cycle)
        self.seen.append((controller.port, controller.ready, controller.popping, controller.latch.taken))

    def state(self):
        self.controller.advance(self.now)
        state = to_data(self.controller)
        state["ticks"].pop("poll", None)
        return state


def moments(rng, poll_cycles):
    """(action, its value, cycles before it, whether the state is asked for after it): mostly strobes, a poll apart."""
    for _ in range(80):
        gap = rng.choice((0, 1, 2, rng.randrange(poll_cycles + 2), poll_cycles + rng.randrange(poll_cycles + 2)))
        action = rng.choices(("strobe", "frame", "byte", "reset"), (40, 4, 4, 1))[0]
        what = None
        if action == "frame":
            what = sorted(rng.sample(range(1, 60), rng.randrange(1, 12)))
        elif action == "byte":
            what = rng.randrange(1, 256)
        yield action, what, gap, rng.random() < 0.2


TIMINGS = st.builds(
    ControllerTiming,
    poll=st.sampled_from((1, 2, 6, 11, 50, 120)),
    pop=st.integers(1, 12),
    push=st.integers(1, 12),
    handler_entry=st.integers(1, 60),
    jitter=st.sampled_from((0, 0.2, 0.9)),
)
CRYSTALS = st.sampled_from((20_000_000, 8_000_000, 4_000_000, 1_843_200))


@settings(max_examples=examples(300), deadline=None)
@given(TIMINGS, CRYSTALS, st.sampled_from((1_000_000, 2_000_000, 8_000_000)), st.integers(0, 10**6))
def test_strobes_edges_and_codes_that_meet_a_poll_find_it_where_it_would_be_if_it_were_armed(
    timing, crystal_hz, clock_hz, seed
):
    """Each poll at its own instruction cycle; the state is asked for now and then, which must not matter."""
    lazy, eager = (Backplane(timing, crystal_hz, clock_hz, seed, puts_off=puts_off) for puts_off in (True, False))
    cycle = 0
    for action, what, gap, asks in moments(random.Random(seed), timing.poll * 4 * clock_hz // crystal_hz):
        cycle += gap
        for board in (lazy, eager):
            board.do(action, what, cycle)
        cycle += 1
        if asks:
            assert lazy.state() == eager.state()
    for board in (lazy, eager):
        board.run_to(cycle + 100_000)
    assert lazy.seen == eager.seen
    assert lazy.state() == eager.state()


@settings(max_examples=examples(300), deadline=None)
@given(TIMINGS, CRYSTALS, st.sampled_from((1_000_000, 2_000_000, 8_000_000)), st.integers(0, 10**6))
def test_an_idle_controller_has_polled_when_that_is_taken_for_granted(timing, crystal_hz, clock_hz, seed):
    """Without looking for the poll: a loop and its stray after the latch changed, whenever it does."""
    controller = Backplane(timing, crystal_hz, clock_hz, seed, puts_off=True).controller
    instructions = controller.instructions
    for since in range(seed, seed + 100):
        poll = controller.next_poll(instructions.first_tick_at(since))
        assert instructions.first_cycle_at(poll) < since + controller._poll_comes_within


def test_a_program_that_polls_while_no_code_waits_arms_nothing():
    """Each read moves the latch; 40 cycles later the controller (a poll lasts 2.4 cycles) has seen it."""
    board = Board(Keyboard, {"self_test_ms": 1}, 2_000_000, 1)
    board.do("run", 4 * MS)
    board.do("poll", 4, 90)  # takes the AA
    for offset in (STATUS, DATA) * 10:
        board.do("read", offset)
        assert board.bench.card.slot.armed("poll") is None
        board.do("run", 40)


def test_a_poll_that_comes_between_two_strobes_close_together_is_armed():
    """Both strobes come before the controller looks, so it must look at its own time: what it sees counts."""
    board = Board(Keyboard, {"self_test_ms": 1, "poll_cycles": 300, "jitter_percent": 0}, 2_000_000, 1)
    board.do("run", 4 * MS)
    board.do("poll", 4, 1_000)
    board.do("read", STATUS)
    assert board.bench.card.slot.armed("poll") is None
    board.do("read", DATA)
    due = board.bench.card.slot.armed("poll")
    assert board.bench.cycle < due < board.bench.cycle + 300 / 2.5 + 2, "300 instructions, 2.5 a cycle"
