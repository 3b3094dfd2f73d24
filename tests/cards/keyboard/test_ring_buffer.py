"""The ring buffer against a plain queue: order, conservation, and loss only as the policy says (common practice)."""

from __future__ import annotations

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule
from simkit_cards.keyboard.ring_buffer import POLICIES, RingBuffer, SequenceTracker

from simkit.contract import load_data, to_data


class RingAgainstQueue(RuleBasedStateMachine):
    """Every code carries its number (modulo 191, away from prefixes and overrun), so that order can be seen."""

    @initialize(slots=st.integers(2, 9), counted=st.booleans(), policy=st.sampled_from(POLICIES))
    def begin(self, slots, counted, policy):
        self.ring = RingBuffer(slots, counted=counted, policy=policy)
        self.queue: list[int] = []
        self.number = 0
        self.lost = 0
        self.replaced = False

    @rule()
    def push(self):
        code = 1 + self.number % 191
        self.number += 1
        head, tail = self.ring.head, self.ring.tail
        if len(self.queue) < self.ring.capacity:
            self.queue.append(code)
            self.replaced = False
            assert self.ring.tail == tail
        elif self.ring.policy == "drop-oldest":
            self.queue = [*self.queue[1:], code]
            self.lost += 1
        elif self.ring.policy == "replace-last":
            self.queue[-1] = 0
            self.lost += 1 if self.replaced else 2
            self.replaced = True
        else:
            self.lost += 1
        self.ring.push(code)
        if self.ring.policy != "drop-oldest":
            assert self.ring.head == head

    @rule()
    def pop(self):
        tail = self.ring.tail
        assert self.ring.pop() is bool(self.queue)
        if self.queue:
            self.queue.pop(0)
        assert self.ring.tail == tail

    @rule()
    def reload(self):
        copy = RingBuffer(self.ring.slots, counted=self.ring.counted, policy=self.ring.policy)
        load_data(copy, to_data(self.ring))
        assert to_data(copy) == to_data(self.ring)
        self.ring = copy

    @invariant()
    def agrees(self):
        ring = getattr(self, "ring", None)
        if ring is None:
            return
        assert 0 <= ring.head < ring.slots
        assert 0 <= ring.tail < ring.slots
        assert ring.count == len(self.queue) <= ring.capacity
        if self.queue:
            assert ring.oldest == self.queue[0]
        assert ring.pushed == ring.popped + ring.dropped + ring.count
        assert ring.dropped == self.lost
        assert ring.full is (len(self.queue) == ring.capacity)


TestRingAgainstQueue = RingAgainstQueue.TestCase
TestRingAgainstQueue.settings = settings(deadline=None, max_examples=50, stateful_step_count=40)


@pytest.mark.parametrize(("counted", "capacity"), [(False, 15), (True, 16)])
def test_filling_and_draining_from_every_place(counted, capacity):
    """One place empty: N - 1 codes; counted: N. Across the wrap from every start."""
    for start in range(16):
        ring = RingBuffer(16, counted=counted)
        for _ in range(start):
            ring.push(0xAA)
            ring.pop()
        for code in range(1, 20):
            ring.push(code)
        codes = []
        while ring.count:
            codes.append(ring.oldest)
            ring.pop()
        assert codes == list(range(1, capacity + 1))


def test_the_overflow_flag_stays_until_the_ring_is_empty():
    ring = RingBuffer(3)
    for code in (1, 2, 3):
        ring.push(code)
    assert ring.overflowed
    ring.pop()
    assert ring.overflowed
    ring.pop()
    assert not ring.overflowed


def test_one_overrun_code_an_episode_in_the_last_place():
    """As the keyboard's own buffer does: IBM, Technical Reference, PC AT, 1984, p. 4-3."""
    ring = RingBuffer(5, policy="replace-last")
    for code in range(1, 9):
        ring.push(code)
    codes = []
    for code in (None, 0x21, 0x22, 0x23):
        codes.append(ring.oldest)
        ring.pop()
        if code:
            ring.push(code)
    while ring.count:
        codes.append(ring.oldest)
        ring.pop()
    assert codes == [1, 2, 3, 0, 0x21, 0x22, 0x23]


SEQUENCES = ("1C", "F0 1C", "E0 75", "E0 F0 75", "E0 12", "E1 14 77 E1 F0 14 F0 77", "E0 F0 7C", "AA")


class WholeSequences(RuleBasedStateMachine):
    """With whole-sequence dropping, no prefix is ever popped without the rest of its sequence."""

    @initialize(slots=st.integers(9, 17), counted=st.booleans())
    def begin(self, slots, counted):
        self.ring = RingBuffer(slots, counted=counted, whole_sequences=True)
        self.popped = b""

    @rule(sequence=st.sampled_from(SEQUENCES))
    def key(self, sequence):
        for code in bytes.fromhex(sequence):
            self.ring.push(code)

    @rule(number=st.integers(1, 4))
    def pop(self, number):
        for _ in range(number):
            if self.ring.count:
                self.popped += bytes([self.ring.oldest])
                self.ring.pop()

    def teardown(self):
        if not hasattr(self, "ring"):
            return
        self.pop(20)
        tracker = SequenceTracker()
        ends = True
        inside = b""
        for code in self.popped:
            inside += bytes([code])
            ends = tracker.feed(code)
            if ends:
                assert inside.hex(" ").upper() in SEQUENCES
                inside = b""
        assert ends
        assert self.ring.pushed == self.ring.popped + self.ring.dropped + self.ring.count


TestWholeSequences = WholeSequences.TestCase
TestWholeSequences.settings = settings(deadline=None, max_examples=50, stateful_step_count=30)


def test_an_unchecked_pop_of_an_empty_ring_plays_old_codes_back():
    """A design that pops without an empty check runs head past tail: N - 1 stale codes come back."""
    ring = RingBuffer(4, checks_empty=False)
    for code in (1, 2, 3):
        ring.push(code)
    for _ in range(3):
        ring.pop()
    assert ring.count == 0
    ring.pop()
    assert ring.count == 3
    assert ring.oldest == 1
