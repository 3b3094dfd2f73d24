"""RESET of the machine, which reaches the keyboard's controller or does not.

The cases follow from the design (common practice); the figures beside them are worked out from the settings: an
instruction of the controller takes 0.2 us at 20 MHz (Microchip, PIC16F18076 data sheet, Instruction Set Summary).
"""

from tests.cards.keyboard.typist import CODES, LETTERS, MS


def test_a_reset_of_the_cpu_leaves_the_queue(typist):
    """Case 21: RESET does not reach the controller."""
    person = typist()
    person.press(*LETTERS[:2])
    person.bench.reset()
    assert person.rest() == CODES[:2]


def test_a_reset_of_the_controller_inside_a_frame_garbles_codes_until_the_line_rests(typist):
    """Case 22: bits before the reset are lost, so frames are cut wrongly until an idle time."""
    person = typist(reset_reaches_controller=True)
    person.press("a")
    person.bench.happens("press", "s")
    person.wait(900)  # the fifth bit of eleven
    person.bench.reset()
    assert person.ring.count == 0
    for name in LETTERS[2:7]:
        person.bench.happens("press", name)
    person.wait(8 * MS)
    assert person.rest() != CODES[2:7]
    person.wait(10 * MS)
    person.press("k")
    assert person.rest() == [0x42]


def test_a_receiver_without_a_time_out_stays_garbled(typist):
    """Case 22 with idle_us = 0."""
    person = typist(reset_reaches_controller=True, idle_us=0)
    person.bench.happens("press", "s")
    person.wait(900)
    person.bench.reset()
    for name in LETTERS[2:7]:
        person.wait(30 * MS)
        person.press(name)
    assert person.rest() != CODES[2:7]
