"""What holds of the keyboard card whenever it is read."""

from hypothesis import given, settings
from hypothesis import strategies as st
from simkit_cards.ps2.scan_codes import KEYS

from tests.cards.keyboard.typist import CODES, LETTERS, READY, Typist

# Keys that send the same whatever else is held.
EASY_KEYS = [key.name for key in KEYS if not any(word in key.name for word in ("shift", "pause", "print"))]
GAPS = st.lists(st.tuples(st.booleans(), st.integers(0, 90)), min_size=20, max_size=120)


@settings(deadline=None, max_examples=40)
@given(gaps=GAPS, hz=st.sampled_from((1_000_000, 2_000_000, 8_000_000)), poll=st.sampled_from((3, 6, 40)))
def test_reads_at_any_time_see_the_pushed_codes_in_order(card_bench, gaps, hz, poll):
    """Arbitrary timing: codes repeat or are passed over by a read, never come out of order; no more of them are taken
    than data reads that follow a status read."""
    person = Typist(card_bench, hz=hz, poll_cycles=poll, jitter_percent=50, torn_window_ns=0)
    person.press(*LETTERS)
    seen, armed, allowed = [], True, person.ring.popped
    ring = person.ring
    for is_status, gap in gaps:
        if is_status:
            person.status(gap)
            armed = True
        else:
            seen.append(person.data(gap))
            allowed += armed
            armed = False
        assert ring.popped <= allowed
    assert ring.pushed == ring.popped + ring.dropped + ring.count
    places = [CODES.index(code) for code in seen]
    assert places == sorted(places)


@settings(deadline=None, max_examples=25)
@given(
    names=st.lists(st.sampled_from(EASY_KEYS), max_size=14),
    gaps=st.lists(st.integers(0, 400), min_size=1, max_size=10),
    hz=st.sampled_from((1_000_000, 2_000_000, 8_000_000)),
)
def test_a_program_that_keeps_the_rule_gets_every_code_once(card_bench, names, gaps, hz):
    """Data only after ready; poll, advance and handlers' time between data and status, and between that status and the
    next data: no loss, no duplicate."""
    person = Typist(card_bench, hz=hz, jitter_percent=20)
    quiet = 40 * hz // 1_000_000  # 40 us: two handlers and all the controller's work
    expected, at = [], person.bench.cycle + 1
    makes = {key.name: key.make for key in KEYS}
    for name in dict.fromkeys(names):
        person.bench.happens("press", name, at=at)
        expected += list(makes[name])
        at += 3 * person.ms
    received = []
    end = at + 20 * person.ms
    turn = 0
    while person.bench.cycle < end:
        if person.status() & READY:
            received.append(person.data())
            person.wait(quiet)
            person.status()
        person.wait(quiet + gaps[turn % len(gaps)])
        turn += 1
    assert received == expected
