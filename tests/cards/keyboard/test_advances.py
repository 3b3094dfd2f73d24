"""Latches and controllers that take a code from the ring in another way than the usual one.

The cases follow from the design (common practice); the figures beside them are worked out from the settings: an
instruction of the controller takes 0.2 us at 20 MHz (Microchip, PIC16F18076 data sheet, Instruction Set Summary).
"""

from tests.cards.keyboard.typist import CODES, LETTERS, READY, SLOW


def test_a_latch_wired_backwards_gives_each_key_twice_to_a_waiting_program(typist):
    """Status sets, data resets: the code goes only when status is read again, and by then it is read again too."""
    person = typist(latch="status-sets")
    seen = []
    for name in LETTERS[:4]:
        for _ in range(10):
            assert not person.status() & READY
            person.wait()
        person.press(name)
        seen += [person.data() for _ in range(10) if person.status(20) & READY]
    assert seen == [code for code in CODES[:4] for _ in range(2)]


def test_a_controller_that_pops_at_every_poll_runs_through_the_queue(typist):
    """A design that does not wait for the status read: one data read takes codes until the latch is reset."""
    person = typist(advance="every-poll")
    person.status()
    person.press(*LETTERS[:6])
    assert person.data() == CODES[0]
    person.wait(2000)
    assert person.ring.count == 0


def test_a_controller_that_resets_the_latch_itself_needs_no_status_read(typist):
    """Each data read takes one code."""
    person = typist(advance="self-clearing")
    person.press(*LETTERS[:4])
    assert [person.data(SLOW) for _ in range(4)] == CODES[:4]
