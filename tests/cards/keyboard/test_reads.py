"""What a program reads that is faster than the keyboard's controller: a ring, a port and a latch between them.

The cases follow from the design (common practice); the figures beside them are worked out from the settings: an
instruction of the controller takes 0.2 us at 20 MHz (Microchip, PIC16F18076 data sheet, Instruction Set Summary).
"""

from simkit.contract import to_data
from tests.cards.keyboard.typist import CODES, LETTERS, MS, READY, Typist


def test_a_patient_program_gets_each_code_once_in_order(typist):
    """Case 1: status, data, then longer than poll and advance."""
    person = typist()
    person.press(*LETTERS[:6])
    assert person.rest() == CODES[:6]


def test_data_read_twice_at_once_is_the_same_code_and_one_advance(typist):
    """Case 2: 4 cycles are 10 instructions; poll and advance take 18."""
    person = typist()
    person.press(*LETTERS[:3])
    person.status()
    assert [person.data(), person.data()] == [CODES[0]] * 2
    person.wait()
    assert person.rest() == CODES[1:3]


def test_data_read_twice_far_apart_shows_the_next_code_without_taking_it(typist):
    """Case 3: the second read pops nothing, as no status read came between."""
    person = typist()
    person.press(*LETTERS[:3])
    person.status()
    assert person.data() == CODES[0]
    person.wait()
    assert person.data() == CODES[1]
    person.wait()
    assert person.rest() == CODES[1:3]


def test_status_reads_alone_change_nothing(typist):
    """Case 7."""
    person = typist()
    person.press(*LETTERS[:2])
    before = to_data(person.ring)
    assert {person.status(gap) for gap in range(1, 60)} == {READY}
    assert to_data(person.ring) == before


def test_reading_an_empty_card_gives_the_old_code_and_takes_nothing(typist):
    """Case 8, a controller that checks."""
    person = typist()
    person.press("a")
    assert person.take() == CODES[0]
    assert [person.take() for _ in range(3)] == [CODES[0]] * 3
    person.press("s")
    assert person.rest() == CODES[1:2]


def test_reading_an_empty_card_gives_00_when_the_controller_clears_its_port(typist):
    """Case 8, the other port."""
    person = typist(clears_port=True)
    person.press("a")
    assert person.take() == CODES[0]
    assert person.take() == 0


def test_a_controller_that_does_not_check_plays_old_codes_back(typist):
    """Case 8: N stale codes come back, here 3 of a ring of 4."""
    person = typist(ring_slots=4, checks_empty=False)
    person.press("a", "s")
    assert [person.take(), person.take()] == CODES[:2]
    person.take()
    assert len(person.rest()) == 3


def test_a_code_that_comes_between_status_and_data_is_read_and_taken(typist):
    """Case 9: status said empty, data shows the new code, and it is not shown again."""
    person = typist()
    person.bench.happens("press", "a")
    assert not person.status() & READY
    person.wait(3 * MS)
    assert person.data() == CODES[0]
    person.wait()
    assert person.rest() == []


def test_a_code_arriving_while_an_advance_is_pending_is_not_lost(typist):
    """Case 10: the read is placed at every cycle round the arrival of the next code."""
    for offset in range(0, 60):
        person = typist()
        person.press("a")
        person.bench.happens("press", "s")
        person.wait(1850 + offset - 30)
        first = person.take()
        person.wait(MS)
        assert [first, *person.rest()] == CODES[:2]


def test_a_port_that_changes_as_phi2_falls_is_read_torn_bitwise(card_bench):
    """Case 11: each bit from the old or the new code. Without a window it is one of the two, and the wider the window
    the more often it is neither."""
    torn = dict.fromkeys((0, 20, 400), 0)
    for seed in range(60):
        for window in torn:
            person = Typist(card_bench, seed=seed, torn_window_ns=window)
            person.press("s", "h")  # 1B and 33 differ in two bits
            person.status()
            person.data()
            reads = [person.data(0) for _ in range(12)]
            old, new = 0x1B, 0x33
            assert all((value ^ old) & ~(old ^ new) == 0 for value in reads)
            mixed = [value for value in reads if value not in (old, new)]
            told = any(finding.rule == "torn-read" for finding in person.bench.findings)
            assert told or not mixed
            torn[window] += told
    assert torn[0] == 0
    assert torn[400] > 5 * torn[20]


def test_ready_falls_late_after_the_last_code(typist):
    """Case 12: with 100 instructions (40 cycles) to update it, ready stands once more, with the old code."""
    person = typist(update_cycles=100)
    person.press("a")
    person.status()
    assert person.data() == CODES[0]
    assert person.status(20) & READY
    person.wait(200)
    assert not person.status() & READY


def test_the_port_shows_the_head_of_the_ring_whenever_no_update_is_under_way(typist):
    """port == oldest code while codes wait; ready == (count > 0)."""
    person = typist()
    for name in LETTERS:
        person.bench.happens("press", name)
    controller = person.bench.card.controller
    for turn in range(400):
        person.wait(11 + turn % 37)
        if turn % 9 == 0:
            person.status()
            person.data()
            person.wait()
        if not any(person.bench.card.slot.armed(name) for name in controller.EVENTS):
            assert controller.ready is (controller.ring.count > 0)
            assert controller.ring.count == 0 or controller.port == controller.ring.oldest
