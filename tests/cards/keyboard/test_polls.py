"""When the keyboard's controller polls, and what a poll sees of the latch."""

from fractions import Fraction

from hypothesis import given
from hypothesis import strategies as st
from simkit_cards.keyboard.controller import ControllerTiming, KeyController
from simkit_cards.keyboard.ring_buffer import RingBuffer

from simkit.contract import Slot
from simkit.contract.findings import Findings


@st.composite
def controllers(draw):
    """A controller's clock against the machine's, in ratios where edges meet and in odd ones, with an odd poll."""
    slot = Slot(
        3,
        Fraction(draw(st.sampled_from((1_000_000, 2_000_000, 1_789_773)))),
        draw(st.integers(0, 50)),
        Findings(),
        crystal_phases={"controller": Fraction(draw(st.integers(0, 7)), 8)},
    )
    poll = draw(st.integers(1, 40))
    timing = ControllerTiming(poll=poll, jitter=draw(st.integers(0, 90)) / 100)
    hz = Fraction(draw(st.sampled_from((4_000_000, 20_000_000, 32_000_000, 1_843_200))))
    quiet = {"changed": lambda cycle: None, "lost": lambda cycle: None}
    controller = KeyController(
        slot, RingBuffer(8), timing, hz, advance="armed", clears_port=False, pulses=False, **quiet
    )
    return controller, slot, timing


@given(controllers(), st.integers(0, 10**9))
def test_the_next_poll_is_the_first_whose_strayed_moment_has_not_passed(made, tick):
    """Poll n comes n lengths after the first one, plus its own stray; worked out for every poll that can count."""
    controller, slot, timing = made
    phase = int(slot.chance("poll phase", 0) * timing.poll)
    first = max(0, tick // timing.poll - 3)
    polls = [
        phase + n * timing.poll + int(slot.chance("poll", n) * timing.jitter * timing.poll)
        for n in range(first - 3, first + 8)
    ]
    assert controller.next_poll(tick) == next(poll for poll in polls if poll >= tick)


@given(controllers(), st.integers(0, 10**6), st.integers(-2, 2), st.booleans())
def test_a_poll_sees_a_strobe_exactly_from_the_end_of_its_cycle_on(made, cycle, near, taken):
    """In fractions of a cycle, also where an edge of the controller's clock meets one of the machine's."""
    controller, _, _ = made
    controller.latch.taken, controller.latch.since = taken, cycle
    tick = controller.instructions.ticks_at(cycle) + near
    after = controller.instructions.moment_of(tick) >= cycle
    assert controller.latch_seen_in(tick) is (taken if after else not taken)
