"""How often a code is read twice, as the controller polls too seldom to see a latch that was set and reset.

The cases follow from the design (common practice); the figures beside them are worked out from the settings: an
instruction of the controller takes 0.2 us at 20 MHz (Microchip, PIC16F18076 data sheet, Instruction Set Summary).
"""

import pytest

from tests.cards.keyboard.typist import CODES, LETTERS, READY, SLOW, Typist


def test_a_status_read_before_the_controller_polls_gives_the_code_again(typist):
    """Case 4: with a poll loop of 100 instructions (20 us) the latch goes 1, then 0 unseen."""
    person = typist(poll_cycles=100)
    person.press(*LETTERS[:2])
    seen = []
    for _ in range(5):
        person.status(2)
        seen.append(person.data(2))
    assert seen == [CODES[0]] * 5
    person.status(2)
    person.wait(1000)
    assert person.rest()[-1] == CODES[1]


@pytest.mark.parametrize(("poll", "expected"), [(3, 0.17), (12, 0.79)])
def test_chance_of_a_duplicate_at_8_mhz(card_bench, poll, expected):
    """Case 5: 1 - g/P for a gap g of 0.5 us (4 cycles at 8 MHz) and polls every 0.6 or 2.4 us, phases free.

    19.6608 MHz for the controller, so that the phases drift; the expectation is reckoned for 20 MHz (2 % off).
    """
    duplicates = trials = 0
    for seed in range(12):
        person = Typist(card_bench, hz=8_000_000, poll_cycles=poll, crystal="19.6608 MHz", seed=seed)
        person.press(*LETTERS[:9])
        while person.status() & READY:
            before = person.ring.popped
            for gap in (1, 3, 5, 7, 11, 13):
                person.wait(SLOW * 4 + gap)
                person.status()
                person.wait(SLOW)
                person.data()
                person.status(3)  # read in the fourth cycle after: g = 4 cycles
                person.wait(SLOW * 4)
                trials += 1
                duplicates += person.ring.popped == before
                before = person.ring.popped
                if not person.status() & READY:
                    break
    assert trials > 100
    assert duplicates / trials == pytest.approx(expected, abs=0.10)


def test_duplicates_cluster_while_a_frame_is_arriving(card_bench):
    """Case 6: the handler of a clock edge (here 150 of 400 instructions a bit) keeps the controller from polling."""

    def duplicates(frame_arriving):
        found = 0
        for seed in range(40):
            person = Typist(
                card_bench,
                hz=8_000_000,
                poll_cycles=3,
                bit_cycles=136,
                entry_cycles=14,
                crystal="19.6608 MHz",
                seed=seed,
            )
            person.press("a", "s")
            if frame_arriving:
                person.bench.happens("press", "d")
                person.wait(1000 + 131 * seed)  # somewhere inside the frame of 7040 cycles
            person.status()
            person.wait(SLOW)
            before = person.ring.popped
            person.data()
            person.status(5)
            person.wait(3000)
            found += person.ring.popped == before
        return found

    assert duplicates(frame_arriving=True) > duplicates(frame_arriving=False) + 5


def test_a_faster_machine_clock_brings_duplicates(card_bench):
    """Status again 8 cycles after data: fine at 1 MHz, where that is 40 instructions; not at 8 MHz, where it is 5."""

    def received(mhz):
        person = Typist(card_bench, hz=mhz * 1_000_000, poll_cycles=12)
        person.press(*LETTERS)
        return [person.data() for _ in range(400) if person.status(7) & READY]

    assert received(1) == CODES
    assert len(received(8)) > len(CODES)
